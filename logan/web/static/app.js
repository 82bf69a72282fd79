// Starts the one page that is open.
import { guarded } from "./ask.js";
import { compare } from "./compare.js";
import { drive } from "./drive.js";
import { drives } from "./drives.js";
import { home } from "./home.js";
import { logs } from "./logs.js";
import { overview, range } from "./range.js";
import { report } from "./report.js";
import { settings } from "./settings.js";

const pages = { home, overview, settings, logs, drives, drive, compare, range, report };
const start = pages[document.body.dataset.page];
if (start) { guarded(start)(); }
