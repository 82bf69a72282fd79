// The settings as a form, with the same checks as the file.
import { ask, guarded, inTurn, Refused, saveGuarded } from "./ask.js";
import { isUnsaved, redraw, renew } from "./fields.js";
import { api, byId, channelWords, fill, make, say, table } from "./page.js";
import { rows } from "./rows.js";

function fieldOf(field) {
  const id = "field-" + field.key;
  const about = { id: id, name: field.key, "aria-describedby": id + "-hint", autocomplete: "off" };
  const isYesNo = field.choices.join() === "true,false";
  const input = isYesNo ? make("select", about, ["", ...field.choices].map((choice) =>
    make("option", { value: choice, selected: choice === field.text }, { "": "as usual", "true": "yes", "false": "no" }[choice])))
    : field.choices.length ? make("select", about, field.choices.map((choice) =>
      make("option", { value: choice, selected: choice === field.text }, channelWords(choice) || "(none)")))
    : make("input", { ...about, value: field.text, placeholder: field.example, required: field.is_required });
  input.dataset.before = field.text;
  const [, ...names] = field.key.split(".").map(channelWords);
  const problem = make("small", { id: id + "-problem", class: "problem", hidden: true });
  if (names.length > 1) {
    input.setAttribute("aria-label", names.join(", "));
    input.setAttribute("aria-describedby", problem.id);
    return make("div", {}, input, problem);
  }
  input.setAttribute("aria-describedby", id + "-hint " + problem.id);
  const label = make("label", { for: id }, names[0] + (field.is_required ? " *" : ""));
  return make("div", {}, label, input, problem, make("small", { id: id + "-hint" }, isYesNo ? field.hint.replace(/\btrue\b/, "yes").replace(/\bfalse\b/, "no") : field.hint));
}

// Keys of two parts are a field each; those of three (limits.motor_temperature.red) are the rows of a small table.
function sectionOf(section) {
  const rows = new Map();
  for (const field of section.fields.filter((field) => field.key.split(".").length === 3)) {
    const name = field.key.split(".")[1];
    rows.set(name, [...(rows.get(name) || []), field]);
  }
  const single = section.fields.filter((field) => field.key.split(".").length === 2);
  const body = [...rows].map(([name, fields]) => ({ cells: [channelWords(name), ...fields.map(fieldOf)] }));
  const heads = rows.size ? [...rows.values()][0].map((field) => channelWords(field.key.split(".")[2])) : [];
  return make("fieldset", {}, make("legend", {}, section.name), single.map(fieldOf),
    rows.size ? table("Each from its own datasheet; left empty: no limit given", ["channel", ...heads], body) : null);
}

// Puts each problem at the field that it names, or at the first field within what it names; answers the rest.
function mark(form, problems) {
  const inputs = [...form.elements].filter((input) => input.name);
  for (const input of inputs) {
    input.removeAttribute("aria-invalid");
    byId(input.id + "-problem").hidden = true;
  }
  return problems.filter((problem) => {
    const path = problem.split(": ")[0].replace(/\[.*/, "");
    const input = inputs.find((one) => one.name === path) || inputs.find((one) => one.name.startsWith(path + "."));
    if (!input || !problem.includes(": ")) { return true; }
    const place = byId(input.id + "-problem");
    place.textContent = (place.hidden ? "" : place.textContent + "; ") + problem.slice(problem.indexOf(": ") + 2);
    place.hidden = false;
    input.setAttribute("aria-invalid", "true");
    return false;
  });
}

// Sends the fields that were changed; problems go to their fields, a conflict is shown with both texts. Answers what is
// saved by now (null: nothing was), and the fields as they were sent.
async function saveForm(form, version, reload) {
  const changed = [...form.elements].filter((input) => input.name && input.value !== input.dataset.before);
  const fields = Object.fromEntries(changed.map((input) => [input.name, input.value]));
  const before = (key) => changed.find((input) => input.name === key).dataset.before;
  let now = version;
  const send = (content) => ask("PUT", api + "/settings", { ...content, version: now });
  try {
    return [await saveGuarded({ fields: fields }, send, async () => { now = (await reload()).version; }, before), fields];
  } catch (error) {
    if (!(error instanceof Refused) || error.answer.problems === undefined) { throw error; }
    const isElsewhere = mark(form, error.answer.problems).length > 0, first = form.querySelector("[aria-invalid]");
    if (isElsewhere || !first) { throw error; }
    say("Not saved yet: correct the fields that are marked in red.", "amber");
    first.focus();
    return [null, fields];
  }
}

const readSettings = () => ask("GET", api + "/settings");

// A short form of some keys.
export async function essentialForm(keys, saved) {
  const content = await readSettings(), known = new Map(content.sections.flatMap((section) => section.fields).map((field) => [field.key, field]));
  const fields = keys.map((key) => known.get(key)).filter(Boolean).map(fieldOf);
  const form = make("form", { on: { submit: guarded(inTurn(async () => {
    if ((await saveForm(form, content.version, readSettings))[0]) { form.removeAttribute("data-keep"); saved(); }
  })) }, "data-keep": true },
    make("fieldset", {}, make("legend", {}, "Your vehicle"), fields), make("button", { class: "primary" }, "These are mine"));
  return form;
}

export async function settings() {
  const form = byId("settings-form"), text = byId("settings-text");
  let version = null, textVersion = null;
  const show = (content, sent = {}, sentText) => {
    // A text that is being written stays a change of the version it was read in: nothing saved since goes under unseen.
    if (renew(text, content.text, sentText ?? "")) { textVersion = content.version; }
    const problems = content.problems.length
      ? make("div", { class: "notice red" }, make("ul", {}, content.problems.map((problem) => make("li", {}, problem))))
      : null;
    version = content.version;
    redraw(form, () => fill(form, problems, content.sections.map(sectionOf), make("button", { class: "primary" }, "Save")), sent);
    mark(form, content.problems);
    filter();
  };
  const done = async (saved, sent, sentText) => {
    show(saved || await readSettings(), sent, sentText);
    if (saved) { say("Saved.", "good"); }
  };
  const filter = () => {
    const wanted = byId("search").value.trim().toLowerCase();
    for (const part of form.querySelectorAll("fieldset > div, fieldset tr:has(input)")) {
      part.hidden = Boolean(wanted) && !part.textContent.toLowerCase().includes(wanted);
    }
    for (const section of form.querySelectorAll("fieldset")) { section.hidden = !section.querySelector("div:not([hidden]) input, div:not([hidden]) select"); }
  };
  byId("search").addEventListener("input", filter);
  form.addEventListener("submit", guarded(inTurn(async () => {
    const [saved, sent] = await saveForm(form, version, readSettings);
    if (saved || !form.querySelector("[aria-invalid]")) { await done(saved, sent); }
  })));
  byId("save-text").addEventListener("click", guarded(inTurn(async () => {
    const change = { text: text.value };
    let now = textVersion;
    await done(await saveGuarded(change, (content) => ask("PUT", api + "/settings", { ...content, version: now }),
      async () => { now = (await readSettings()).version; }, () => null), {}, change.text);
    if (!isUnsaved([byId("rows")])) { showRows(); }  // they are a part of the text
  })));
  const showRows = () => rows(byId("rows"), async () => show(await readSettings()));
  showRows();
  show(await readSettings());
}
