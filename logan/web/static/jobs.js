// Work under way, in a bar on every page: what it is doing, how long still, how to stop it, and what came of it.
import { ask, guarded, Refused } from "./ask.js";
import { build, byId, clock, fill, make, number, units } from "./page.js";

const BUSY_MS = 500, IDLE_MS = 6000;
const QUIET = ["look", "suggest", "refresh", "command"];
const waiting = new Map(), over = new Set(), followed = new Set();
let timer = null, isLooking = false, isFirst = true;

const isOver = (job) => ["done", "failed", "stopped"].includes(job.state);
const post = (job, what) => guarded(async () => { await ask("POST", "/api/v1/jobs/" + job.id + "/" + what, {}); await look(); });

// Resolves to a job, with its result, once it is over; several may wait for the same one.
export function ended(job) {
  const seen = new Promise((...ends) => waiting.set(job.id, [...(waiting.get(job.id) || []), ends]));
  followed.add(job.id);
  look();
  return seen;
}

// Tells those who wait for a job that it is over; one that is known no more (it lay too long) is told as a refusal.
async function tell(id) {
  let whole = null;
  try {
    whole = await ask("GET", "/api/v1/jobs/" + id);
    if (!isOver(whole)) { return; }
  } catch (error) {
    if (!(error instanceof Refused) || error.status !== 404) { throw error; }
  }
  const ends = waiting.get(id) || [];
  waiting.delete(id);
  const gone = () => new Refused("logan no longer knows this piece of work; look at what came of it, or start it again");
  for (const [resolve, reject] of ends) { if (whole) { resolve(whole); } else { reject(gone()); } }
}

async function look() {
  clearTimeout(timer);
  if (isLooking) { timer = setTimeout(look, 100); return; }
  isLooking = true;
  let jobs = null;
  try {
    jobs = (await ask("GET", "/api/v1/jobs")).jobs;
    const listed = new Map(jobs.map((job) => [job.id, job]));
    await Promise.all([...waiting.keys()].filter((id) => !listed.has(id) || isOver(listed.get(id))).map(tell));
    // What was begun before a reload, in another tab or from the bar: its end is told to the page that shows what came,
    // though it may have begun and ended between two looks.
    for (const job of jobs.filter((one) => one.build === build && isOver(one) && !over.has(one.id))) {
      over.add(job.id);
      if (!isFirst && job.state === "done" && !followed.has(job.id)) { document.dispatchEvent(new CustomEvent("came", { detail: job.kind })); }
    }
    isFirst = false;
    show(jobs.filter((job) => !job.is_closed && (!job.build || !build || job.build === build || !isOver(job))));
  } catch (error) {
    fill(byId("jobs"), make("p", { class: "notice amber" }, error.message));
  } finally { isLooking = false; }
  const isBusy = !jobs || waiting.size || jobs.some((job) => !isOver(job));
  timer = setTimeout(look, isBusy ? BUSY_MS : IDLE_MS);
}

function show(jobs) {
  const place = byId("jobs"), known = new Map([...place.children].map((one) => [one.dataset.job, one]));
  const kept = jobs.filter((job) => !isOver(job) || job.state === "failed" || !QUIET.includes(job.kind)).slice(-6);
  // What has not changed keeps its elements, and so the focus.
  const boxes = kept.map((job) => {
    const face = JSON.stringify([job.state, job.message, job.done, Math.round(job.time_left_s)]), old = known.get(job.id);
    if (old && old.dataset.face === face) { return old; }
    const made = isOver(job) ? endedBox(job) : runningBox(job, old);
    Object.assign(made.dataset, { job: job.id, face: face });
    return made;
  });
  // On a phone one line stands for all until it is opened: what runs, else what ended last.
  const first = kept.findIndex((job) => !isOver(job)), shown = first < 0 ? boxes.length - 1 : first;
  boxes.forEach((box, k) => box.classList.toggle("first", k === shown));
  const failed = kept.filter((job, k) => k !== shown && job.state === "failed").length;
  more = (boxes.length > 1 ? "All " + boxes.length : "More") + (failed ? ", " + failed + " failed" : "");
  fill(place, boxes, boxes.length ? fold : null);
  sayFold();
}

