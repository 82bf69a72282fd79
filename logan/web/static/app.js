// Starts the one page that is open.
import { guarded } from "./ask.js";
import { drive } from "./drive.js";
import { drives } from "./drives.js";
import { jobsBar } from "./jobs.js";
import { home } from "./home.js";
import { limits } from "./limits.js";
import { logs } from "./logs.js";
import { overview, range } from "./range.js";
import { sayLeft } from "./page.js";
import { report } from "./report.js";
import { dropAnywhere } from "./send.js";
import { settings } from "./settings.js";
import { steps } from "./steps.js";
import { tools } from "./tools.js";

const pages = { home, overview, settings, logs, drives, drive, limits, range, report, tools };
const start = pages[document.body.dataset.page];
sayLeft();
jobsBar();
dropAnywhere();
guarded(steps)();
if (start) { guarded(start)(); }
