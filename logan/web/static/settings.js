// build.toml as a form, with the same checks as the file.
import { ask, guarded } from "./ask.js";
import { api, byId, fill, make, say } from "./page.js";

function fieldOf(field) {
  const id = "field-" + field.key;
  const about = { id: id, name: field.key, "aria-describedby": id + "-hint", autocomplete: "off" };
  const input = field.choices.length
    ? make("select", about, field.choices.map((choice) =>
      make("option", { value: choice, selected: choice === field.text }, choice || "(none)")))
    : make("input", { ...about, value: field.text, placeholder: field.example, required: field.is_required });
  input.dataset.before = field.text;
  const words = field.key.split(".")[1].replaceAll("_", " ") + (field.is_required ? " *" : "");
  return make("div", {}, make("label", { for: id }, words), input, make("small", { id: id + "-hint" }, field.hint));
}

export async function settings() {
  const form = byId("settings-form"), text = byId("settings-text");
  const show = (content) => {
    text.value = content.text;
    const problems = content.problems.length
      ? make("div", { class: "notice red" }, make("ul", {}, content.problems.map((problem) => make("li", {}, problem))))
      : null;
    const sections = content.sections.map((section) =>
      make("fieldset", {}, make("legend", {}, section.name), section.fields.map(fieldOf)));
    fill(form, problems, sections, make("button", { class: "primary" }, "Save"));
  };
  form.addEventListener("submit", guarded(async () => {
    const changed = [...form.elements].filter((input) => input.name && input.value !== input.dataset.before);
    const fields = Object.fromEntries(changed.map((input) => [input.name, input.value]));
    show(await ask("PUT", api + "/settings", { fields: fields }));
    say("Saved.", "good");
  }));
  byId("save-text").addEventListener("click", guarded(async () => {
    show(await ask("PUT", api + "/settings", { text: text.value }));
    say("Saved.", "good");
  }));
  show(await ask("GET", api + "/settings"));
}
