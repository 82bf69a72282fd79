// Logs: send them, see what is in them, say which signal is which channel, import them, watch a folder.
import { ask, follow, guarded } from "./ask.js";
import { channelForm } from "./channels.js";
import { dbcs, showKept } from "./dbcs.js";
import { api, byId, fill, make, number, pageOf, say, table } from "./page.js";
import { watching } from "./watch.js";

const MOST_SIGNALS = 400;
const shortNumber = (value) => value === null ? "–" : String(Number(value.toPrecision(5)));

function showImported(drives, box) {
  for (const drive of drives) {
    const link = make("a", { href: pageOf("drives/" + drive.record.number) }, "Drive " + drive.record.number);
    box.append(make("p", {}, link, drive.was_there ? " had been imported before." : " is imported."));
    for (const note of drive.notes) { box.append(make("p", { class: "hint" }, note)); }
  }
}

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
    unknown ? make("p", { class: "hint" }, number(unknown) + " ids have no message in the DBC") : null);
  byId("look").scrollIntoView();
}

// Sends one file; the browser streams it from disk, the server streams it to disk.
function send(file) {
  return new Promise((resolve) => {
    const bar = make("progress", { max: file.size, value: 0, "aria-label": "sending " + file.name });
    const words = make("p", {}, "sending " + file.name), request = new XMLHttpRequest();
    const cancel = make("button", { on: { click: () => request.abort() } }, "Cancel");
    const box = make("div", { class: "job" }, words, bar, cancel);
    byId("sending").append(box);
    const end = (problem) => {
      box.remove();
      if (problem) { say(file.name + ": " + problem, "red"); }
      resolve();
    };
    request.upload.onprogress = (event) => {
      bar.value = event.loaded;
      const sent = number(event.loaded / 1e6) + " of " + number(file.size / 1e6) + " MB";
      words.textContent = "sending " + file.name + ": " + sent;
    };
    request.onload = () => {
      let said = {};
      try { said = JSON.parse(request.responseText); } catch (error) { said = {}; }
      const refusal = [said.problem, said.remedy].filter(Boolean).join(". ") || "could not be sent";
      end(request.status < 300 ? (said.problems || []).join(" ") : refusal);
      showKept(said.dbcs || []);
    };
    request.onerror = () => end("the connection broke; send it again");
    request.onabort = () => end("");
    request.open("POST", api + "/logs?name=" + encodeURIComponent(file.name.slice(0, 255)));
    request.setRequestHeader("X-Logan", "1");
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.send(file);
  });
}

const choices = () => ({
  skips_text: byId("skips-text").checked, is_anyway: byId("anyway").checked,
  is_energy_optional: byId("no-energy").checked,
});

function rowOf(log, list) {
  const jobs = byId("jobs");
  // A second click while the work is under way starts nothing.
  const starter = (words, address, content, done, style) => {
    const button = make("button", { class: style || null, on: { click: guarded(async () => {
      button.disabled = true;
      try { await follow(await ask("POST", address, content()), jobs, done); } finally { button.disabled = false; }
    }) } }, words);
    return button;
  };
  const importing = starter("Import", api + "/import", () => ({ logs: [log.id], ...choices() }), showImported, "primary");
  const showChannels = (proposal) => {
    const goOn = () => { byId("under-way").scrollIntoView(); importing.click(); };
    channelForm(byId("channel-form"), proposal, goOn);
    byId("channels").hidden = false;
    byId("channels").scrollIntoView();
  };
  const forget = guarded(async () => { await ask("DELETE", api + "/logs/" + log.id); await list(); });
  return make("li", {},
    make("span", { class: "grow" }, log.name), make("span", {}, number(log.size_bytes / 1e6, 1) + " MB"),
    starter("Look", api + "/logs/" + log.id + "/look", () => ({}), showLook),
    starter("Channels", api + "/logs/" + log.id + "/suggest", () => ({}), showChannels),
    importing,
    make("button", { on: { click: forget }, "aria-label": "Forget " + log.name }, "Forget"));
}

export async function logs() {
  const waiting = byId("waiting");
  const list = async () => {
    const found = (await ask("GET", api + "/logs")).logs;
    const empty = make("li", { class: "empty" }, "No log is waiting. Drop one above.");
    fill(waiting, found.length ? found.map((log) => rowOf(log, list)) : empty);
    byId("together").hidden = found.length < 2;
    byId("together").onclick = guarded(async () => {
      const content = { logs: found.map((log) => log.id), is_one_drive: true, ...choices() };
      await follow(await ask("POST", api + "/import", content), byId("jobs"), showImported);
    });
  };
  const sendAll = guarded(async (files) => {
    for (const file of files) { await send(file); }
    await Promise.all([list(), dbcs()]);
  });
  const drop = byId("drop");
  drop.addEventListener("dragover", (event) => { event.preventDefault(); drop.classList.add("over"); });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    sendAll([...event.dataTransfer.files]);
  });
  byId("pick").addEventListener("change", (event) => sendAll([...event.target.files]));
  await Promise.all([watching(showImported), list(), dbcs()]);
}
