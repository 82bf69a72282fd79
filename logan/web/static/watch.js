// Pick a folder on this machine; every log that settles in it is imported.
import { ask, follow, guarded } from "./ask.js";
import { api, byId, fill, make, number, say } from "./page.js";

const LOOK_EVERY_MS = 2000;

let asked = 0;

async function pick(path) {
  const turn = ++asked, found = await ask("GET", "/api/v1/folders?path=" + encodeURIComponent(path));
  // Only the newest question is answered.
  if (turn !== asked) { return; }
  byId("watch-folder").value = found.path;
  const step = (words, target) => make("li", {},
    make("button", { type: "button", class: "plain", on: { click: guarded(() => pick(target)) } }, words));
  const inside = found.path.endsWith("/") ? found.path : found.path + "/";
  fill(byId("watch-folders"), found.parent === found.path ? null : step("↑ up", found.parent),
    found.folders.map((name) => step(name + "/", inside + name)));
  byId("watch-count").textContent = number(found.file_count) + " files lie in it.";
}

export async function watching(showImported) {
  const followed = new Set();
  const show = (state) => {
    byId("watch-state").textContent = state.is_watching
      ? "Watching " + state.folder + ". A log is imported once it stops growing." : "No folder is watched.";
    byId("watch-stop").hidden = !state.is_watching;
    for (const id of state.jobs.filter((job) => !followed.has(job))) {
      followed.add(id);
      ask("GET", "/api/v1/jobs/" + id).then((job) => follow(job, showImported), () => undefined);
    }
    if (state.is_watching) { setTimeout(look, LOOK_EVERY_MS); }
  };
  const look = async () => {
    // A server that is gone for a moment is asked again.
    try { show(await ask("GET", api + "/watch")); } catch (error) { setTimeout(look, LOOK_EVERY_MS); }
  };
  const offer = guarded(async () => {
    if (byId("watch").open && !byId("watch-folder").value) { await pick(""); }
  });
  byId("watch").addEventListener("toggle", offer);
  // It may have been opened before this script was there.
  offer();
  byId("watch-look").addEventListener("click", guarded(() => pick(byId("watch-folder").value)));
  byId("watch-form").addEventListener("submit", guarded(async (event) => {
    show(await ask("POST", api + "/watch", { folder: event.target.folder.value }));
    say("Watching. New logs are imported when they stop growing.", "good");
  }));
  byId("watch-stop").addEventListener("click", guarded(async () => {
    show(await ask("POST", api + "/watch", { folder: "" }));
    say("No longer watching.", "good");
  }));
  show(await ask("GET", api + "/watch"));
}
