// Talks to the server: questions, and work that takes a while.
import { make, number, say, table } from "./page.js";

export class Refused extends Error {
  constructor(message, answer) { super(message); this.answer = answer || {}; }
}

export async function ask(method, address, content) {
  const options = { method: method, headers: { "X-Logan": "1" } };
  if (content !== undefined) {
    options.headers["Content-Type"] = "application/json";
    options.body = JSON.stringify(content);
  }
  let answer;
  try {
    answer = await fetch(address, options);
  } catch (error) {
    throw new Refused("logan does not answer. Is `logan serve` still running?");
  }
  const text = await answer.text();
  let result;
  try { result = text ? JSON.parse(text) : {}; } catch (error) { result = { problem: text }; }
  if (!answer.ok) {
    const lines = [result.problem, ...(result.problems || []), result.remedy].filter(Boolean);
    throw new Refused(lines.join(". ") || "that did not work", result);
  }
  return result;
}

// An action whose refusal is shown; anything else is a fault of ours and reaches the console.
export const guarded = (action) => async (event) => {
  if (event && event.preventDefault) { event.preventDefault(); }
  try {
    await action(event);
  } catch (error) {
    if (!(error instanceof Refused)) { throw error; }
    say(error.message, "red");
  }
};

// Saves a change. What was changed elsewhere meanwhile is never overwritten unseen: where it was another key, or the
// same text, the change is sent again in the newest version; else both texts are shown, and the user picks.
export async function saveGuarded(change, send, reload, before) {
  try { return await send(change); } catch (error) {
    const conflict = error instanceof Refused && error.answer.conflict;
    if (!conflict) { throw error; }
    await reload();
    const isApart = conflict.every((one) => one.theirs === before(one.key) || one.theirs === one.yours);
    return isApart || await pickMine(conflict) ? send(change) : null;
  }
}

// Shows both texts; resolves to true where the user's own are to be kept.
function pickMine(conflict) {
  return new Promise((resolve) => {
    const words = (text) => make("pre", {}, text || "(empty)");
    const rows = conflict.map((one) => ({ cells: [one.key.replaceAll("_", " "), words(one.yours), words(one.theirs)] }));
    const end = (isMine) => () => { dialog.close(); dialog.remove(); resolve(isMine); };
    const dialog = make("dialog", { "aria-label": "Changed elsewhere", on: { cancel: end(false) } },
      make("p", {}, "This was changed elsewhere since you opened this page. Nothing was saved yet."),
      table("Both texts", ["what", "yours", "saved elsewhere"], rows, [1, 2]),
      make("p", { class: "bar" }, make("button", { class: "primary", on: { click: end(true) } }, "Save mine"),
        make("button", { on: { click: end(false) } }, "Take what was saved")));
    document.body.append(dialog);
    dialog.showModal();
  });
}

// Shows a job's progress with a way to stop it; `done` gets its result. A quiet job's failure stays in its place.
export function follow(job, place, done, isQuiet) {
  const label = make("p", {}, job.label), bar = make("progress", { "aria-label": job.label });
  const words = make("p", { class: "hint" });
  const ending = guarded(() => ask("POST", "/api/jobs/" + job.id + "/stop", {}));
  const stop = make("button", { on: { click: ending } }, "Stop");
  const box = make("div", { class: "job" }, label, bar, words, stop);
  place.append(box);
  const show = (now) => {
    if (now.total) { bar.max = now.total; bar.value = now.done; } else { bar.removeAttribute("value"); }
    const isCounting = now.state === "running" && now.total && now.time_left_s !== null;
    const left = isCounting ? number(now.time_left_s) + " s left" : "";
    words.textContent = [now.message, now.rate, left].filter(Boolean).join(", ");
  };
  const end = async (now) => {
    bar.remove();
    stop.remove();
    label.textContent = job.label + ": " + now.state;
    if (now.state === "failed") {
      if (!isQuiet) { say(now.message, "red"); }
      box.classList.add("notice", isQuiet ? "amber" : "red");
    }
    if (now.state === "done" && done) { await done(now.result, box); }
  };
  return new Promise((resolve, reject) => {
    const look = async () => {
      let now;
      try {
        now = await ask("GET", "/api/jobs/" + job.id);
      } catch (error) {
        words.textContent = error.message;
        setTimeout(look, 2000);
        return;
      }
      show(now);
      if (!["done", "failed", "stopped"].includes(now.state)) { setTimeout(look, 300); return; }
      try { await end(now); resolve(now); } catch (error) { reject(error); }
    };
    look();
  });
}
