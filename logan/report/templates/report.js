"use strict";
(function () {
  var plots = [];
  var dark = window.matchMedia("(prefers-color-scheme: dark)");
  var ink = function (isDark) { return isDark ? "#e7e9ec" : "#22262b"; };
  var recolour = function (isDark) {
    plots.forEach(function (plot) {
      if (plot.drawn) { Plotly.relayout(plot.element, { "font.color": ink(isDark) }); }
    });
  };
  var draw = function (plot) {
    if (plot.drawn) { return; }
    plot.drawn = true;
    var spec = JSON.parse(plot.source.textContent);
    spec.layout.font.color = ink(dark.matches);
    if (plot.element.clientWidth < 520) {
      spec.layout.font.size = 13;
      spec.layout.margin = { l: 40, r: 8, t: 30, b: 45 };
    }
    Plotly.newPlot(plot.element, spec.data, spec.layout, {
      responsive: true, displaylogo: false, displayModeBar: false, showLink: false, scrollZoom: false
    });
  };
  document.querySelectorAll("figure .plot").forEach(function (element) {
    plots.push({ element: element, source: element.parentElement.querySelector("script"), drawn: false });
  });
  if (typeof Plotly === "undefined") { return; }
  // A figure is drawn when it comes near the screen, so that a long report opens at once.
  var watcher = new IntersectionObserver(function (entries) {
    entries.forEach(function (entry) {
      if (entry.isIntersecting) {
        plots.filter(function (plot) { return plot.element === entry.target; }).forEach(draw);
        watcher.unobserve(entry.target);
      }
    });
  }, { rootMargin: "600px" });
  plots.forEach(function (plot) { watcher.observe(plot.element); });
  dark.addEventListener("change", function (event) { recolour(event.matches); });
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (part) { part.open = true; });
    plots.forEach(draw);
    recolour(false);
  });
  window.addEventListener("afterprint", function () { recolour(dark.matches); });
  if (window.matchMedia("print").matches || /[?&#]print/.test(location.href)) { plots.forEach(draw); }
})();
