// build.toml as a form, with the same checks as the file.
import { ask, guarded, Refused } from "./ask.js";
import { api, byId, channelWords, fill, make, say, table } from "./page.js";

function fieldOf(field) {
  const id = "field-" + field.key;
  const about = { id: id, name: field.key, "aria-describedby": id + "-hint", autocomplete: "off" };
  const input = field.choices.length
    ? make("select", about, field.choices.map((choice) =>
      make("option", { value: choice, selected: choice === field.text }, choice || "(none)")))
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
  return make("div", {}, label, input, problem, make("small", { id: id + "-hint" }, field.hint));
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

export async function settings() {
  const form = byId("settings-form"), text = byId("settings-text");
  let version = null;
  const show = (content) => {
    text.value = content.text;
    const problems = content.problems.length
      ? make("div", { class: "notice red" }, make("ul", {}, content.problems.map((problem) => make("li", {}, problem))))
      : null;
    version = content.version;
    fill(form, problems, content.sections.map(sectionOf), make("button", { class: "primary" }, "Save"));
    mark(form, content.problems);
  };
  // What was changed elsewhere meanwhile is never overwritten unseen: both texts are shown, and the user picks.
  const save = async (change, isUntouched) => {
    try {
      show(await ask("PUT", api + "/settings", { ...change, version: version }));
      byId("conflict").replaceChildren();
      say("Saved.", "good");
    } catch (error) {
      if (!(error instanceof Refused) || error.answer.problems === undefined) { throw error; }
      const conflict = error.answer.conflict;
      if (!conflict) {
        const isElsewhere = mark(form, error.answer.problems).length > 0;
        const first = form.querySelector("[aria-invalid]");
        if (isElsewhere || !first || !change.fields) { throw error; }
        say("Not saved yet: correct the fields that are marked in red.", "amber");
        first.focus();
        return;
      }
      const now = await ask("GET", api + "/settings");
      if (conflict.every(isUntouched)) { version = now.version; await save(change, () => false); return; }
      const words = (text) => make("pre", {}, text || "(empty)");
      const rows = conflict.map((one) => ({ cells: [one.key, words(one.yours), words(one.theirs)] }));
      const mine = guarded(async () => { version = now.version; await save(change, () => false); });
      const theirs = () => { show(now); byId("conflict").replaceChildren(); };
      fill(byId("conflict"), make("div", { class: "notice amber" },
        make("p", {}, "These settings were changed elsewhere since you opened this page. Nothing was saved yet."),
        table("Both texts", ["setting", "yours", "saved elsewhere"], rows, [1, 2]),
        make("button", { on: { click: mine } }, "Save mine"), " ",
        make("button", { on: { click: theirs } }, "Take what was saved")));
      byId("conflict").focus();
    }
  };
  form.addEventListener("submit", guarded(async () => {
    const changed = [...form.elements].filter((input) => input.name && input.value !== input.dataset.before);
    const fields = Object.fromEntries(changed.map((input) => [input.name, input.value]));
    const before = (one) => changed.find((input) => input.name === one.key).dataset.before;
    await save({ fields: fields }, (one) => one.theirs === before(one));
  }));
  byId("save-text").addEventListener("click", guarded(async () => {
    await save({ text: text.value }, () => false);
  }));
  show(await ask("GET", api + "/settings"));
}
