"use strict";
/* The station's screen: shows the states that the server tells, and sends what is scanned. It decides nothing. */
(() => {
  /* A scanner sends a character in less; a person at a keyboard takes longer, and ends with Enter. */
  const SCANNER_GAP_MS = 50, SCAN_ENDS_MS = 250, TYPED_ENDS_MS = 8000, SILENT_MS = 3000, MAX_SCAN = 12000, WATCHER_TOLD_MS = 6000;
  /* Where a label that a pause has cut off could be another one, only Enter or Tab ends it. */
  const needsEnd = document.body.dataset.needsEnd === "yes";
  /* Heights in shares of the window: letters of 28.6 have capitals of 58 mm on a screen of 24 inches. */
  const WORD_VH = 42, MIN_VERDICT_VH = 28.6, SMALL_WORD_VH = 14, READY_WORD_VH = 26, SERIAL_VH = 26, LINE = 0.82;
  const MIN_SERIAL_VH = 8, TEXT_VH = 4.2, MIN_TEXT_PX = 12;
  /* What a single nest has of the window; several have their sizes in shares of their own height. */
  const NEST_VH = 92;
  const byId = (id) => document.getElementById(id);
  const nests = new Map([...document.querySelectorAll(".nest")].map((element) => [element.dataset.nest, {element, state: null}]));
  const meter = document.createElement("canvas").getContext("2d");
  let page = "", key = sessionStorage.getItem("key") || "", operates = false, heard = performance.now(), source = null;

  /* The widest size at which a text fits, px. */
  const fitting = (lines, font, width, most) => {
    meter.font = `700 100px ${font}`;
    const widest = Math.max(...lines.map((line) => meter.measureText(line).width), 1);
    return Math.floor(Math.min(most, (100 * width) / widest));
  };
  /* No line breaks inside a serial number or a code. */
  const set = (parent, selector, text) => {
    const found = parent.querySelector(selector);
    if (found.textContent !== text) found.replaceChildren(...text.split(/( +)/).map((word) => {
      if (!word.includes("-") || word.length > 24) return word;
      const whole = document.createElement("span");
      whole.className = "whole";
      whole.textContent = word;
      return whole;
    }));
    return found;
  };

  const showNest = (nest, state) => {
    const {element} = nest;
    nest.state = state;
    nest.told = performance.now();
    /* Emptied first: no word stands beside a serial number of another state, not for one frame. */
    element.querySelector(".word").replaceChildren();
    element.querySelector(".serial").textContent = "";
    element.dataset.state = state.state;
    element.dataset.run = state.run_id;
    element.querySelector("use").setAttribute("href", `#shape-${state.state.replaceAll(" ", "-")}`);
    set(element, ".says", state.says);
    set(element, ".act", state.act);
    set(element, ".note", state.note);
    set(element, ".about", state.about || "");
    element.querySelector(".reminders").replaceChildren(...(state.reminders || []).map((text) => {
      const line = document.createElement("p");
      line.textContent = text;
      return line;
    }));
    if (element.querySelector(".next")) {
      element.dataset.next = state.is_next ? "yes" : "no";
      element.querySelector(".next").hidden = !state.is_next;
    }
    set(element, ".doing", state.state === "testing" ? doing(state) : "");
    element.querySelector(".progress").hidden = state.state !== "testing" || state.elapsed_seconds === null;
    const lines = state.state.toUpperCase().split(" ");
    const testing = state.state === "testing";
    element.querySelector(".word").replaceChildren(...lines.map((line) => {
      const span = document.createElement("span");
      span.textContent = line;
      return span;
    }));
    element.querySelector(".serial").textContent = state.serial;
    fit(nest, lines, testing ? SMALL_WORD_VH : state.state === "ready" ? READY_WORD_VH : WORD_VH);
    move(nest);
  };
  const fit = (nest, lines, largest) => {
    const {element} = nest;
    const style = getComputedStyle(element), height = element.offsetHeight / NEST_VH;
    element.style.setProperty("--part", `${height}px`);
    const width = element.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight);
    const words = element.querySelector(".words"), serial = element.querySelector(".serial");
    const widest = fitting([serial.textContent || " "], style.fontFamily, width, SERIAL_VH * height);
    meter.font = `700 100px ${style.fontFamily}`;
    const wide = Math.max(...lines.map((line) => meter.measureText(line).width)) / 100;
    const widestWord = (width - 2 * height) / (wide + 0.45);
    /* Word and serial number stand whole, and the word never lower than can be read from afar: texts give way. */
    const least = Math.min(Math.min(MIN_VERDICT_VH, largest) * height, widestWord);
    const leastSerial = serial.textContent ? Math.min(widest, MIN_SERIAL_VH * height) : 0;
    const needed = LINE * lines.length * least + 1.1 * leastSerial + 2 * height;
    words.style.minHeight = `${Math.ceil(needed)}px`;
    const says = element.querySelector(".says"), more = element.querySelector(".more");
    const fits = () => element.scrollHeight <= element.clientHeight && says.scrollHeight <= says.clientHeight + 1;
    more.hidden = true;
    for (let scale = 1; ; scale -= 0.05) {
      element.style.setProperty("--texts", scale);
      if (fits() || (scale - 0.05) * TEXT_VH * height < MIN_TEXT_PX) break;
    }
    more.hidden = fits();
    const room = words.clientHeight - 2 * height;
    const tall = Math.max((room - 1.1 * widest) / (LINE * lines.length), least);
    const size = Math.floor(Math.min(tall, largest * height, widestWord));
    element.querySelector(".word").style.fontSize = `${size}px`;
    /* The shape takes what a long word leaves, and never less than half of its height. */
    const {style: shape} = element.querySelector(".shape");
    shape.width = shape.height = `${Math.min(0.8 * size, width - wide * size - 2 * height)}px`;
    serial.style.fontSize = `${Math.min(widest, Math.max((room - LINE * lines.length * size) / 1.1, leastSerial))}px`;
  };
  const doing = (state) => {
    const place = state.total ? `${state.number} of ${state.total}: ` : "";
    return `${place}${state.doing}`;
  };
  const move = (nest) => {
    const {element, state} = nest;
    if (!state || state.state !== "testing" || state.elapsed_seconds === null) return;
    const passed = state.elapsed_seconds + (performance.now() - nest.told) / 1000;
    const share = Math.min(passed / Math.max(state.expected_seconds, 0.1), 0.99);
    const left = Math.max(Math.ceil(state.expected_seconds - passed), 0);
    element.querySelector(".bar").style.width = `${(100 * share).toFixed(1)}%`;
    element.querySelector(".progress").setAttribute("aria-valuenow", String(Math.round(100 * share)));
    set(element, ".doing", `${doing(state)}${left ? ` · ${left} s left` : " · a moment"}`);
  };

  const show = (told) => {
    if (told.nests.some((state) => !nests.has(state.nest))) { location.reload(); return; }
    heard = performance.now();
    byId("lost").hidden = true;
    for (const state of told.nests) {
      const nest = nests.get(state.nest);
      const same = nest && nest.state && JSON.stringify({...nest.state, elapsed_seconds: 0}) === JSON.stringify({...state, elapsed_seconds: 0});
      if (nest && !same) showNest(nest, state);
    }
    unplaced = told.unplaced || null;
    cover();
    const [first] = told.nests;
    byId("who").textContent = first ? [first.shift && `shift ${first.shift}`, first.operator].filter(Boolean).join(" · ") : "";
    byId("due").textContent = first ? first.due : "";
    const wants = told.nests.find((state) => state.wants_details && state.run_id);
    if (wants) openDetails(wants.run_id); else closeDetails();
  };
  const lose = () => {
    byId("lost").hidden = false;
    for (const nest of nests.values()) {
      nest.state = null;
      nest.element.dataset.state = "none";
      nest.element.querySelector(".word").replaceChildren();
      for (const part of [".serial", ".says", ".act", ".note", ".doing"]) nest.element.querySelector(part).textContent = "";
    }
    closeDetails();
  };
  const openDetails = (run) => {
    const frame = byId("details").querySelector("iframe"), address = `/runs/${encodeURIComponent(run)}`;
    if (frame.getAttribute("src") !== address) frame.setAttribute("src", address);
    byId("details").querySelector("a").href = address;
    byId("details").hidden = false;
  };
  const closeDetails = () => {
    if (byId("details").hidden) return;
    byId("details").hidden = true;
    byId("details").querySelector("iframe").removeAttribute("src");
    window.focus();
  };
  byId("close").addEventListener("click", () => send("LINE-BACK"));
  for (const nest of nests.values()) nest.element.addEventListener("dblclick", () => nest.state && nest.state.run_id && send("LINE-DETAILS"));

  const seconds = (value) => (value === null || value === undefined ? "–" : `${value.toFixed(1)} s`);
  const count = (figures) => {
    if (figures.units === undefined) return;
    const share = figures.yield === null ? "–" : `${(100 * figures.yield).toFixed(1)} %`;
    const units = `${figures.units} unit${figures.units === 1 ? "" : "s"}`;
    const target = figures.takt_target === null ? "" : `, target ${seconds(figures.takt_target)}`;
    byId("counts").textContent = `${figures.span}: ${units} · first pass ${share} · takt ${seconds(figures.takt_last)}, median ${seconds(figures.takt_median)}${target}`;
    byId("last").replaceChildren(...figures.last.map((run) => {
      const item = document.createElement("li");
      const word = document.createElement("b");
      word.textContent = run.state;
      item.replaceChildren(word, ` ${run.serial}${run.cause ? `: ${run.cause}` : ""}`);
      item.title = item.textContent;
      return item;
    }));
  };

  const listen = () => {
    if (source) source.close();
    const operate = location.pathname === "/watch" ? 0 : 1;
    source = new EventSource(`/events?operate=${operate}&key=${encodeURIComponent(key)}`);
    source.addEventListener("role", (event) => {
      const told = JSON.parse(event.data);
      operates = told.role === "operates";
      page = told.page;
      if (operates) { key = told.key; sessionStorage.setItem("key", key); }
      byId("role").textContent = operates ? "" : "This page watches: another one operates the station";
    });
    source.addEventListener("beat", () => { heard = performance.now(); });
    source.addEventListener("shift", (event) => count(JSON.parse(event.data)));
    source.onmessage = (event) => show(JSON.parse(event.data));
    source.onerror = () => {
      source.close();
      lose();
      setTimeout(listen, 1000);
    };
  };

  let sending = Promise.resolve();
  const send = (text) => {
    sending = sending.then(async () => {
      const told = {key: operates ? key : "", page, text: text.slice(0, MAX_SCAN)};
      try {
        const answer = await fetch("/scan", {method: "POST", body: JSON.stringify(told), headers: {"Content-Type": "application/json"}, signal: AbortSignal.timeout(4000)});
        missed = answer.ok ? null : {serial: text.slice(0, 64), says: (await answer.json()).why, act: ""};
        /* Who only watches sees it for a while, and then what he watches. */
        if (answer.status === 409) setTimeout(() => { missed = null; cover(); }, WATCHER_TOLD_MS);
      } catch (error) {
        missed = {serial: text.slice(0, 64), says: "The scan did not arrive.", act: "Scan it again."};
      }
      cover();
    });
  };
  /* A scan that did not arrive, or is no nest's, covers the verdict before it: that is not this unit's. */
  let missed = null, unplaced = null;
  const cover = () => {
    const told = missed || unplaced;
    byId("missed").hidden = !told;
    if (!told) return;
    for (const [part, text] of [[".whose", told.serial], [".why", told.says], [".todo", told.act]]) byId("missed").querySelector(part).textContent = text;
  };
  let saying = 0;
  const say = (text) => {
    byId("typed").textContent = text;
    clearTimeout(saying);
    saying = setTimeout(() => { byId("typed").textContent = ""; }, 5000);
  };

  /* What is scanned arrives whatever has the focus, with Enter, with Tab or with neither at its end. */
  let typed = "", began = 0, last = 0, ending = 0;
  const end = () => {
    clearTimeout(ending);
    const text = typed;
    typed = "";
    if (text) { byId("typed").textContent = ""; send(text); }
  };
  const isScanner = () => typed.length > 2 && (last - began) / (typed.length - 1) < SCANNER_GAP_MS;
  const add = (text) => {
    const now = performance.now();
    if (!typed) began = now;
    last = now;
    typed = (typed + text).slice(0, MAX_SCAN);
    clearTimeout(ending);
    ending = setTimeout(() => {
      if (isScanner() && !needsEnd) { end(); return; }
      byId("typed").textContent = needsEnd ? `${typed} – waits for Enter` : typed;
      ending = setTimeout(() => {
        typed = "";
        say("A scan had no end and was not taken. Scan it again; if that does not help, set the scanner to send Enter.");
      }, TYPED_ENDS_MS);
    }, SCAN_ENDS_MS);
  };
  window.addEventListener("keydown", (event) => {
    const {key: name} = event;
    if (name === "Enter" || name === "Tab") { event.preventDefault(); event.stopPropagation(); end(); return; }
    if (event.metaKey || (event.ctrlKey !== event.altKey && name.length === 1)) {
      if (event.ctrlKey && name === "]") add("\u001d");
      return;
    }
    const text = name === "Dead" ? "\ufffd" : [...name].length === 1 ? name : "";
    if (name === "Backspace") { typed = typed.slice(0, -1); byId("typed").textContent = typed; return; }
    if (!text) return;
    event.preventDefault();
    event.stopPropagation();
    add(text);
  }, true);
  window.addEventListener("paste", (event) => {
    event.preventDefault();
    for (const line of event.clipboardData.getData("text").split(/[\r\n\t]+/).filter(Boolean).slice(0, 1)) send(line);
  });
  /* The page of a run is inert, so that it never has the keys; what turns the wheel is told to it. */
  byId("details").addEventListener("wheel", (event) => {
    const {contentWindow} = byId("details").querySelector("iframe");
    if (contentWindow) contentWindow.scrollBy(0, event.deltaY);
  }, {passive: true});

  const clock = () => {
    byId("clock").textContent = new Intl.DateTimeFormat(undefined, {dateStyle: "short", timeStyle: "medium"}).format(new Date()) + " " +
      new Intl.DateTimeFormat(undefined, {timeZoneName: "short"}).formatToParts(new Date()).find((part) => part.type === "timeZoneName").value;
    if (performance.now() - heard > SILENT_MS) lose();
    for (const nest of nests.values()) move(nest);
  };
  setInterval(clock, 250);
  window.addEventListener("resize", () => { for (const nest of nests.values()) if (nest.state) showNest(nest, nest.state); });
  clock();
  listen();
})();
