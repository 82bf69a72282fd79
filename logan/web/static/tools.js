// Everything that the commands can, by clicks: one form and one answer for all of them, from their own declarations.
import { ask, follow, guarded, newest } from "./ask.js";
import { api, byId, fill, make, number, table } from "./page.js";
import { drawing } from "./plots.js";

// By the first word of a command's name.
const GROUPS = { "": "Questions, drives and logs", export: "Save and give away", library: "The stored drives", fleet: "All builds here" };

function fieldOf(option, files, drives) {
  const id = "option-" + option.name, about = { id: id, name: option.name, required: option.is_required, autocomplete: "off" };
  const pick = (names) => make("select", { ...about, multiple: option.is_many }, option.is_many ? null : make("option", { value: "" }, "–"), names.map((one) => make("option", { value: one }, one)));
  const input = option.kind === "flag" ? make("input", { id: id, name: option.name, type: "checkbox" })
    : option.kind === "file" ? pick(files)
      : ["drive", "number"].includes(option.name) && !option.is_many ? pick(drives)
        : make("input", { ...about, inputmode: option.kind === "number" ? "decimal" : null, placeholder: option.default });
  return make("div", {}, make("label", { for: id, class: option.kind === "flag" ? "pick" : null }, option.label + (option.is_required ? " *" : "")),
    input, make("small", {}, option.help));
}

function blockOf(block) {
  if (block.kind === "words") { return make("div", {}, block.lines.map((line) => make("p", {}, line))); }
  if (block.kind === "figure") { return drawing(block); }
  if (block.kind === "result") { return make("pre", {}, JSON.stringify(block.content, null, 1)); }
  const left = block.headings.map((_, k) => k).filter((k) => k && block.left.includes(k));
  const toneOf = (row) => /^RED|BEYOND RED/.test(row.join(" ")) ? "red" : /^AMBER/.test(row[0]) ? "amber" : "";
  return table(block.title, block.headings, block.rows.map((row) => ({ cells: row, tone: toneOf(row) })), left);
}

// The answer of a command, in its own tables.
export const answerOf = (result) => [
  ...result.blocks.map(blockOf),
  ...result.files.map((file) => make("p", {}, make("a", { href: api + "/exports/" + encodeURIComponent(file.name), download: file.name },
    "Save " + file.name), " (" + number(file.size_bytes / 1e6, 1) + " MB)")),
];

// What a command answers; null where it was refused or stopped, as the bar of jobs says.
export async function resultOf(name, options) {
  const job = await follow(await ask("POST", api + "/commands/" + encodeURIComponent(name), { options: options }));
  return job.state === "done" ? job.result : null;
}

export async function tools() {
  const [found, drives] = await Promise.all([ask("GET", api + "/commands"), ask("GET", api + "/drive-list")]);
  const select = byId("command"), form = byId("command-form"), numbers = drives.rows.map((drive) => String(drive.number));
  for (const [group, label] of Object.entries(GROUPS)) {
    select.append(make("optgroup", { label: label }, found.commands.filter((one) => (GROUPS[one.name.split(" ")[0]] ? one.name.split(" ")[0] : "") === group)
      .map((one) => make("option", { value: one.name }, one.title))));
  }
  const show = () => {
    const command = found.commands.find((one) => one.name === select.value);
    byId("command-about").textContent = command.about.replace(/\.$/, "") === command.title ? "" : command.about;
    byId("command-answer").replaceChildren();
    history.replaceState(null, "", location.search + "#" + encodeURIComponent(command.name));
    const required = command.options.filter((option) => option.is_required), rest = command.options.filter((option) => !option.is_required);
    const fields = (options) => make("fieldset", {}, make("legend", {}, options === rest ? "As you like" : "Needed"),
      options.map((option) => fieldOf(option, found.files, numbers)));
    fill(form, required.length ? fields(required) : null, rest.length ? fields(rest) : null,
      make("button", { class: "primary" }, "Show it"));
  };
  // An answer stands below its own question only.
  const answer = newest(resultOf, (result, name) => { if (result && select.value === name) { fill(byId("command-answer"), answerOf(result)); } });
  form.addEventListener("submit", guarded(async (event) => {
    const button = event.submitter, options = {};
    for (const input of [...form.elements].filter((one) => one.name)) {
      const value = input.type === "checkbox" ? input.checked : input.multiple ? [...input.selectedOptions].map((one) => one.value) : input.value.trim();
      if (value && value.length !== 0) { options[input.name] = value; }
    }
    button.disabled = true;
    try {
      await answer(select.value, options);
      found.files = (await ask("GET", api + "/commands")).files;  // a plan that was frozen can be compared with
    } finally { button.disabled = false; }
  }));
  select.addEventListener("change", show);
  if (!found.commands.length) { return; }
  const take = () => {
    const asked = decodeURIComponent(location.hash.slice(1));
    if (found.commands.some((one) => one.name === asked)) { select.value = asked; }
    show();
  };
  window.addEventListener("hashchange", take);
  take();
  // An address such as tools?drives=1 3#compare is answered at once.
  const field = (name) => [...form.elements].find((input) => input.name === name);
  const given = [...new URLSearchParams(location.search)].filter(([name]) => field(name));
  for (const [name, value] of given) { field(name).value = value; }
  if (given.length) { form.requestSubmit(form.querySelector(".primary")); }
}
