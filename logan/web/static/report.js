// Write reports, and open those that were written.
import { ask, follow, guarded } from "./ask.js";
import { api, byId, fill, make, number, whenCame } from "./page.js";

export async function report() {
  const list = async () => {
    const found = (await ask("GET", api + "/reports")).reports;
    const about = (name) => ({ class: "grow", href: api + "/reports/" + name, target: "_blank", rel: "noopener" });
    const row = (written) => make("li", {},
      make("a", about(written.name), "Open " + written.name),
      make("span", {}, new Date(written.written_s * 1000).toLocaleString()),
      make("span", {}, number(written.size_bytes / 1e6, 1) + " MB"));
    fill(byId("reports"), found.length ? found.map(row) : make("li", { class: "empty" }, "No report yet."));
  };
  document.querySelectorAll("[data-report]").forEach((button) => button.addEventListener("click", guarded(async () => {
    button.disabled = true;
    try {
      await follow(await ask("POST", api + "/report", { kind: button.dataset.report }), list);
    } finally { button.disabled = false; }
  })));
  whenCame(["report"], guarded(list));
  await list();
}
