// The answer, the range by scenario, and sliders that move it at once.
import { ask, follow, guarded, newest, once, queue } from "./ask.js";
import { api, byId, chance, fill, keyFigure, make, number, pageOf, shownAs, svg, table, units, valueText, whenCame } from "./page.js";
import { drawAll } from "./plots.js";
import { isUnsaved } from "./fields.js";
import { bullet, toneOf as toneOfLimit } from "./limits.js";
import { essentialForm } from "./settings.js";
import { steps } from "./steps.js";
import { answerOf as shownAnswer, resultOf } from "./tools.js";

const POUND = 0.45359237;

function toneOf(scenario, wanted) {
  const ratio = scenario.probability_of_target;
  return ratio >= wanted ? "good" : ratio >= 0.5 ? "amber" : "red";
}

function answerOf(scenario, wanted) {
  const ratio = scenario.probability_of_target;
  if (ratio >= wanted) { return "Yes"; }
  if (ratio >= 0.5) { return "Likely, but not surely enough"; }
  return ratio > 1 - wanted ? "Probably not" : "No";
}

function keyFigures(scenario, range) {
  const tone = toneOf(scenario, range.confidence_ratio), metres = units.metres;
  const reach = scenario.range_m, used = scenario.consumption, target = number(range.target_range_m / metres);
  const between = (low, high) => number(low) + " to " + number(high) + " (10 to 90 %)";
  return [
    keyFigure("range, " + scenario.name + (scenario.way ? ", " + scenario.way : ""), number(reach.p50 / metres) + " " + units.distance,
      between(reach.p10 / metres, reach.p90 / metres), tone),
    keyFigure("chance of " + target + " " + units.distance, chance(scenario.probability_of_target),
      "you want " + number(100 * range.confidence_ratio) + " %; basis: " + range.basis, tone),
    keyFigure("consumption", number(units.ofConsumption(used.p50)) + " " + units.consumption,
      between(units.ofConsumption(used.p10), units.ofConsumption(used.p90)) + ", net at the pack"),
  ];
}

// The range as a bar against the target; it moves with the sliders.
function rangeBar(scenario, range) {
  const top = 1.5 * range.target_range_m, reach = scenario.range_m;
  const at = (metres) => (10 + 680 * Math.min(metres, top) / top).toFixed(1);
  const target = number(range.target_range_m / units.metres) + " " + units.distance;
  const label = svg("text", { x: at(range.target_range_m), y: 14, "text-anchor": "middle", "font-size": 13 });
  label.textContent = "target " + target;
  const about = { viewBox: "0 0 700 56", "aria-hidden": "true" };
  return svg("svg", { ...about, class: "range-bar " + toneOf(scenario, range.confidence_ratio) },
    svg("line", { x1: 10, x2: 690, y1: 38, y2: 38, class: "track" }),
    svg("line", { x1: at(reach.p10), x2: at(reach.p90), y1: 38, y2: 38, class: "interval" }),
    svg("circle", { cx: at(reach.p50), cy: 38, r: 9, class: "middle" }),
    svg("line", { x1: at(range.target_range_m), x2: at(range.target_range_m), y1: 20, y2: 54, class: "target" }),
    label);
}

// How unsure the range is and by what, and what would narrow it most per hour: the answer's own figures.
function unsureAndNext(range) {
  if (!range.budget) { return []; }
  const length = (metres, digits) => number(metres / units.metres, digits) + " " + units.distance;
  const parts = range.budget.rows.slice(0, 3).flatMap((row, k) =>
    [k ? ", " : "", row.words + " " + length(row.contribution, 1) + " (", evidenceOf(row.source, range.basis === "plan"), ")"]);
  const best = range.next_tests ? range.next_tests.candidates[0] : null;
  return [
    make("p", {}, "Unsure by ± " + length(range.budget.expanded, 1) + " (90 %); one standard uncertainty each: ",
      parts, "."),
    ...(best ? [make("p", {}, "Do next: " + best.name + " (" + best.how + "): the 10 to 90 % interval narrows by " +
      length(best.gain_m, 1) + " for " + number(best.hours, 1) + " h of work." + (best.caution ? " " + best.caution : ""))] : []),
  ];
}

