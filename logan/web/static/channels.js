// Which signal is which channel: every candidate with a little plot, to confirm or to correct.
import { ask, guarded, inTurn, saveGuarded } from "./ask.js";
import { api, channelWords, fill, make, say, svg } from "./page.js";

const NONE = "";

function sketch(signal) {
  const words = signal ? signal.signal + " from " + signal.low + " to " + signal.high + " " + signal.unit : "no data";
  const plot = svg("svg", { viewBox: "0 0 180 44", class: "spark", role: "img", "aria-label": words });
  if (signal && signal.points.length > 1) {
    const span = signal.high - signal.low || 1, last = signal.points.length - 1;
    const at = (value, k) => (4 + 172 * k / last).toFixed(1) + " " + (40 - 36 * (value - signal.low) / span).toFixed(1);
    plot.append(svg("path", { d: "M" + signal.points.map(at).join("L") }));
  }
  return plot;
}

// A signal's address may break after its parts, not inside a word.
function breakable(address) {
  return address.split(/(?<=[./_])/).flatMap((part) => [part, make("wbr")]);
}

function rangeWords(signal) {
  if (!signal || signal.low === null) { return "no data"; }
  const short = (value) => String(Number(value.toPrecision(4)));
  return short(signal.low) + " to " + short(signal.high) + " " + (signal.unit || "(no unit)");
}

// A channel's source as both texts of a conflict show it.
const told = (source) => source.signal + " [" + source.unit + "]" + (source.sign < 0 ? ", turned" : "");

class Choice {
  // One channel: its candidates as cards, any other signal from a list, or not logged at all.
  constructor(proposal, channel, candidates, mapped, isTie) {
    this.signals = new Map(proposal.signals.map((signal) => [signal.signal, signal]));
    this.channel = channel;
    this.candidates = candidates;
    const resolved = mapped ? this.resolve(mapped.signal) : null;
    this.saved = mapped && { key: resolved, signal: mapped.signal };
    const isSure = candidates.length && !isTie && !candidates[0].doubt;
    this.chosen = resolved ?? (isSure ? candidates[0].signal : NONE);
    const best = mapped || candidates[0] || { unit: "", sign: 1 };
    const label = channelWords(channel);
    const about = { size: 6, autocomplete: "off", "aria-label": "Unit of " + label };
    this.unit = make("input", { ...about, value: best.unit || "" });
    this.sign = make("select", { "aria-label": "Sign of " + label },
      make("option", { value: "1" }, "as it is"), make("option", { value: "-1", selected: best.sign === -1 }, "turned"));
    const meaning = new Map(proposal.channels).get(channel.replace(/_\d+$/, "")) || "";
    const tie = isTie && !mapped ? make("strong", { class: "tie" }, "A tie: you decide. ")
      : !isSure && candidates.length && !mapped ? make("strong", { class: "tie" }, "You decide: " + candidates[0].doubt + ". ")
        : null;
    this.why = resolved ? "as saved" : isSure ? "sure" : !candidates.length ? "yours to choose" : "asked";
    // What is sure is one line; what is asked stands open below its line.
    this.line = make("tr", {});
    this.details = make("tr", { hidden: this.why === "sure" || this.why === "as saved" }, make("td", { colspan: 6, class: "words" },
      make("fieldset", { class: "choice" }, make("legend", {}, label), make("p", { class: "hint" }, tie, meaning), this.cards(), this.others())));
    this.element = make("tbody", {}, this.line, this.details);
    this.say();
  }

  say() {
    const signal = this.signals.get(this.chosen), label = channelWords(this.channel), isNone = this.chosen === NONE;
    const toggle = make("button", { class: "plain", type: "button", "aria-expanded": String(!this.details.hidden),
      "aria-label": (this.details.hidden ? "Choose " : "Close ") + label, on: { click: () => {
        this.details.hidden = !this.details.hidden;
        this.say();
        this.line.querySelector("button").focus();
      } } }, this.details.hidden ? "choose" : "close");
    this.unit.placeholder = signal ? signal.unit : "";  // the log's own
    this.line.replaceChildren(make("th", { scope: "row" }, label),
      make("td", { class: "words" }, isNone ? "not logged" : breakable(this.chosen), make("small", {}, signal ? " " + rangeWords(signal) : "")),
      make("td", {}, signal ? sketch(signal) : ""), make("td", { "data-head": isNone ? null : "unit" }, isNone ? "" : this.unit), make("td", { "data-head": isNone ? null : "sign" }, isNone ? "" : this.sign),
      make("td", { class: "words" }, make("span", { class: this.why === "asked" ? "tie" : "" }, this.why), " ", toggle));
  }

  resolve(address) {
    const keys = [...this.signals.keys()];
    const isIt = (key) => key === address || key.endsWith("/" + address) || key.endsWith("." + address);
    return keys.find(isIt) ?? address;
  }

  card(value, content) {
    const radio = make("input", {
      type: "radio", name: "signal-" + this.channel, value: value, checked: value === this.chosen,
      on: { change: () => this.take(value) },
    });
    return make("label", { class: "card" }, radio, content);
  }

