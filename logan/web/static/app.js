"use strict";
(function () {
  const body = document.body, build = body.dataset.build, page = body.dataset.page;
  const base = "/api/builds/" + encodeURIComponent(build);
  const byId = (id) => document.getElementById(id);
  const dark = window.matchMedia("(prefers-color-scheme: dark)");

  // Everything that comes from a file is put in as text, never as markup.
  function make(tag, attributes, ...children) {
    const element = document.createElement(tag);
    for (const [key, value] of Object.entries(attributes || {})) {
      if (key === "on") { for (const [name, action] of Object.entries(value)) { element.addEventListener(name, action); } }
      else if (value === true) { element.setAttribute(key, ""); }
      else if (value !== false && value !== null && value !== undefined) { element.setAttribute(key, String(value)); }
    }
    for (const child of children.flat()) {
      if (child !== null && child !== undefined) { element.append(child instanceof Node ? child : String(child)); }
    }
    return element;
  }
  function fill(element, ...children) { element.classList.remove("loading"); element.replaceChildren(...children.flat()); }

  class Refused extends Error {}
  async function ask(method, address, content) {
    const options = { method: method, headers: { "X-Logan": "1" } };
    if (content !== undefined) { options.headers["Content-Type"] = "application/json"; options.body = JSON.stringify(content); }
    let answer;
    try { answer = await fetch(address, options); } catch (error) { throw new Refused("logan does not answer. Is `logan serve` still running?"); }
    const text = await answer.text();
    let result = {};
    try { result = text ? JSON.parse(text) : {}; } catch (error) { result = { problem: text }; }
    if (!answer.ok) {
      const lines = [result.problem, ...(result.problems || []), result.remedy].filter(Boolean);
      throw new Refused(lines.join(". ") || "that did not work");
    }
    return result;
  }
  function say(text, tone) {
    const notice = make("div", { class: "notice " + (tone || "") }, make("p", {}, text), make("button", { on: { click: () => notice.remove() } }, "Close"));
    byId("messages").append(notice);
    if (tone !== "red") { setTimeout(() => notice.remove(), 8000); }
  }
  const guarded = (action) => async (event) => {
    if (event && event.preventDefault) { event.preventDefault(); }
    try { await action(event); } catch (error) { if (error instanceof Refused) { say(error.message, "red"); } else { throw error; } }
  };
  const number = (value, digits) => value === null || value === undefined ? "–" : value.toLocaleString("en", { minimumFractionDigits: digits || 0, maximumFractionDigits: digits || 0 });
  const percent = (ratio) => ratio === null || ratio === undefined ? "–" : ratio > 0.995 && ratio < 1 ? "> 99 %" : ratio > 0 && ratio < 0.005 ? "< 1 %" : number(100 * ratio) + " %";

  function follow(job, place, done) {
    const label = make("p", {}, job.label), bar = make("progress", { "aria-label": job.label }), words = make("p", { class: "hint" });
    const stop = make("button", { on: { click: guarded(() => ask("POST", "/api/jobs/" + job.id + "/stop", {})) } }, "Stop");
    const box = make("div", { class: "job" }, label, bar, words, stop);
    place.append(box);
    return new Promise((resolve) => {
      const look = async () => {
        let now;
        try { now = await ask("GET", "/api/jobs/" + job.id); } catch (error) { words.textContent = error.message; setTimeout(look, 2000); return; }
        if (now.total) { bar.max = now.total; bar.value = now.done; } else { bar.removeAttribute("value"); }
        const left = now.time_left_s === null ? "" : ", " + number(now.time_left_s) + " s left";
        words.textContent = [now.message, now.rate].filter(Boolean).join(", ") + (now.state === "running" && now.total ? left : "");
        if (["done", "failed", "stopped"].includes(now.state)) {
          bar.remove(); stop.remove();
          label.textContent = job.label + ": " + (now.state === "done" ? "done" : now.state);
          if (now.state === "failed") { say(now.message, "red"); box.classList.add("notice", "red"); }
          if (now.state === "done" && done) { await done(now.result, box); }
          resolve(now);
          return;
        }
        setTimeout(look, 400);
      };
      look();
    });
  }

  function draw(place, figure, alt) {
    const layout = figure.layout;
    layout.font.color = dark.matches ? "#e7e9ec" : "#22262b";
    if (place.clientWidth < 520) { layout.font.size = 12; layout.margin = { l: 40, r: 8, t: 30, b: 45 }; }
    place.classList.remove("loading");
    place.replaceChildren();
    place.setAttribute("role", "img");
    place.setAttribute("aria-label", alt);
    place.style.minHeight = (layout.height || 420) + "px";
    Plotly.newPlot(place, figure.data, layout, { responsive: true, displayModeBar: false, displaylogo: false });
  }
  dark.addEventListener("change", () => document.querySelectorAll(".js-plotly-plot").forEach((plot) => Plotly.relayout(plot, { "font.color": dark.matches ? "#e7e9ec" : "#22262b" })));

  function table(headings, rows) {
    return make("div", { class: "table", tabindex: "0", role: "region", "aria-label": headings[0] + " table" }, make("table", {}, make("thead", {}, make("tr", {}, headings.map((h) => make("th", { scope: "col" }, h)))),
      make("tbody", {}, rows.map((row) => make("tr", { class: row.tone }, row.cells.map((cell, k) => k === 0 ? make("th", { scope: "row" }, cell) : make("td", {}, cell)))))));
  }
  function keyFigure(label, value, detail, tone) {
    return make("div", { class: tone }, make("dt", {}, label), make("dd", {}, value, detail ? make("small", {}, detail) : null));
  }
  function units(range) {
    const metres = range.distance_unit === "mi" ? 1609.344 : 1000;
    return { metres: metres, distance: range.distance_unit, speed: range.distance_unit === "mi" ? "mph" : "km/h", fahrenheit: range.temperature_unit === "degF" };
  }
  function rangeFigures(scenario, range) {
    const u = units(range), chance = scenario.probability_of_target;
    const tone = chance >= 0.9 ? "good" : chance >= 0.5 ? "amber" : "red";
    const q = scenario.range_m, c = scenario.consumption;
    return [
      keyFigure("range, " + scenario.name, number(q.p50 / u.metres) + " " + u.distance, number(q.p10 / u.metres) + " to " + number(q.p90 / u.metres) + " (10 to 90 %)", tone),
      keyFigure("chance of " + number(range.target_range_m / u.metres) + " " + u.distance, percent(chance), "basis: " + range.basis, tone),
      keyFigure("consumption", number(c.p50 * u.metres / 1000) + " Wh/" + u.distance, number(c.p10 * u.metres / 1000) + " to " + number(c.p90 * u.metres / 1000) + ", net at the pack"),
    ];
  }

  const pages = {
    home() {
      byId("make-demo").addEventListener("click", guarded(async (event) => {
        event.target.disabled = true;
        const job = await ask("POST", "/api/demo", {});
        await follow(job, byId("demo-job"), (result) => { location.href = "/builds/" + encodeURIComponent(result.build); });
        event.target.disabled = false;
      }));
      byId("new-build").addEventListener("submit", guarded(async (event) => {
        const made = await ask("POST", "/api/builds", { name: event.target.name.value });
        location.href = "/builds/" + encodeURIComponent(made.build) + "/settings";
      }));
    },

    async overview() {
      const answer = byId("answer");
      try {
        const range = await ask("GET", base + "/range");
        const target = range.prediction.scenarios.find((s) => s.name === range.prediction.target_scenario);
        const place = make("div", { class: "plot" });
        fill(answer, make("dl", { class: "key-figures" }, rangeFigures(target, range)), range.notes.map((n) => make("p", { class: "notice amber" }, n)),
          make("figure", {}, make("figcaption", {}, range.figures[0].title), place));
        draw(place, range.figures[0].figure, range.figures[0].alt);
      } catch (error) { fill(answer, make("p", { class: "notice amber" }, error.message)); }
    },

    async settings() {
      const form = byId("settings-form"), text = byId("settings-text");
      const show = (content) => {
        text.value = content.text;
        fill(form, content.sections.map((section) => make("fieldset", {}, make("legend", {}, section.name), section.fields.map((field) => {
          const id = "field-" + field.key;
          const attributes = { id: id, name: field.key, "aria-describedby": id + "-hint", autocomplete: "off" };
          const input = field.choices.length ? make("select", attributes, field.choices.map((choice) => make("option", { value: choice, selected: choice === field.text }, choice || "(none)")))
            : make("input", { ...attributes, value: field.text, placeholder: field.example, required: field.is_required });
          input.dataset.before = field.text;
          return make("div", {}, make("label", { for: id }, field.key.split(".")[1].replaceAll("_", " ") + (field.is_required ? " *" : "")), input, make("small", { id: id + "-hint" }, field.hint));
        }))), content.problems.length ? make("div", { class: "notice red" }, make("ul", {}, content.problems.map((p) => make("li", {}, p)))) : null, make("button", { class: "primary" }, "Save"));
      };
      show(await ask("GET", base + "/settings"));
      form.addEventListener("submit", guarded(async () => {
        const fields = {};
        for (const input of form.elements) { if (input.name && input.value !== input.dataset.before) { fields[input.name] = input.value; } }
        show(await ask("PUT", base + "/settings", { fields: fields }));
        say("Saved.", "good");
      }));
      byId("save-text").addEventListener("click", guarded(async () => { show(await ask("PUT", base + "/settings", { text: text.value })); say("Saved.", "good"); }));
    },

    async logs() {
      const waiting = byId("waiting"), sending = byId("sending"), jobs = byId("jobs");
      const list = async () => {
        const logs = (await ask("GET", base + "/logs")).logs;
        fill(waiting, logs.length ? logs.map(row) : [make("li", { class: "empty" }, "No log is waiting. Drop one above.")]);
      };
      const row = (log) => make("li", {}, make("span", { class: "grow" }, log.name), make("span", {}, number(log.size_bytes / 1e6, 1) + " MB"),
        make("button", { on: { click: guarded(async () => { await follow(await ask("POST", base + "/logs/" + log.id + "/look", {}), jobs, showLook); }) } }, "Look"),
        make("button", { on: { click: guarded(async () => { await follow(await ask("POST", base + "/logs/" + log.id + "/suggest", {}), jobs, showChannels); }) } }, "Channels"),
        make("button", { class: "primary", on: { click: guarded(async () => { await follow(await ask("POST", base + "/import", { logs: [log.id] }), jobs, showImported); }) } }, "Import"),
        make("button", { on: { click: guarded(async () => { await ask("DELETE", base + "/logs/" + log.id); await list(); }) }, "aria-label": "Forget " + log.name }, "Forget"));
      const showImported = (drives, box) => {
        for (const drive of drives) {
          box.append(make("p", {}, make("a", { href: "/builds/" + encodeURIComponent(build) + "/drives/" + drive.record.number }, "Drive " + drive.record.number), drive.was_there ? " had been imported before." : " is imported."));
          for (const note of drive.notes) { box.append(make("p", { class: "hint" }, note)); }
        }
      };
      const showLook = (summary) => {
        fill(byId("look"), make("h2", {}, "What is in it"),
          make("p", {}, summary.files.map((f) => f.log_format + ", " + number(f.frame_count) + " frames").join("; ") + "; " + number(summary.duration_s / 60, 1) + " min"),
          summary.notes.map((n) => make("p", { class: "notice amber" }, n)),
          table(["signal", "unit", "per s", "from", "to", "could be"], summary.signals.slice(0, 400).map((s) => ({ cells: [s.signal, s.unit || "?", number(s.rate_hz, 1), s.minimum === null ? "–" : s.minimum.toPrecision(5), s.maximum === null ? "–" : s.maximum.toPrecision(5), s.channel] }))),
          make("p", { class: "hint" }, summary.messages.filter((m) => !m.message).length + " ids have no message in the DBC"));
        byId("look").scrollIntoView();
      };
      const spark = (signal) => {
        const svgNs = "http://www.w3.org/2000/svg", svg = document.createElementNS(svgNs, "svg");
        svg.setAttribute("viewBox", "0 0 180 44"); svg.setAttribute("class", "spark"); svg.setAttribute("role", "img");
        svg.setAttribute("aria-label", signal ? signal.signal + " from " + signal.low + " to " + signal.high : "no data");
        if (signal && signal.points.length > 1) {
          const low = signal.low, span = signal.high - low || 1, path = document.createElementNS(svgNs, "path");
          path.setAttribute("d", signal.points.map((v, k) => (k ? "L" : "M") + (4 + 172 * k / (signal.points.length - 1)).toFixed(1) + " " + (40 - 36 * (v - low) / span).toFixed(1)).join(""));
          svg.append(path);
        }
        return svg;
      };
      const showChannels = (proposal) => {
        const byKey = new Map(proposal.signals.map((s) => [s.signal, s])), mapped = new Map(proposal.mapped.map((m) => [m.channel, m]));
        const suggested = new Map(proposal.suggestions.map((s) => [s.channel, s]));
        const names = [...new Set([...mapped.keys(), ...suggested.keys()])];
        const meaning = new Map(proposal.channels);
        const line = (channel) => {
          const suggestion = suggested.get(channel), now = mapped.get(channel);
          const best = now ? { signal: resolve(now.signal), unit: now.unit, sign: now.sign, evidence: ["as in channels.toml"] } : suggestion.candidates[0];
          const id = "channel-" + channel, plot = make("span", {}), reason = make("small", { class: "grow" });
          const select = make("select", { id: id, name: channel }, make("option", { value: "" }, "(not logged)"), ordered(suggestion).map((key) => make("option", { value: key, selected: key === best.signal }, key)));
          const unit = make("input", { "aria-label": "Unit of " + channel, size: 6, value: best.unit || "", "data-unit": channel, autocomplete: "off" });
          const sign = make("select", { "aria-label": "Sign of " + channel, "data-sign": channel }, make("option", { value: "1" }, "as it is"), make("option", { value: "-1", selected: best.sign === -1 }, "turned"));
          const show = () => {
            const candidate = suggestion && suggestion.candidates.find((c) => c.signal === select.value), signal = byKey.get(select.value);
            plot.replaceChildren(spark(signal));
            reason.textContent = candidate ? (suggestion.is_tie ? "A tie: you decide. " : "") + candidate.evidence.join("; ") : signal ? signal.low + " to " + signal.high + " " + signal.unit : "";
          };
          select.addEventListener("change", () => { const c = suggestion && suggestion.candidates.find((x) => x.signal === select.value); if (c) { unit.value = c.unit; sign.value = String(c.sign); } show(); });
          show();
          return make("li", {}, make("label", { for: id }, channel.replaceAll("_", " "), make("br"), make("small", {}, meaning.get(channel.replace(/_\d+$/, "")) || "")), select, plot, unit, sign, reason);
        };
        const resolve = (address) => { const hit = proposal.signals.find((s) => s.signal === address || s.signal.endsWith("/" + address) || s.signal.endsWith("." + address)); return hit ? hit.signal : address; };
        const ordered = (suggestion) => { const first = suggestion ? suggestion.candidates.map((c) => c.signal) : []; return [...first, ...[...byKey.keys()].filter((k) => !first.includes(k))]; };
        const rows = make("ul", { class: "rows" }, names.map(line));
        const more = make("select", { id: "more-channel" }, make("option", { value: "" }, "another channel …"), proposal.channels.map(([name]) => name).filter((n) => !names.includes(n)).map((n) => make("option", { value: n }, n.replaceAll("_", " "))));
        more.addEventListener("change", () => { if (more.value) { suggested.set(more.value, { channel: more.value, candidates: [{ signal: "", unit: "", sign: 1, evidence: [] }], is_tie: false }); rows.append(line(more.value)); more.selectedOptions[0].remove(); } });
        const form = byId("channel-form");
        fill(form, rows, make("label", { for: "more-channel" }, "Add"), more, make("p", {}, make("button", { class: "primary" }, "Save the map")));
        form.onsubmit = guarded(async () => {
          const channels = [];
          for (const select of rows.querySelectorAll("select[name]")) {
            if (select.value) { const item = select.closest("li"); channels.push({ channel: select.name, signal: select.value, unit: item.querySelector("[data-unit]").value, sign: Number(item.querySelector("[data-sign]").value) }); }
          }
          await ask("PUT", base + "/channels", { channels: channels });
          say("Saved. Now import the log.", "good");
        });
        byId("channels").hidden = false;
        byId("channels").scrollIntoView();
      };
      const send = (file) => new Promise((resolve) => {
        const bar = make("progress", { max: file.size, value: 0, "aria-label": "sending " + file.name }), words = make("p", {}, "sending " + file.name);
        const request = new XMLHttpRequest();
        const cancel = make("button", { on: { click: () => request.abort() } }, "Cancel");
        const box = make("div", { class: "job" }, words, bar, cancel);
        sending.append(box);
        const end = (problem) => { box.remove(); if (problem) { say(file.name + ": " + problem, "red"); } resolve(); };
        request.upload.onprogress = (event) => { bar.value = event.loaded; words.textContent = "sending " + file.name + ": " + number(event.loaded / 1e6) + " of " + number(file.size / 1e6) + " MB"; };
        request.onload = () => { let said = {}; try { said = JSON.parse(request.responseText); } catch (error) { said = {}; } end(request.status < 300 ? "" : [said.problem, said.remedy].filter(Boolean).join(". ") || "could not be sent"); };
        request.onerror = () => end("the connection broke; send it again");
        request.onabort = () => end("");
        request.open("POST", base + "/logs?name=" + encodeURIComponent(file.name.slice(0, 255)));
        request.setRequestHeader("X-Logan", "1");
        request.setRequestHeader("Content-Type", "application/octet-stream");
        request.send(file);
      });
      const sendAll = guarded(async (files) => { for (const file of files) { await send(file); } await list(); });
      const drop = byId("drop");
      drop.addEventListener("dragover", (event) => { event.preventDefault(); drop.classList.add("over"); });
      drop.addEventListener("dragleave", () => drop.classList.remove("over"));
      drop.addEventListener("drop", (event) => { event.preventDefault(); drop.classList.remove("over"); sendAll([...event.dataTransfer.files]); });
      byId("pick").addEventListener("change", (event) => sendAll([...event.target.files]));
      byId("watch-form").addEventListener("submit", guarded(async (event) => { await ask("POST", base + "/watch", { folder: event.target.folder.value }); say("Watching. New logs are imported when they stop growing.", "good"); }));
      byId("watch-stop").addEventListener("click", guarded(async () => { await ask("POST", base + "/watch", { folder: "" }); say("No longer watching.", "good"); }));
      await list();
    },

    async drives() {
      const drives = (await ask("GET", base + "/drives")).drives, place = byId("drives");
      if (!drives.length) { fill(place, make("p", { class: "empty" }, "No drive yet. ", make("a", { href: "logs" }, "Drop a log"))); return; }
      const value = (drive, name) => { const metric = drive.summary.metrics[name]; return metric && metric.value !== undefined ? metric.value : null; };
      const settings = await ask("GET", base + "/settings");
      const text = (settings.sections[0].fields.find((f) => f.key === "build.units") || {}).text || "mi";
      const metres = text.includes("km") ? 1000 : 1609.344, unit = text.includes("km") ? "km" : "mi";
      fill(place, table(["drive", "day", "min", unit, "Wh/" + unit, "peak A", "grade", "flags"], drives.map((d) => {
        const counts = d.summary.flag_counts, consumption = value(d, "net_wh_per_km");
        return { tone: counts.red ? "red" : counts.amber ? "amber" : "", cells: [make("a", { href: "drives/" + d.number }, "drive " + d.number), d.start_ns ? new Date(d.start_ns / 1e6).toISOString().slice(0, 10) : "–", number(d.duration_s / 60),
          number(d.summary.distance_m === null ? null : d.summary.distance_m / metres, 1), consumption === null ? "refused" : number(consumption * metres / 1000), number(value(d, "peak_current_a")), d.summary.grade || "–", (counts.red || 0) + " red, " + (counts.amber || 0) + " amber" + (d.conditions.excluded_because ? ", left out" : "")] };
      })), make("p", { class: "hint" }, "Net consumption at the pack; a refused figure says why on the drive's own page."));
    },

    async drive() {
      const place = byId("drive"), n = place.dataset.drive, address = base + "/drives/" + n;
      const show = (stored) => {
        const a = stored.analysis, c = stored.record.conditions;
        const figure = (f, scale, digits, unit) => f.reason !== undefined ? "refused" : number(f.value * (scale || 1), digits) + (f.sigma === null ? "" : " ± " + number(f.sigma * (scale || 1), digits)) + " " + unit;
        const why = (f) => f.reason || f.source;
        fill(place, make("dl", { class: "key-figures" },
          keyFigure("net consumption", figure(a.energy.net_wh_per_km, 1.609344, 0, "Wh/mi"), why(a.energy.net_wh_per_km)),
          keyFigure("distance", figure(a.energy.distance_m, 1 / 1609.344, 1, "mi"), a.energy.distance_source),
          keyFigure("coverage", percent(a.energy.coverage_ratio), "share of the time really sampled"),
          keyFigure("put back", figure(a.energy.regenerated_wh, 1, 0, "Wh"), why(a.energy.regenerated_wh))),
        a.limits.events.map((e) => make("div", { class: "notice " + e.severity }, e.what.replaceAll("_", " ") + " passed " + e.severity + " for " + number(e.duration_s) + " s. " + e.caution)),
        a.flags.length ? table(["finding", "evidence", "what to do"], a.flags.map((f) => ({ tone: f.severity, cells: [f.title, f.evidence, f.remedy] }))) : make("p", {}, "The detectors found nothing to say."),
        stored.history.length ? make("details", {}, make("summary", {}, "What was done to the data"), make("ul", {}, stored.history.map((s) => make("li", {}, s.action + ": " + s.detail + "; " + s.reason)))) : null);
        byId("note").value = c.note; byId("change").value = c.change; byId("payload").value = c.payload_kg === null ? "" : c.payload_kg; byId("tags").value = c.tags.join(", "); byId("exclude").value = c.excluded_because;
      };
      show(await ask("GET", address));
      const redraw = async () => { const t = await ask("GET", address + "/timeline"); draw(byId("timeline"), t.figure, t.alt); };
      await redraw();
      byId("notes-form").addEventListener("submit", guarded(async (event) => {
        const f = event.target, exclude = f.exclude_because.value.trim();
        show(await ask("PATCH", address, { note: f.note.value, change: f.change.value, tags: f.tags.value.split(",").map((t) => t.trim()).filter(Boolean), payload_kg: f.payload_kg.value === "" ? null : Number(f.payload_kg.value), exclude_because: exclude || null, is_included: !exclude }));
        say("Saved.", "good");
      }));
      byId("mask-form").addEventListener("submit", guarded(async (event) => { show(await ask("PATCH", address, { mask: { span: event.target.span.value, why: event.target.why.value } })); await redraw(); say("Masked; it can be taken back.", "good"); }));
      byId("unmask").addEventListener("click", guarded(async () => { show(await ask("PATCH", address, { is_unmasked: true })); await redraw(); say("All masks are taken back.", "good"); }));
    },

    async range() {
      let range = null;
      const load = async () => {
        range = await ask("GET", base + "/range");
        byId("basis").textContent = range.basis === "fit" ? "Refined by " + range.prediction.drive_count + " drives." : "From the plan alone.";
        const places = range.figures.map((f) => [f, make("div", { class: "plot" })]);
        fill(byId("range-figures"), range.notes.map((n) => make("p", { class: "notice amber" }, n)), places.map(([f, place]) => make("figure", {}, make("figcaption", {}, f.title), place)));
        for (const [f, place] of places) { draw(place, f.figure, f.alt); }
        const u = units(range);
        if (u.distance === "km") { byId("speed").min = 30; byId("speed").max = 140; byId("speed").value = 105; }
        byId("pack").value = Math.round(range.usable_energy_wh / 1000);
      };
      const question = guarded(async () => {
        const u = units(range), value = (id) => Number(byId(id).value);
        byId("speed-out").textContent = value("speed") + " " + u.speed;
        byId("ambient-out").textContent = u.fahrenheit ? Math.round(value("ambient") * 1.8 + 32) + " °F" : value("ambient") + " °C";
        byId("load-out").textContent = u.distance === "mi" ? Math.round(value("load") / 0.45359237) + " lb" : value("load") + " kg";
        byId("pack-out").textContent = value("pack") + " kWh";
        const answer = await ask("POST", base + "/what-if", { speed_m_per_s: value("speed") * u.metres / 3600, ambient_temperature_degc: value("ambient"), payload_kg: value("load"), usable_energy_wh: value("pack") * 1000 });
        fill(byId("what-if-answer"), rangeFigures({ ...answer.answer, name: value("speed") + " " + u.speed }, { ...range, basis: answer.basis }));
      });
      let timer = null;
      byId("what-if").addEventListener("input", () => { clearTimeout(timer); timer = setTimeout(question, 40); });
      byId("fit").addEventListener("click", guarded(async (event) => { event.target.disabled = true; await follow(await ask("POST", base + "/fit", {}), byId("fit-job"), load); event.target.disabled = false; await question(); }));
      try { await load(); await question(); } catch (error) { fill(byId("range-figures"), make("p", { class: "notice amber" }, error.message)); }
    },

    report() {
      document.querySelectorAll("[data-report]").forEach((button) => button.addEventListener("click", guarded(async () => {
        const job = await ask("POST", base + "/report", { kind: button.dataset.report });
        await follow(job, byId("report-job"), (result, box) => { box.append(make("p", {}, make("a", { href: base + "/reports/" + result.name, target: "_blank", rel: "noopener" }, "Open " + result.name))); });
      })));
    },
  };
  const start = page === "drives" && byId("drive") ? pages.drive : pages[page];
  if (start) { guarded(start)(); }
})();