// One thing at a time: how it is asked, how far it may go (as a share of what it is), how it is shown.
const LEVERS = [
  ["usable pack", (now, x) => ({ usable_energy_wh: now.pack * x }), [0.25, 4], (now, x) => number(now.pack * x / 1000, 1) + " kWh"],
  ["CdA", (now, x) => ({ drag_area_factor: x }), [0.3, 2], (now, x) => valueText(now.area * x, shownAs("m^2"))],
  ["speed", (now, x) => ({ speed_m_per_s: now.start.speed_m_per_s * x }), [0.3, 1.8], (now, x) => valueText(now.start.speed_m_per_s * x, shownAs("m/s"))],
  ["test weight", (now, x) => ({ payload_kg: now.start.payload_kg + now.mass * (x - 1) }), [0.5, 1.8], (now, x) => valueText(now.mass * x, shownAs("kg"))],
];
const BISECTIONS = 10;

// What would have to be true for the target: each thing alone, all else as it is, found by halving.
async function leversOf(found) {
  const now = { start: found.start, pack: found.usable_energy_wh, mass: found.mass_kg, area: found.drag_area_m2 }, rows = [];
  const target = found.prediction.scenarios.find((one) => one.name === found.prediction.target_scenario);
  const isThere = target.probability_of_target >= found.confidence_ratio;
  for (const [name, asked, [least, most], shown] of LEVERS) {
    const reaches = async (x) => (await ask("POST", api + "/what-if", { ...now.start, ...asked(now, x) })).answer.probability_of_target >= found.confidence_ratio;
    let [low, high] = [least, most];
    const isLow = await reaches(low);
    let needed = "not by it alone";
    if (isLow !== await reaches(high)) {
      for (let k = 0; k < BISECTIONS; k++) {
        const middle = (low + high) / 2;
        if (await reaches(middle) === isLow) { low = middle; } else { high = middle; }
      }
      needed = shown(now, isLow ? low : high);
    }
    rows.push({ cells: [name, shown(now, 1), needed] });
  }
  return table("For " + number(found.target_range_m / units.metres) + " " + units.distance + " with a chance of " +
    number(100 * found.confidence_ratio) + (isThere ? " % it is enough as it is; one of these alone could go as far as this" : " %, one of these would have to be true"),
  ["what", "now", isThere ? "would still do" : "needed"], rows);
}

// Where each cause is seen or measured.
const EVIDENCE = [[/gain|zero|sensor|offset/, "settings", "sensors and what was measured"], [/usable|capacity|aging/, "tools#fit", "usable energy"],
  [/day/, "drives", "drive by drive"], [/beyond/, "drives", "what was driven"], [/./, "tools#fit", "what the drives taught"]];

// Without drives it is the plan's own numbers.
function evidenceOf(source, isPlan) {
  const [, place, words] = isPlan ? [null, "settings", "your settings"] : EVIDENCE.find(([pattern]) => pattern.test(source));
  return make("a", { href: pageOf(place) }, words);
}

const notices = (range) => range.notes.length ? make("div", { class: "notice" }, range.notes.map((note) => make("p", {}, note))) : null;

function showAnswer(place, range) {
  const target = range.prediction.scenarios.find((scenario) => scenario.name === range.prediction.target_scenario);
  const tone = toneOf(target, range.confidence_ratio), count = range.prediction.drive_count;
  const drives = count === 1 ? "one drive" : count + " drives";
  const basis = range.basis === "plan" ? "the plan alone" : drives + " and the plan";
  const wanted = number(range.target_range_m / units.metres) + " " + units.distance;
  fill(place,
    make("p", { class: "verdict " + tone }, make("strong", {}, answerOf(target, range.confidence_ratio)), " ",
      make("span", {}, "Does it make " + wanted + " in “" + target.name + "”? Judged from " + basis + ".")),
    make("dl", { class: "key-figures" }, keyFigures(target, range)), unsureAndNext(range), notices(range));
  byId("answer-figure").replaceChildren();
  drawAll(byId("answer-figure"), range.figures.slice(0, 1));
}

