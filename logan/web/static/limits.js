// Every limit by how close it came, each linked to its worst moment, and changed where it is shown.
import { ask, guarded, saveGuarded } from "./ask.js";
import { api, byId, channelWords, fill, make, pageOf, say } from "./page.js";

const KEYS = ["amber", "red", "source"];

function editor(entry, again) {
  const inputs = KEYS.map((key) => make("input", { size: key === "source" ? 16 : 9, value: entry.given[key], maxlength: 120, autocomplete: "off",
    "aria-label": channelWords(entry.channel) + ", " + key, placeholder: key }));
  const save = guarded(async () => {
    const fields = {};
    KEYS.forEach((key, k) => {
      if (inputs[k].value.trim() !== entry.given[key]) { fields["limits." + entry.channel + "." + key] = inputs[k].value.trim(); }
    });
    let version = entry.version;
    await saveGuarded({ fields: fields }, (content) => ask("PUT", api + "/settings", { ...content, version: version }),
      async () => { version = (await ask("GET", api + "/settings")).version; }, (key) => entry.given[key.split(".")[2]]);
    say("Saved.", "good");
    await again();
  });
  return make("form", { class: "bar", on: { submit: save } }, inputs, make("button", { class: "plain" }, "Save"));
}

export async function limits() {
  const place = byId("limits");
  const show = async () => {
    const found = await ask("GET", api + "/limits");
    const itemOf = (entry) => {
      const href = pageOf("drives/" + entry.drive) + "#" + new URLSearchParams({ at: entry.at_s, channel: entry.channel });
      const link = entry.at_s === null ? null : make("a", { href: href }, "Drive " + entry.drive + ", worst moment");
      return make("li", { class: entry.tone }, make("span", { class: "grow" }, make("strong", {}, entry.title), " " + entry.words + " ", link),
        make("details", {}, make("summary", {}, entry.source || "no limit given"), editor(entry, show)));
    };
    fill(place, found.lines.length ? null : make("p", { class: "empty" }, "No drive yet, so nothing came close to a limit."),
      make("ul", { class: "rows limits" }, found.lines.map(itemOf)),
      found.notes.map((text) => make("p", { class: "hint" }, text)), found.cautions.map((text) => make("p", { class: "notice amber" }, text)));
  };
  await show();
}
