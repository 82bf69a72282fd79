"use strict";
// Every figure stands in the page as a static drawing. Where this script runs, a figure that comes
// near the screen is drawn anew with hover and zoom; print keeps the static one.
(function () {
  var dark = window.matchMedia("(prefers-color-scheme: dark)");
  var ink = function () { return dark.matches ? "#e7e9ec" : "#22262b"; };
  var drawn = [];

  var draw = function (figure) {
    var place = figure.querySelector(".plot");
    var spec = JSON.parse(figure.querySelector("script").textContent);
    spec.layout.font.color = ink();
    place.hidden = false;
    if (place.clientWidth < 520) {
      spec.layout.font.size = 12;
      spec.layout.margin = { l: 40, r: 8, t: 30, b: 45 };
    }
    Plotly.newPlot(place, spec.data, spec.layout, {
      responsive: true, displaylogo: false, displayModeBar: false, showLink: false, scrollZoom: false
    }).then(function () { figure.classList.add("drawn"); });
    drawn.push(place);
  };

  var watch = function () {
    var watcher = new IntersectionObserver(function (entries) {
      entries.filter(function (entry) { return entry.isIntersecting; }).forEach(function (entry) {
        watcher.unobserve(entry.target);
        draw(entry.target);
      });
    }, { rootMargin: "600px" });
    document.querySelectorAll("figure").forEach(function (figure) { watcher.observe(figure); });
    dark.addEventListener("change", function () {
      drawn.forEach(function (place) { Plotly.relayout(place, { "font.color": ink() }); });
    });
  };

  // The library is packed, which makes the file a third as large; a browser that cannot unpack it keeps the static figures.
  var unpack = function (packed) {
    var bytes = Uint8Array.from(atob(packed), function (character) { return character.charCodeAt(0); });
    return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"))).text();
  };
  var library = document.getElementById("library");
  if (library && typeof DecompressionStream !== "undefined") {
    unpack(library.textContent).then(function (text) {
      var script = document.createElement("script");
      script.textContent = text;
      document.head.append(script);
      watch();
    });
  }
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (part) { part.open = true; });
  });
})();