// A build whose numbers still are the example's is not judged: what a plan needs at the least is asked.
async function askFirst(place, essential) {
  const form = await essentialForm(essential, () => location.reload());
  fill(place, make("p", { class: "notice amber" }, "These still are the numbers of an example, of no vehicle in particular: nothing is judged by them. ",
    "Put in what you know of yours; the rest can wait."), form);
}

// Drives that no fit has used yet are worked in first: the plan's verdict is shown only where there is no drive.
export async function overview() {
  const draw = queue()(drawOverview);
  // What is being typed is not taken away by work that came to its end elsewhere.
  whenCame(["fit", "import"], guarded(async () => { if (!isUnsaved()) { await Promise.all([draw(), steps()]); } }));
  await draw();
}

async function drawOverview() {
  const place = byId("answer");
  const hour = await ask("GET", api + "/first-hour");
  if (hour.is_untouched && !hour.drives) { await askFirst(place, hour.essential); return; }
  const show = async () => showAnswer(place, await ask("GET", api + "/range"));
  let range;
  try {
    range = await ask("GET", api + "/range");
  } catch (error) {
    fill(place, make("p", { class: "notice amber" }, error.message));
    return;
  }
  const limits = await ask("GET", api + "/limits"), worst = limits.lines.slice(0, 4);
  const tone = worst.map(toneOfLimit).find(Boolean) || "";
  fill(byId("weakest"), make("div", { class: "notice " + tone }, make("h2", {}, "The weakest part"), worst.length
    ? make("ul", { class: "rows limits" }, worst.map((line) => make("li", { class: toneOfLimit(line) }, bullet(line))))
    : make("p", {}, "No drive has been imported yet, so nothing is known about limits."),
  tone ? limits.cautions.map((text) => make("p", {}, text)) : null, make("p", {}, make("a", { href: pageOf("limits") }, "All limits"))));
  if (range.basis !== "plan" || !hour.drives) {
    showAnswer(place, range);
  } else {
    fill(place, make("p", {}, "Working the drives into the answer …"));
    let isShown = false;
    await follow(await ask("POST", api + "/fit", {}), async () => {
      await Promise.all([show(), steps()]);
      isShown = true;
    });
    if (!isShown) { showAnswer(place, range); }  // no drive can carry a fit: the plan alone, and the job says why
  }
}

// The commands' own answer, curves and all; launches go without the climb.
function passForm() {
  const answer = newest((options) => resultOf("range", options), (result) => { if (result) { fill(byId("pass-answer"), shownAnswer(result)); } });
  byId("pass").addEventListener("submit", guarded(async (event) => {
    const button = event.submitter, isLaunches = button.name === "launches", options = isLaunches ? { launches: button.value } : {};
    for (const input of byId("pass").querySelectorAll("input")) {
      if (input.value.trim() && !(isLaunches && ["grade", "length", "speed"].includes(input.name))) { options[input.name] = input.value.trim(); }
    }
    button.disabled = true;
    try {
      await answer(options);
    } finally { button.disabled = false; }
  }));
}

// A finger that scrolls past sets no slider: only one that moves across does; what is let go of for a scroll comes back.
function holdStill(input) {
  let from = null, before = input.value, isAcross = true;
  const end = (event) => {
    if (from && event.type === "pointercancel" && input.value !== before) { input.value = before; input.dispatchEvent(new Event("input", { bubbles: true })); }
    from = null;
    isAcross = true;
  };
  input.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse") { return; }
    [from, before, isAcross] = [[event.clientX, event.clientY], input.value, false];
  });
  input.addEventListener("pointermove", (event) => {
    const across = from ? Math.abs(event.clientX - from[0]) : 0;
    isAcross = isAcross || (across > 8 && across > 2 * Math.abs(event.clientY - from[1]));
  });
  input.addEventListener("input", (event) => {
    if (from && !isAcross) { input.value = before; event.stopPropagation(); }
  });
  input.addEventListener("pointerup", end);
  input.addEventListener("pointercancel", end);
}

