// All builds, and the way to a first one.
import { ask, follow, guarded, once } from "./ask.js";
import { byId } from "./page.js";

export function home() {
  const demo = byId("make-demo");
  if (demo) { demo.addEventListener("click", guarded(async (event) => {
    event.target.disabled = true;
    const job = await ask("POST", "/api/v1/demo", {});
    await follow(job, (result) => { location.href = "/builds/" + encodeURIComponent(result.build); });
    event.target.disabled = false;
  })); }
  byId("new-build").addEventListener("submit", once(async (event) => {
    const made = await ask("POST", "/api/v1/builds", { name: event.target.elements.name.value, units: event.target.elements.units.value });
    location.href = "/builds/" + encodeURIComponent(made.build) + "/settings";
  }));
}