  cards() {
    const known = this.candidates.map((candidate) => candidate.signal);
    const isOwn = this.chosen !== NONE && !known.includes(this.chosen);
    const own = isOwn ? [{ signal: this.chosen, evidence: ["as saved"] }] : [];
    const all = [...own, ...this.candidates].map((candidate) => this.card(candidate.signal, [
      make("span", { class: "name" }, breakable(candidate.signal)), sketch(this.signals.get(candidate.signal)),
      make("small", {}, rangeWords(this.signals.get(candidate.signal))),
      make("small", {}, candidate.evidence.join("; ")), this.comment(candidate.signal),
    ]));
    return make("div", { class: "candidates" }, all, this.card(NONE, [make("span", { class: "name" }, "not logged")]));
  }

  comment(key) {
    const signal = this.signals.get(key);
    return signal && signal.comment ? make("small", {}, "“" + signal.comment + "”") : null;
  }

  others() {
    const shown = make("span", {});
    const select = make("select", { "aria-label": "Another signal for " + channelWords(this.channel) },
      make("option", { value: NONE }, "another signal …"),
      [...this.signals.keys()].map((key) => make("option", { value: key }, key)));
    select.addEventListener("change", () => {
      const signal = this.signals.get(select.value);
      shown.replaceChildren(...(signal ? [sketch(signal), make("small", {}, rangeWords(signal))] : []));
      if (!signal) { return; }
      this.details.querySelectorAll("input[type=radio]").forEach((radio) => { radio.checked = false; });
      this.take(select.value);
      this.unit.value = signal.unit;
    });
    return make("span", { class: "other" }, select, shown);
  }

  take(signal) {
    this.chosen = signal;
    const candidate = this.candidates.find((each) => each.signal === signal);
    if (candidate) {
      this.unit.value = candidate.unit;
      this.sign.value = String(candidate.sign);
    }
    this.say();
  }

  get content() {
    if (this.chosen === NONE) { return null; }
    const isSaved = this.saved && this.saved.key === this.chosen;
    return { channel: this.channel, signal: isSaved ? this.saved.signal : this.chosen, unit: this.unit.value, sign: Number(this.sign.value) };
  }
}

// `goOn` imports the log that the proposal is of.
export function channelForm(form, proposal, goOn) {
  const mapped = new Map(proposal.mapped.map((source) => [source.channel, source]));
  const suggested = new Map(proposal.suggestions.map((suggestion) => [suggestion.channel, suggestion]));
  const names = [...new Set([...suggested.keys(), ...mapped.keys()])];
  const choiceOf = (name) => {
    const suggestion = suggested.get(name) || { candidates: [], is_tie: false };
    return new Choice(proposal, name, suggestion.candidates, mapped.get(name), suggestion.is_tie);
  };
  const choices = names.map(choiceOf), list = make("table", { class: "dense stack" }, make("caption", {}, "Channels"), make("thead", {}, make("tr", {},
    ["channel", "signal", "over the log", "unit", "sign", ""].map((words) => make("th", { scope: "col", class: "words" }, words || make("span", { class: "hint" }, "how sure"))))),
  choices.map((choice) => choice.element));
  const rest = proposal.channels.map(([name]) => name).filter((name) => !names.includes(name));
  const more = make("select", { id: "more-channel" }, make("option", { value: "" }, "another channel …"),
    rest.map((name) => make("option", { value: name }, channelWords(name))));
  more.addEventListener("change", () => {
    if (!more.value) { return; }
    const added = choiceOf(more.value);
    choices.push(added);
    list.append(added.element);
    more.selectedOptions[0].remove();
  });
  const asked = choices.filter((choice) => choice.why === "asked").length;
  fill(form, make("p", {}, asked ? make("strong", { class: "tie" }, asked + (asked === 1 ? " channel is" : " channels are") + " asked") : "Every channel found is sure",
    ", " + (choices.length - asked) + " sure or saved."), make("div", { class: "table", tabindex: "0", role: "region", "aria-label": "Channels" }, list), make("label", { for: "more-channel" }, "Add"), more,
    make("p", { class: "bar" }, make("button", { class: "primary" }, "Use these and import"),
      make("button", { value: "save" }, "Save the map")));
  delete form.dataset.dirty;
  form.onchange = () => { form.dataset.dirty = "yes"; };
  form.onsubmit = guarded(inTurn(async (event) => {
    const isSave = event.submitter && event.submitter.value === "save";
    // Only what differs from the map as it was shown is sent.
    const before = (name) => mapped.has(name) ? told(mapped.get(name)) : "";
    const changed = choices.filter((choice) => (choice.content ? told(choice.content) : "") !== before(choice.channel));
    const change = { channels: changed.map((choice) => choice.content).filter(Boolean),
      left_out: changed.filter((choice) => !choice.content).map((choice) => choice.channel) };
    let version = proposal.version;
    const sent = await saveGuarded(change, (content) => ask("PUT", api + "/channels", { ...content, version: version }),
      async () => { version = (await ask("GET", api + "/channels")).version; }, before);
    if (!sent) { return; }
    delete form.dataset.dirty;
    // What is saved by now is what the next save differs from.
    const now = await ask("GET", api + "/channels");
    proposal.version = now.version;
    mapped.clear();
    for (const source of now.channels) { mapped.set(source.channel, source); }
    if (isSave) { say("Saved. Now import the log.", "good"); return; }
    await goOn();
  }));
}
