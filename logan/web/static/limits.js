// Every limit by how close it came, each linked to its worst moment, and changed where it is shown.
import { ask, guarded, inTurn, saveGuarded } from "./ask.js";
import { redraw } from "./fields.js";
import { api, byId, channelWords, fill, make, pageOf, say, shownAs, valueText } from "./page.js";

const KEYS = ["amber", "red", "source"];
const TONES = { "beyond red": "red", "may be beyond red": "red", "beyond amber": "amber" };

export function bullet(line) {
  const check = line.check, text = (value) => valueText(value, shownAs(check.unit, check.channel));
  const limits = ["amber", "red"].filter((key) => check[key] !== null).map((key) => key + " " + text(check[key])).join(", ");
  const { scale, unit } = shownAs(check.unit, check.channel), left = check.margin === null ? ""
    : ", " + valueText(Math.abs(check.margin), { scale: scale, offset: 0, unit: unit }) + (check.margin < 0 ? " beyond" : " left");
  const beyond = line.beyond_red_drives.length ? line.beyond_red_drives : line.beyond_amber_drives;
  const words = (check.worst_value === null ? "not logged" : text(check.worst_value)) + (limits ? " against " + limits + left : "") + ": " +
    check.verdict + (beyond.length ? (beyond.length > 1 ? " on drives " : " on drive ") + beyond.join(", ") : "") + ". ";
  const to = check.context && pageOf("drives/" + line.drive) + "#" + new URLSearchParams({ at: check.context.at_s, channel: check.channel });
  return make("span", { class: "grow" }, make("strong", {}, channelWords(check.channel) + (check.over ? ", " + check.over : check.side === "below" ? ", lowest" : "")), " " + words,
    to ? make("a", { href: to }, "Drive " + line.drive + ", worst moment") : null);
}

export const toneOf = (line) => TONES[line.check.verdict] || "";

// `settings` answers the form of the settings as it was read last, `again` draws all anew; an editor lives until then.
function editor(line, settings, again) {
  const { channel, side } = line.check;
  const given = (key) => settings().sections.flatMap((section) => section.fields).find((field) => field.key === "limits." + channel + "." + key)?.text || "";
  const named = (key) => side + " limits." + channel + "." + key;
  const inputs = KEYS.map((key) => make("input", { name: named(key), size: key === "source" ? 16 : 9, value: given(key), maxlength: 120,
    autocomplete: "off", "aria-label": channelWords(channel) + ", " + key, placeholder: key }));
  const save = guarded(inTurn(async () => {
    const fields = {}, sent = {};
    for (const key of KEYS) {
      const text = byId("limits").querySelector(`[name="${named(key)}"]`).value;
      if (text.trim() !== given(key)) { [fields["limits." + channel + "." + key], sent[named(key)]] = [text.trim(), text]; }
    }
    let version = settings().version;
    const saved = await saveGuarded({ fields: fields }, (content) => ask("PUT", api + "/settings", { ...content, version: version }),
      async () => { version = (await ask("GET", api + "/settings")).version; }, (key) => given(key.split(".")[2]));
    await again(sent);
    if (saved) { say("Saved.", "good"); }
  }));
  return make("form", { class: "bar", "data-keep": true, on: { submit: save } }, inputs, make("button", { class: "plain" }, "Save"));
}

export async function limits() {
  const place = byId("limits");
  let form = null;
  const show = async (sent) => {
    const [found, now] = await Promise.all([ask("GET", api + "/limits"), ask("GET", api + "/settings")]);
    form = now;
    const itemOf = (line) => make("li", { class: toneOf(line) }, bullet(line),
      make("details", { "data-key": line.check.side + " " + line.check.channel + line.check.over }, make("summary", {}, line.check.source || "no limit given"),
        line.check.over ? "The curve stands in the settings." : editor(line, () => form, show)));
    redraw(place, () => fill(place, found.lines.length ? null : make("p", { class: "empty" }, "No drive yet, so nothing came close to a limit."),
      make("p", { class: "hint" }, "Open a line to give its limit, or to change it."), make("ul", { class: "rows limits" }, found.lines.map(itemOf)),
      found.notes.map((text) => make("p", { class: "hint" }, text)), found.cautions.map((text) => make("p", { class: "notice amber" }, text))), sent);
  };
  await show();
}
