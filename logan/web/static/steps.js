// The five steps of the first hour, on every page of a build, and how far each has come.
import { ask } from "./ask.js";
import { api, byId, fill, make, pageOf } from "./page.js";

const WORDS = { open: "to do", asked: "look here", done: "done" };
const many = (n, word) => n + " " + word + (n === 1 ? "" : "s");

function stepsOf(hour) {
  const vehicle = hour.problems ? [many(hour.problems, "thing") + " to correct", "asked"]
    : hour.is_untouched ? ["still the example's numbers", "asked"] : ["your numbers", "done"];
  const check = !hour.drives ? "open" : hour.red || !hour.taken ? "asked" : "done";
  return [
    ["Vehicle", "settings", ...vehicle],
    ["Logs and DBC", "logs", hour.waiting + " waiting, " + many(hour.drives, "drive") + ", " + many(hour.dbcs, "DBC"),
      hour.drives || hour.waiting ? "done" : "open"],
    ["Channels", "logs", hour.mapped + " mapped", hour.mapped ? "done" : "open"],
    ["Check", "drives", hour.taken + " of " + hour.drives + " in the fit" + (hour.red ? ", " + hour.red + " with red findings" : ""), check],
    ["Answer", "", hour.has_answer ? "from the drives" : hour.taken ? "to be worked out" : "after the first drive", hour.has_answer ? "done" : "open"],
  ];
}

export async function steps() {
  const place = byId("steps");
  if (!place) { return null; }
  const hour = await ask("GET", api + "/first-hour");
  fill(place, stepsOf(hour).map(([name, page, words, state]) => make("li", { class: state }, make("a", { href: pageOf(page) },
    make("strong", {}, name), make("small", {}, WORDS[state] + ": " + words)))));
  return hour;
}
