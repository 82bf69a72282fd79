// Logs: what waits, what is in it, which signal is which channel, import of some or all.
import { ask, follow, guarded, once, queue, whole } from "./ask.js";
import { channelForm } from "./channels.js";
import { dbcs } from "./dbcs.js";
import { api, byId, channelWords, fill, make, number, pageOf, say, table, whenCame } from "./page.js";
import { sendAll } from "./send.js";
import { steps } from "./steps.js";
import { watching } from "./watch.js";

const MOST_SIGNALS = 400;
const shortNumber = (value) => value === null ? "–" : String(Number(value.toPrecision(5)));

function showLook(summary) {
  const files = summary.files.map((file) => file.log_format + ", " + number(file.frame_count) + " frames");
  const signals = summary.signals.slice(0, MOST_SIGNALS).map((signal) => ({
    cells: [signal.signal, signal.unit || "?", number(signal.rate_hz, 1), shortNumber(signal.minimum),
      shortNumber(signal.maximum), signal.channel.replaceAll("_", " "), signal.comment],
  }));
  const messages = summary.messages.filter((message) => message.message).map((message) => ({
    cells: [message.message, message.can_id, message.bus, number(message.frame_count), number(message.rate_hz, 1),
      message.comment],
  }));
  const unknown = summary.messages.filter((message) => !message.message).length;
  fill(byId("look"), make("h2", {}, "What is in it"),
    make("p", {}, files.join("; ") + "; " + number(summary.duration_s / 60, 1) + " min"),
    summary.notes.map((note) => make("p", { class: "notice amber" }, note)),
    table("Signals", ["signal", "unit", "per s", "from", "to", "could be", "comment"], signals, [1, 5, 6]),
    messages.length
      ? table("Messages of the DBC", ["message", "id", "bus", "frames", "per s", "comment"], messages, [5]) : null,
    unknown ? make("p", { class: "hint" }, "without a message in the DBC: " + number(unknown) + " of the ids") : null);
  byId("look").scrollIntoView();
}

export async function logs() {
  const waiting = byId("waiting"), left = new Set(), form = byId("import-form").elements;
  let found = [];
  const ticked = () => found.filter((log) => !left.has(log.id)).map((log) => log.id);

  // A button whose second click starts nothing while the first one's work is under way.
  const starter = (button, begin, done) => {
    button.addEventListener("click", guarded(async () => {
      button.disabled = true;
      try { await follow(await begin(), done); } finally { button.disabled = false; }
    }));
    return button;
  };
  const rowOf = (log) => {
    const box = make("input", { type: "checkbox", checked: !left.has(log.id), "aria-label": "Import " + log.name });
    box.addEventListener("change", () => { left[box.checked ? "delete" : "add"](log.id); count(); });
    const forget = once(async () => { await ask("DELETE", api + "/logs/" + log.id); await list(); });
    return make("li", {}, make("label", { class: "pick grow" }, box, log.name), make("span", {}, number(log.size_bytes / 1e6, 1) + " MB"),
      starter(make("button", { class: "plain" }, "Look"), () => ask("POST", api + "/commands/look", { options: { logs: [log.id] }, as_json: true }),
        (result) => showLook(result.blocks[0].content)),
      make("button", { class: "plain", on: { click: forget }, "aria-label": "Forget " + log.name }, "Forget"));
  };
  const count = () => {
    const n = ticked().length;
    byId("channels-button").disabled = byId("import-button").disabled = !n;
    byId("import-button").textContent = n > 1 ? "Import " + n + " logs" : "Import it";
    byId("together").hidden = n < 2;
  };
  // One question after another: an older answer never comes after a newer one.
  const list = queue()(async () => {
    found = (await ask("GET", api + "/logs")).logs.sort((one, other) => one.name.localeCompare(other.name, "en", { numeric: true }));
    fill(waiting, found.length ? found.map(rowOf) : make("li", { class: "empty" }, "No log is waiting. Drop one anywhere on this page."));
    byId("import-form").hidden = !found.length;
    count();
    const hour = await steps();
    // With no channel mapped there is nothing to import by: they are looked for first.
    byId("import-button").hidden = !hour.mapped;
    return hour;
  });
  const said = (name) => form[name].value.trim() || null;
  const importing = (ids) => ({
    logs: ids, is_one_drive: form.together.checked && ids.length > 1,
    skips_text: byId("skips-text").checked, is_anyway: byId("anyway").checked, is_energy_optional: byId("no-energy").checked,
    payload: said("payload"), ambient: said("ambient"), note: form.note.value,
  });
  // Of two loads that run alike the pack feeds one: the other leaves the map, and the log is read once more.
  const askAlike = (drive, ids) => {
    const box = make("div", { class: "notice amber" }, make("p", {}, "Drive " + drive.number + ": two loads run alike, and the pack feeds one of them. Which?"));
    const pick = (name) => starter(make("button", { class: "plain" }, channelWords(name)), async () => {
      await ask("PUT", api + "/channels", { left_out: drive.alike.filter((other) => other !== name) });
      return ask("POST", api + "/import", { ...importing(ids), is_replaced: true });
    }, (drives) => imported(drives, ids));
    const leave = guarded(async () => { box.remove(); await forgetAll(ids); });
    box.append(make("p", { class: "bar" }, drive.alike.map(pick), make("button", { class: "plain", on: { click: leave } }, "Leave it open")));
    return box;
  };
  const forgetAll = whole(async (ids) => {
    for (const id of ids) { await ask("DELETE", api + "/logs/" + id); }
    await list();
  });
  const imported = async (drives, ids) => {
    byId("channels").hidden = true;
    delete byId("channel-form").dataset.dirty;  // it was imported without what was chosen there: no longer of use
    const asked = drives.find((drive) => drive.alike.length);
    fill(byId("imported"), drives.map((drive) => make("p", {}, make("a", { href: pageOf("drives/" + drive.number) },
      "Drive " + drive.number), drive.was_there ? " had been imported before." : " is imported.")), asked ? askAlike(asked, ids) : null);
    if (asked) { await list(); } else { await forgetAll(ids); }
  };
  const showChannels = (proposal) => {
    channelForm(byId("channel-form"), proposal, () => byId("import-button").click());
    byId("channels").hidden = false;
    byId("channels").scrollIntoView();
  };
  let taken = [];
  starter(byId("import-button"), () => { taken = ticked(); return ask("POST", api + "/import", importing(taken)); }, (drives) => imported(drives, taken));
  starter(byId("channels-button"), () => ask("POST", api + "/logs/" + ticked()[0] + "/suggest", {}), showChannels);
  byId("pick").addEventListener("change", (event) => sendAll([...event.target.files]));
  document.addEventListener("sent", guarded(async (event) => {
    const [hour] = await Promise.all([list(), dbcs()]);
    if (event.detail.length && !hour.mapped && byId("channels").hidden) { byId("channels-button").click(); }
  }));
  whenCame(["import"], guarded(list));
  await Promise.all([watching(() => undefined), list(), dbcs()]);
  if (new URLSearchParams(location.search).get("channels") && found.length) { byId("channels-button").click(); }
}
