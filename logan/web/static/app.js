// Starts the one page that is open, whose module is named in its frame, and loaded beside this one.
import { guarded, isWorking } from "./ask.js";
import { isUnsaved } from "./fields.js";
import { jobsBar } from "./jobs.js";
import { sayLeft } from "./page.js";
import { dropAnywhere } from "./send.js";
import { steps } from "./steps.js";

const { page, module } = document.body.dataset;
// What waits for its script (`data-soon`) can be used from now on.
const ready = () => {
  document.querySelectorAll("[data-soon]").forEach((one) => { one.disabled = one.hidden = false; });
  document.body.dataset.ready = "yes";
};
// The page asks only once it is known what work is under way: else the end of it might fall between the two questions.
const known = jobsBar();
if (module) { Promise.all([import("./" + module + ".js"), known]).then(([all]) => guarded(all[page])()).then(ready); } else { ready(); }
window.addEventListener("beforeunload", (event) => { if (isWorking() || isUnsaved()) { event.preventDefault(); } });
sayLeft();
dropAnywhere();
guarded(steps)();
