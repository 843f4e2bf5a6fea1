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

  // How far a place is along an axis, as a share of what is shown of it.
  function share(range, scale, place) {
    const at = scale.type === "LogScale" ? Math.log : Number;
    return (at(place) - at(range.start)) / (at(range.end) - at(range.start));
  }

  // Which number is pointed at, of marks and of lines from top to bottom; 0 for none.
  function pointedAt(plot, event) {
    let nearest = 0, least = 16;
    for (const label of plot.center.filter(function (model) { return model.type === "Label" && model.tags.length; })) {
      const across = share(plot.x_range, plot.x_scale, label.x) - share(plot.x_range, plot.x_scale, event.x);
      const isLine = label.y_units === "screen";
      const up = isLine ? 0 : share(plot.y_range, plot.y_scale, label.y) - share(plot.y_range, plot.y_scale, event.y);
      const apart = Math.hypot(across * plot.inner_width, up * plot.inner_height) + (isLine ? 8 : 0);
      if (apart < least) { least = apart; nearest = label.tags[0]; }
    }
    return nearest;
  }

  function tell(live, plot, event) {
    const word = live.querySelector(".live-word");
    if (!word) return;
    const number = pointedAt(plot, event);
    word.hidden = number === 0;
    if (word.hidden) return;
    word.textContent = live.querySelectorAll(".live-marks li")[number - 1].textContent;
    const room = live.querySelector(".live-plot"), isRight = event.sx > 0.5 * room.offsetWidth;
    word.style.top = (room.offsetTop + event.sy + 14) + "px";
    word.style.left = isRight ? "auto" : (room.offsetLeft + event.sx + 10) + "px";
    word.style.right = isRight ? (room.offsetWidth - event.sx + 10) + "px" : "auto";
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
    plot.on_event("tap", function (event) { tell(live, plot, event); });
    plot.on_event("mouseleave", function () {
      const word = live.querySelector(".live-word");
      if (word) word.hidden = true;
    });
    plot.on_event("mousemove", function (event) {
      tell(live, plot, event);
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