let more = "";
const fold = make("button", { class: "fold plain", type: "button", on: { click: () => { byId("jobs").classList.toggle("open"); sayFold(); } } });

function sayFold() {
  const isOpen = byId("jobs").classList.contains("open");
  fold.textContent = isOpen ? "Less" : more;
  fold.setAttribute("aria-label", "Work: " + fold.textContent);
  fold.setAttribute("aria-expanded", String(isOpen));
}

function runningBox(job, old) {
  const box = old && old.classList.contains("running") ? old : make("div", { class: "job running" }, make("p", {}),
    make("progress", { "aria-label": job.label }), make("button", { class: "plain", on: { click: post(job, "stop") } }, "Stop"));
  const [words, bar] = box.children;
  if (job.total) { bar.max = job.total; bar.value = job.done; } else { bar.removeAttribute("value"); }
  const left = job.time_left_s === null ? "" : job.time_left_s < 1.5 ? "nearly done" : "about " + clock(job.time_left_s) + " left";
  const doing = job.state === "waiting" ? "waits for its turn" : [job.message, job.rate, left].filter(Boolean).join(", ");
  words.replaceChildren(make("span", {}, make("strong", {}, make("i", {}, job.label)), doing ? make("span", { class: "said" }, ": " + doing) : ""));
  return box;
}

// What came of a job, in words and links.
function cameOf(job) {
  if (job.state !== "done" || !job.result) { return [job.message, []]; }
  if (job.kind === "fit") { return ["The answer rests on " + job.result.drive_count + (job.result.drive_count === 1 ? " drive" : " drives") + " now.", [["See it", ""]]]; }
  if (job.kind === "report") { return ["It is written.", [["Open " + job.result.name, "/api/v1/builds/" + encodeURIComponent(job.build) + "/reports/" + job.result.name]]]; }
  if (job.kind !== "import") { return [job.message, []]; }
  const words = job.result.map((row) => "Drive " + row.number + ": " + [row.was_there ? "had been imported before" : "",
    row.distance_m === null ? "" : number(row.distance_m / units.metres, 1) + " " + units.distance,
    row.net_wh_per_km === null ? "consumption refused" : number(units.ofConsumption(row.net_wh_per_km)) + (row.sigma_wh_per_km ? " ± " + number(units.ofConsumption(row.sigma_wh_per_km)) : "") + " " + units.consumption,
    row.red ? row.red + " red" : "", row.amber ? row.amber + " amber" : "", row.fit ? "the fit: " + row.fit : "",
    ...row.notes.slice(0, 2)].filter(Boolean).join(", ") + ".");
  return [words.join(" "), job.result.slice(0, 8).map((row) => ["Drive " + row.number, "drives/" + row.number])];
}

function endedBox(job) {
  const tone = { done: "good", failed: "red", stopped: "amber" }[job.state];
  const place = (to) => to.startsWith("/") ? to : "/builds/" + encodeURIComponent(job.build) + (to ? "/" + to : "");
  const [message, links] = cameOf(job), address = "/api/v1/jobs/" + job.id + "/close";
  // Whoever goes to see what came of it has seen that it ended.
  const close = () => { fetch(address, { method: "POST", headers: { "X-Logan": "1" }, keepalive: true }); };
  const again = job.state !== "done" && job.kind && job.build
    ? make("button", { class: "plain", on: { click: post(job, "again") } }, "Start again") : null;
  return make("div", { class: "job notice " + tone },
    make("p", {}, make("span", {}, make("strong", {}, make("i", {}, job.label), ": " + job.state + ". "), make("span", { class: "said" }, message)), links.map(([words, to]) => [" ", make("a", { href: place(to), on: { click: close } }, words)]).flat()),
    again, make("button", { class: "plain", "aria-label": "Close: " + job.label, on: { click: post(job, "close") } }, "Close"));
}

export function jobsBar() {
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { look(); } });
  return look();
}
