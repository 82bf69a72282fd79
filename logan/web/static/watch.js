// Pick a folder on this machine; every log that settles in it is imported.
import { ask, follow, guarded, inTurn, newest } from "./ask.js";
import { api, byId, fill, make, number, say } from "./page.js";

const LOOK_EVERY_MS = 2000;

const folders = newest((path) => ask("GET", "/api/v1/folders?path=" + encodeURIComponent(path)), (found, path, before) => {
  if (byId("watch-folder").value !== before) { return; }  // typed in since
  byId("watch-folder").value = found.path;
  const step = (words, target) => make("li", {},
    make("button", { type: "button", class: "plain", on: { click: guarded(() => pick(target)) } }, words));
  const inside = found.path.endsWith("/") ? found.path : found.path + "/";
  fill(byId("watch-folders"), found.parent === found.path ? null : step("↑ up", found.parent),
    found.folders.map((name) => step(name + "/", inside + name)));
  byId("watch-count").textContent = number(found.file_count) + " files lie in it.";
});
const pick = (path) => folders(path, byId("watch-folder").value);

export async function watching(showImported) {
  const followed = new Set();
  let timer = null, turn = 0;
  const show = (state) => {
    clearTimeout(timer);
    byId("watch-state").textContent = state.is_watching
      ? "Watching " + state.folder + ". A log is imported once it stops growing." : "No folder is watched.";
    byId("watch-stop").hidden = !state.is_watching;
    for (const id of state.jobs.filter((job) => !followed.has(job))) {
      followed.add(id);
      ask("GET", "/api/v1/jobs/" + id).then((job) => follow(job, showImported), () => undefined);
    }
    if (state.is_watching) { timer = setTimeout(look, LOOK_EVERY_MS); }
  };
  const look = async () => {
    const mine = ++turn;
    // A server that is gone for a moment is asked again; an answer from before a click is not shown after it.
    try {
      const state = await ask("GET", api + "/watch");
      if (mine === turn) { show(state); }
    } catch (error) { timer = setTimeout(look, LOOK_EVERY_MS); }
  };
  const change = inTurn(async (folder) => {
    turn += 1;
    try { show(await ask("POST", api + "/watch", { folder: folder })); } finally { turn += 1; }
  });
  const offer = guarded(async () => {
    if (byId("watch").open && !byId("watch-folder").value) { await pick(""); }
  });
  byId("watch").addEventListener("toggle", offer);
  // It may have been opened before this script was there.
  offer();
  byId("watch-look").addEventListener("click", guarded(() => pick(byId("watch-folder").value)));
  byId("watch-form").addEventListener("submit", guarded(async (event) => {
    await change(event.target.folder.value);
    say("Watching. New logs are imported when they stop growing.", "good");
  }));
  byId("watch-stop").addEventListener("click", guarded(async () => {
    await change("");
    say("No longer watching.", "good");
  }));
  show(await ask("GET", api + "/watch"));
}
