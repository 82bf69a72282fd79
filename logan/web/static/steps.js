// The five steps of the first hour, on every page of a build, and how far each has come.
import { ask } from "./ask.js";
import { api, byId, fill, make, pageOf } from "./page.js";

const WORDS = { open: "to do", asked: "look here", done: "done" };

export async function steps() {
  const place = byId("steps");
  if (!place) { return null; }
  const found = await ask("GET", api + "/first-hour");
  fill(place, found.steps.map((step) => make("li", { class: step.state }, make("a", { href: pageOf(step.page) },
    make("strong", {}, step.name), make("small", {}, WORDS[step.state] + ": " + step.words)))));
  return found;
}
