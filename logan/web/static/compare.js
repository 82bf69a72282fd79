// Two drives side by side: what differed, and what each cause explains.
import { ask, guarded } from "./ask.js";
import { api, byId, figureText, fill, keyFigure, make, number, table, units, whyOf } from "./page.js";
import { drawAll } from "./plots.js";

function factRow(fact) {
  const forms = {
    "m/s": [(v) => v / (units.metres / 3600), units.speed, 1],
    "m": [(v) => v, "m", 0],
    "degC": [units.ofTemperature, units.temperature, 0],
    "1/km": [(v) => v * units.metres / 1000, "per " + units.distance, 2],
    "kg/m3": [(v) => v, "kg/m³", 3],
    "m/km": [(v) => v, "m/km", 1],
  };
  let [form, unit, digits] = forms[fact.unit] || [(v) => v, fact.unit, 0];
  if (fact.name === "distance") { [form, unit, digits] = [(v) => v / units.metres, units.distance, 1]; }
  const text = (value) => value === null ? "not known" : number(form(value), digits) + " " + unit;
  return { cells: [fact.name, text(fact.first), text(fact.second)] };
}

function show(place, found) {
  const difference = found.difference, scale = units.ofConsumption(1);
  const used = (figure) => figureText(figure, scale, 0, units.consumption);
  const small = (figure) => figureText(figure, scale, 1, units.consumption);
  const facts = difference.facts.map(factRow);
  const parts = difference.parts.map((part) => ({ cells: [part.name, small(part.effect_wh_per_km), part.meaning] }));
  const rest = small(difference.unexplained_wh_per_km);
  parts.push({ cells: ["unexplained", rest, "the vehicle itself, wind not recorded, errors"] });
  fill(place, make("dl", { class: "key-figures" },
    keyFigure("drive " + difference.first, used(difference.first_wh_per_km), whyOf(difference.first_wh_per_km)),
    keyFigure("drive " + difference.second, used(difference.second_wh_per_km), whyOf(difference.second_wh_per_km)),
    keyFigure("difference", used(difference.difference_wh_per_km), "second less first, ± one standard uncertainty")));
  drawAll(place, found.figures);
  place.append(table("What each cause explains", ["cause", "effect", "what it holds"], parts, [2]),
    table("The two drives", ["", "drive " + difference.first, "drive " + difference.second], facts),
    ...difference.assumed.map((text) => make("p", { class: "hint" }, "Assumed for drive " + text)));
}

export async function compare() {
  const form = byId("compare-form"), place = byId("comparison");
  const drives = (await ask("GET", api + "/drive-list")).rows.map((drive) => String(drive.number));
  const asked = new URLSearchParams(location.search);
  for (const [position, name] of ["first", "second"].entries()) {
    const wanted = asked.get(name) ?? drives[position];
    fill(form.elements[name], drives.map((n) => make("option", { value: n, selected: n === wanted }, "drive " + n)));
  }
  const look = guarded(async () => {
    const [first, second] = [form.elements.first.value, form.elements.second.value];
    if (!first || !second || first === second) { fill(place, make("p", {}, "Choose two drives.")); return; }
    fill(place, make("p", { class: "loading" }, "Comparing …"));
    history.replaceState(null, "", "?first=" + first + "&second=" + second);
    try {
      show(place, await ask("GET", api + "/difference?first=" + first + "&second=" + second));
    } catch (error) {
      fill(place, make("p", { class: "notice amber" }, error.message));
    }
  });
  form.addEventListener("change", look);
  await look();
}