export async function range() {
  passForm();
  document.querySelectorAll("#what-if input").forEach(holdStill);
  let found = null;
  const sliders = ["speed", "ambient", "load", "pack"];
  const value = (id) => Number(byId(id).value);

  const load = async () => { found = await ask("GET", api + "/range"); };
  const draw = () => {
    const count = found.prediction.drive_count;
    byId("basis").textContent = found.basis === "fit"
      ? "Refined by " + (count === 1 ? "one drive." : count + " drives.") : "From the plan alone.";
    fill(byId("range-figures"), notices(found));
    drawAll(byId("range-figures"), found.figures);
  };
  // The sliders start at what the answer is of; until one is moved the answer itself stands there.
  let isMoved = false;
  const begin = () => {
    if (isMoved) { return; }
    if (!units.isMiles) { Object.assign(byId("speed"), { min: 30, max: 140 }); }
    const { start } = found, pack = found.usable_energy_wh / 1000;
    Object.assign(byId("pack"), { min: (pack / 4).toFixed(1), max: (pack * 3).toFixed(1), step: 0.1 });
    const values = { speed: start.speed_m_per_s * 3600 / units.metres, ambient: start.ambient_temperature_degc, load: start.payload_kg, pack: pack };
    for (const id of sliders) { byId(id).step = "any"; byId(id).value = values[id]; }
  };
  const label = () => {
    byId("speed-out").textContent = Math.round(value("speed")) + " " + units.speed;
    byId("ambient-out").textContent = Math.round(units.ofTemperature(value("ambient"))) + " " + units.temperature;
    byId("load-out").textContent = units.isMiles ? Math.round(value("load") / POUND) + " lb" : Math.round(value("load")) + " kg";
    byId("pack-out").textContent = number(value("pack"), 1) + " kWh";
  };
  // One question at a time; the newest setting is asked next, so a slow answer never overtakes it.
  let isAsking = false, isStale = false;
  const question = guarded(async () => {
    if (!found) { return; }
    label();
    byId("as-answered").hidden = !isMoved;
    if (!isMoved) {
      const target = found.prediction.scenarios.find((scenario) => scenario.name === found.prediction.target_scenario);
      fill(byId("what-if-answer"), keyFigures(target, found));
      fill(byId("what-if-bar"), rangeBar(target, found));
      return;
    }
    isStale = true;
    if (isAsking) { return; }
    isAsking = true;
    try {
      while (isStale) {
        isStale = false;
        const answer = await ask("POST", api + "/what-if", {
          speed_m_per_s: value("speed") * units.metres / 3600, ambient_temperature_degc: value("ambient"),
          payload_kg: value("load"), usable_energy_wh: value("pack") * 1000,
        });
        if (!isMoved) { return; }  // the answer itself was asked back meanwhile
        const scenario = { ...answer.answer, name: Math.round(value("speed")) + " " + units.speed };
        const shown = { ...found, basis: answer.basis };
        fill(byId("what-if-answer"), keyFigures(scenario, shown));
        fill(byId("what-if-bar"), rangeBar(scenario, shown));
      }
    } finally { isAsking = false; }
  });
  byId("what-if").addEventListener("input", () => { isMoved = true; question(); });
  byId("as-answered").addEventListener("click", () => { isMoved = false; begin(); question(); });
  byId("turned-round").addEventListener("click", guarded(async (event) => {
    event.target.disabled = true;
    try { fill(byId("levers"), await leversOf(found)); } finally { event.target.disabled = false; }
  }));
  const showAll = async () => {
    draw();
    begin();
    await question();
  };
  whenCame(["fit"], guarded(async () => { await load(); await showAll(); }));
  const workIn = once(async () => {
    byId("fit").disabled = true;
    try {
      await follow(await ask("POST", api + "/fit", {}), load);
    } finally {
      byId("fit").disabled = false;
      await showAll();
    }
  });
  byId("fit").addEventListener("click", workIn);
  let hour = null;
  try {
    [hour] = await Promise.all([ask("GET", api + "/first-hour"), load()]);
  } catch (error) {
    fill(byId("range-figures"), make("p", { class: "notice amber" }, error.message));
    for (const id of sliders) { byId(id).disabled = true; byId(id).removeAttribute("data-soon"); }
    return;
  }
  // As on the overview: where there are drives, what the plan says of them is no answer.
  if (found.basis !== "plan" || !hour.taken) { await showAll(); return; }
  byId("basis").textContent = "Working the drives into the answer …";
  await workIn();
}
