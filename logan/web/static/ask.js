// Talks to the server: questions, and work that takes a while.
import { ended } from "./jobs.js";
import { make, released, say, table } from "./page.js";

export class Refused extends Error {
  constructor(message, answer, status) { super(message); this.answer = answer || {}; this.status = status || 0; }
}

let isLeaving = false;
window.addEventListener("pagehide", () => { isLeaving = true; });
window.addEventListener("pageshow", () => { isLeaving = false; });

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
    if (isLeaving) { return new Promise(() => undefined); }  // nobody is there any more to be told
    await released();
    throw new Refused("logan does not answer. Is it still running in its terminal?");
  }
  const text = await answer.text();
  await released();
  let result;
  try { result = text ? JSON.parse(text) : {}; } catch (error) { result = { problem: text }; }
  if (!answer.ok) {
    const lines = [result.problem, ...(result.problems || []), result.remedy].filter(Boolean);
    throw new Refused(lines.join(". ") || "that did not work", result, answer.status);
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

// The same, but a second click while the first one's work is under way begins nothing.
export function once(action) {
  let isOn = false;
  return guarded(async (event) => {
    if (isOn) { return; }
    isOn = true;
    try { await action(event); } finally { isOn = false; }
  });
}

// Actions of one queue go one after another, in the order they were asked for.
export function queue() {
  let last = Promise.resolve();
  return (action) => (...given) => {
    const mine = last.then(() => action(...given));
    last = mine.catch(() => undefined);
    return mine;
  };
}

// Work that is not left half-done without a word: who leaves the page meanwhile is asked.
let open = 0;
export const isWorking = () => open > 0;
export const whole = (action) => async (...given) => {
  open += 1;
  try { return await action(...given); } finally { open -= 1; }
};

// What one page saves goes one after another: each change is made in the version that the one before it left, and what
// is read for it after what was saved before.
export const afterSaves = queue();
export const inTurn = (action) => whole(afterSaves(action));

// Of several questions of one kind only the newest is answered: an older one's answer never comes after it.
export function newest(question, then) {
  let turn = 0;
  return async (...about) => {
    const mine = ++turn, found = await question(...about);
    return mine === turn ? then(found, ...about) : undefined;
  };
}

// Saves a change. What was changed elsewhere meanwhile is never overwritten unseen: where it was another key, or the
// same text, the change is sent again in the newest version; else both texts are shown, and the user picks.
export async function saveGuarded(change, send, reload, before, told = (text) => text) {
  try { return await send(change); } catch (error) {
    const conflict = error instanceof Refused && error.answer.conflict;
    if (!conflict) { throw error; }
    await reload(conflict);
    const isApart = conflict.every((one) => one.theirs === before(one.key) || one.theirs === one.yours);
    return isApart || await pickMine(conflict, told) ? send(change) : null;
  }
}

// Shows both texts; resolves to true where the user's own are to be kept.
function pickMine(conflict, told) {
  return new Promise((resolve) => {
    const words = (text) => make("pre", {}, told(text) || "(empty)");
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

// Waits for a job, whose progress the bar shows; `done` gets its result.
export async function follow(job, done) {
  const now = await ended(job);
  if (now.state === "done" && done) { await done(now.result, now); }
  return now;
}
