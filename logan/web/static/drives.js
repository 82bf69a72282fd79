// All drives: browse, filter by tag, choose two to compare.
import { ask, follow, guarded } from "./ask.js";
import { api, byId, fill, make, number, pageOf, partInFit, say, table, units } from "./page.js";

const metric = (drive, name) => {
  const found = drive.summary.metrics[name];
  return found && found.value !== undefined ? found.value : null;
};

function rowOf(drive, chosen) {
  const counts = drive.summary.flag_counts, consumption = metric(drive, "net_wh_per_km");
  const metres = drive.summary.distance_m, part = partInFit(drive);
  const box = make("input", { type: "checkbox", "aria-label": "Compare drive " + drive.number });
  box.checked = chosen.has(drive.number);
  box.addEventListener("change", () => { chosen[box.checked ? "add" : "delete"](drive.number); });
  const link = make("a", { href: pageOf("drives/" + drive.number) }, "drive " + drive.number);
  const findings = [counts.red ? counts.red + " red" : "", counts.amber ? counts.amber + " amber" : ""].filter(Boolean);
  return {
    tone: counts.red ? "red" : counts.amber ? "amber" : "",
    cells: [make("span", { class: "pick" }, box, link),
      drive.start_ns ? new Date(drive.start_ns / 1e6).toISOString().slice(0, 10) : "–",
      number((drive.summary.duration_s || drive.duration_s) / 60), number(metres === null ? null : metres / units.metres, 1),
      consumption === null ? "refused" : number(units.ofConsumption(consumption)),
      number(metric(drive, "peak_current_a")), drive.summary.grade || "–", findings.join(", ") || "none",
      drive.conditions.tags.join(", ") + (part ? " (fit: " + part + ")" : "")],
  };
}

// What was worked out with earlier settings is marked as such, and worked out again.
async function refresh(answer, place) {
  if (answer.settings_problem) {
    place.prepend(make("p", { class: "notice amber" }, "Figures as they were last worked out: " + answer.settings_problem));
  }
  if (!answer.stale.length) { return; }
  const which = (answer.stale.length === 1 ? "Drive " : "Drives ") + answer.stale.join(", ");
  place.prepend(make("p", { class: "notice amber" }, which + ": figures of earlier settings, being worked out again."));
  await follow(await ask("POST", api + "/drives/refresh", {}), async () => {
    const now = await ask("GET", api + "/drives");
    // A library that cannot be written to stays as it is.
    if (!now.stale.length) { showAll(now.drives, place); }
  });
}

export async function drives() {
  const answer = await ask("GET", api + "/drives"), place = byId("drives");
  showAll(answer.drives, place);
  await refresh(answer, place);
}

function showAll(found, place) {
  if (!found.length) {
    fill(place, make("p", { class: "empty" }, "No drive yet. ", make("a", { href: pageOf("logs") }, "Drop a log")));
    return;
  }
  const chosen = new Set(), tags = [...new Set(found.flatMap((drive) => drive.conditions.tags))].sort();
  const headings = ["drive", "day", "min", units.distance, units.consumption, "peak A", "grade", "findings", "tags"];
  const list = make("div", {});
  const show = (tag) => {
    const rows = found.filter((drive) => !tag || drive.conditions.tags.includes(tag));
    fill(list, table("Drives", headings, rows.map((drive) => rowOf(drive, chosen)), [7, 8]));
  };
  const filter = make("select", { id: "tag" }, make("option", { value: "" }, "all"),
    tags.map((tag) => make("option", { value: tag }, tag)));
  filter.addEventListener("change", () => show(filter.value));
  const compare = guarded(() => {
    const [first, second] = [...chosen].sort((one, other) => one - other);
    if (chosen.size !== 2) { say("Tick two drives first.", "amber"); return; }
    location.href = pageOf("compare") + "?first=" + first + "&second=" + second;
  });
  const bar = make("p", { class: "bar" },
    tags.length ? [make("label", { for: "tag", class: "inline" }, "Tag"), filter] : [],
    make("button", { on: { click: compare } }, "Compare the two chosen"));
  fill(place, bar, list,
    make("p", { class: "hint" }, "Net consumption at the pack; a refused figure says why on the drive's own page."));
  show("");
}
