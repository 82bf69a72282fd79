// The appendix opens where it is asked for; print shows what the screen was asked to show.
(() => {
  const all = document.getElementById("length-3");
  const open = (is) => document.querySelectorAll(".length-3 details").forEach((part) => { part.open = is; });
  document.querySelectorAll("input[name=length]").forEach((one) => one.addEventListener("change", () => open(all.checked)));
  window.addEventListener("beforeprint", () => {
    document.querySelectorAll("main details").forEach((part) => { part.open = true; });
  });
})();
