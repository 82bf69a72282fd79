// Starts the one page that is open, whose module is named in its frame, and loaded beside this one.
import { guarded } from "./ask.js";
import { jobsBar } from "./jobs.js";
import { sayLeft } from "./page.js";
import { dropAnywhere } from "./send.js";
import { steps } from "./steps.js";

const { page, module } = document.body.dataset;
if (module) { import("./" + module + ".js").then((all) => guarded(all[page])()); }
sayLeft();
jobsBar();
dropAnywhere();
guarded(steps)();
