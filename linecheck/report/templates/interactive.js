"use strict";
// Puts the interactive figure before a still one as soon as that comes into view. What fails leaves the still one there.
(function () {
  function curves(plot) {
    const lines = plot.renderers.filter(function (line) { return line.tags.length; });
    return lines.sort(function (one, other) { return one.tags[0] - other.tags[0]; });
  }

  // The curve's own point that is nearest along the axis.
  function valueAt(line, place) {
    const x = line.data_source.data.x, y = line.data_source.data.y;
    let nearest = -1;
    for (let at = 0; at < x.length; at++) {
      if (nearest < 0 || Math.abs(x[at] - place) < Math.abs(x[nearest] - place)) nearest = at;
    }
    return nearest < 0 ? "" : text(y[nearest]);
  }

  function text(value) {
    return String(Number(value.toPrecision(6))).replace("-", "\u2212");
  }

  function connect(live, plot) {
    const boxes = Array.from(live.querySelectorAll("input"));
    for (const box of boxes) {
      box.addEventListener("change", function () {
        curves(plot)[Number(box.dataset.curve)].visible = box.checked;
        box.parentElement.querySelector("output").textContent = "";
      });
    }
    live.querySelector("button").addEventListener("click", function () { plot.reset.emit(); });
    plot.on_event("mousemove", function (event) {
      live.querySelector(".live-at").textContent = ", here at " + text(event.x) + " " + live.dataset.unit;
      for (const line of curves(plot)) {
        const told = boxes[line.tags[0]].parentElement.querySelector("output");
        told.textContent = line.visible ? valueAt(line, event.x) : "";
      }
    });
  }

  function begin(figure) {
    const live = figure.querySelector(".live");
    live.hidden = false;
    const item = JSON.parse(live.querySelector("script").textContent);
    Bokeh.embed.embed_item(item, live.querySelector(".live-plot")).then(function (views) {
      connect(live, Array.from(views.roots)[0].model);
      figure.classList.add("is-live");
    }).catch(function (error) {
      live.hidden = true;
      throw error;
    });
  }

  const seen = new IntersectionObserver(function (entries) {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      seen.unobserve(entry.target);
      begin(entry.target);
    }
  }, {rootMargin: "300px"});
  for (const live of document.querySelectorAll("figure > .live")) seen.observe(live.parentElement);
})();
