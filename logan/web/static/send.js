// Sends files dropped anywhere: logs wait, DBCs are kept, zips are unpacked, anything else is named and explained.
import { guarded, whole } from "./ask.js";
import { isUnsaved } from "./fields.js";
import { api, build, byId, goSaying, make, number, pageOf, released, say } from "./page.js";

// One file; the browser streams it from disk, the server streams it to disk.
function send(file) {
  return new Promise((resolve) => {
    const bar = make("progress", { max: file.size, value: 0, "aria-label": "sending " + file.name });
    const words = make("p", {}, "Sending " + file.name), request = new XMLHttpRequest();
    const cancel = make("button", { class: "plain", on: { click: () => request.abort() } }, "Cancel");
    const box = make("div", { class: "job" }, words, bar, cancel);
    byId("messages").append(box);
    const end = async (problems, answer) => {
      await released();
      box.remove();
      resolve({ logs: [], dbcs: [], ...answer, problems: problems });
    };
    request.upload.onprogress = (event) => {
      bar.value = event.loaded;
      words.textContent = "Sending " + file.name + ": " + number(event.loaded / 1e6) + " of " + number(file.size / 1e6) + " MB";
    };
    request.onload = () => {
      let said = {};
      try { said = JSON.parse(request.responseText); } catch (error) { said = {}; }
      const refusal = [said.problem, said.remedy].filter(Boolean).join(". ") || "could not be sent";
      if (request.status < 300) { end(said.problems || [], said); } else { end([file.name + ": " + refusal]); }
    };
    request.onerror = () => end([file.name + ": the connection broke; send it again"]);
    request.onabort = () => end([]);
    request.open("POST", api + "/logs?name=" + encodeURIComponent(file.name.slice(0, 255)));
    request.setRequestHeader("X-Logan", "1");
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.send(file);
  });
}

// Sends all, then tells the page (`event.detail` holds ids of logs), or goes to the one that shows what waits.
export const sendAll = guarded(async (files) => {
  const found = [], messages = [];
  for (const file of files) {
    const answer = await whole(send)(file);
    found.push(...answer.logs.map((log) => log.id));
    messages.push(...answer.problems.map((problem) => [problem, "red"]),
      ...answer.dbcs.map((dbc) => [dbc.file + " is kept in the build: " + number(dbc.message_count) + " messages.", "good"]));
  }
  if (!files.length) { return; }
  if (found.length && document.body.dataset.page !== "logs") {
    if (!isUnsaved()) { goSaying(pageOf("logs"), messages); return; }
    messages.push([(found.length === 1 ? "The log waits" : "The logs wait") + " on the Logs page. You have not saved yet what you typed here.", "amber"]);
  }
  for (const [text, tone] of messages) { say(text, tone); }
  document.dispatchEvent(new CustomEvent("sent", { detail: found }));
});

export function dropAnywhere() {
  if (!build) { return; }
  const body = document.body;
  let depth = 0;
  const over = (step) => { depth = Math.max(0, depth + step); body.classList.toggle("dropping", depth > 0); };
  const hasFiles = (event) => [...event.dataTransfer.types].includes("Files");
  document.addEventListener("dragenter", (event) => { if (hasFiles(event)) { over(1); } });
  document.addEventListener("dragleave", (event) => { if (hasFiles(event)) { over(-1); } });
  document.addEventListener("dragover", (event) => { if (hasFiles(event)) { event.preventDefault(); } });
  document.addEventListener("drop", (event) => {
    if (!hasFiles(event)) { return; }
    event.preventDefault();
    over(-depth);
    sendAll([...event.dataTransfer.files]);
  });
}
