// The DBCs of the build: what each defines, the bus it is for, and leaving one out.
import { afterSaves, ask, guarded, inTurn, saveGuarded } from "./ask.js";
import { refill } from "./fields.js";
import { api, byId, make, number } from "./page.js";

let version = null;

// Only what was changed is sent; the others stay as they are by now.
const save = (dbc, content, bus) => guarded(inTurn(async () => {
  const found = await saveGuarded(content, (sent) => ask("PUT", api + "/dbcs", { ...sent, version: version }), read,
    (file) => file === dbc.file ? dbc.bus : null);
  if (found) {
    if (bus) { bus.defaultValue = bus.value; }
    show(found);
  } else {  // what was saved elsewhere was taken
    if (bus) { bus.closest("li").remove(); }
    await read();
  }
}))();

function rowOf(dbc) {
  const words = dbc.problem || number(dbc.message_count) + " messages, " + number(dbc.signal_count) + " signals";
  const about = { size: 8, value: dbc.bus, placeholder: "all", maxlength: 40, autocomplete: "off" };
  const bus = make("input", { ...about, "aria-label": "Bus of " + dbc.file, on: { change: () => {
    save(dbc, { dbcs: [{ file: dbc.file, bus: bus.value }] }, bus);
  } } });
  const faults = dbc.faults.length ? make("details", {},
    make("summary", {}, number(dbc.faults.length) + " faults mended or left out"),
    make("ul", {}, dbc.faults.slice(0, 50).map((fault) => make("li", {}, fault)))) : null;
  return make("li", { "data-key": dbc.file }, make("span", { class: "grow" }, dbc.file, make("small", { class: dbc.problem ? "tie" : "" },
    " " + words), faults), make("label", { class: "inline" }, "for bus ", bus),
  make("button", { "aria-label": "Use " + dbc.file + " no more", on: { click: () => save(dbc, { left_out: [dbc.file] }) } }, "Use no more"));
}

function show(answer) {
  const found = answer.dbcs;
  version = answer.version;
  const none = make("li", { class: "empty" }, "None yet. Raw CAN logs need one: drop it above.");
  const many = answer.conflicts.length, apart = many ? make("li", {}, make("div", { class: "notice amber grow" },
    make("p", {}, "Say which bus each DBC is for: " + number(many) + (many === 1 ? " identifier means" : " identifiers mean") + " two things."),
    answer.conflicts.slice(0, 5).map((text) => make("p", {}, text + ".")))) : null;
  byId("dbcs").classList.remove("loading");
  refill(byId("dbcs"), apart, found.length ? found.map(rowOf) : none);
}

const read = async () => show(await ask("GET", api + "/dbcs"));
export const dbcs = afterSaves(read);
