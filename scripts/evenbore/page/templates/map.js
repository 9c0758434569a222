// --- the map of all notes ---------------------------------------------------------------------------------------
(async () => {
  const byId = (id) => document.getElementById(id);
  if (!byId("map-data")) return;
  const data = JSON.parse(byId("map-data").textContent);
  const SVG = "http://www.w3.org/2000/svg";
  const NARROW = 700; // px
  const MISSING = -32768;
  const [count, size, most] = [data.instruments.length, data.notes.length, data.most];
  const draw = (parent, tag, attributes, text) => {
    const made = document.createElementNS(SVG, tag);
    Object.entries(attributes).forEach(([name, value]) => made.setAttribute(name, value));
    if (text !== undefined) made.textContent = text;
    parent.append(made);
    return made;
  };
  const [numbers, harmonics, words] = await Promise.all([
    unpackedNumbers(data.numbers), unpackedNumbers(data.harmonics), unpackedBytes(data.texts),
  ]);
  const texts = JSON.parse(new TextDecoder().decode(words));
  const found = new Set(data.found.map(String));
  // of a way to compare, a measure and a note: the difference (what 0) or half its interval (1), null if not measured
  const value = (way, measure, what, i, n) => {
    const tenths = numbers[(((way * data.measures.length + measure) * 2 + what) * count + i) * size + n];
    return tenths === MISSING ? null : tenths / 10;
  };
  const harmonic = (i, n, h) => {
    const at = ((i * size + n) * most + h) * 2;
    return harmonics[at] === MISSING ? null : [harmonics[at] / 10, harmonics[at + 1] === MISSING ? null : harmonics[at + 1] / 10];
  };
  const figure = (number, digits) => number.toFixed(digits).replace("-", "−");
  const signed = (number, unit) => `${number > 0 ? "+" : ""}${figure(number, unit === "dB" ? 1 : 0)} ${unit}`;
  const limit = (way, measure) => {
    const all = [];
    for (let i = 0; i < count; i++) for (let n = 0; n < size; n++) all.push(Math.abs(value(way, measure, 0, i, n) ?? 0));
    all.sort((a, b) => a - b);
    return Math.max(all[Math.floor(0.98 * (all.length - 1))], 2 * data.measures[measure][2]);
  };
  const shown = () => data.kinds.filter(([, members]) => members.length)[Number(byId("map-kind")?.value ?? 0)][1];
  const noteName = (n) => data.notes[n][0];

  // --- the grid: instruments down and notes across, the other way round on a narrow screen -------------------
  let [chosen, cells, box] = [null, new Map(), null];
  const key = (i, n) => `${i},${n}`;
  const words_of = (way) => byId("map-way").options[way].text;
  const redraw = () => {
    const [way, measure] = [Number(byId("map-way").value), Number(byId("map-measure").value)];
    const [title, unit, step, high, low] = data.measures[measure];
    const members = shown();
    const notes = data.notes.map((_, n) => n).filter((n) => members.some((i) => texts[i][n]));
    const grid = byId("map-grid");
    const room = grid.parentElement.clientWidth;
    const narrow = room < NARROW;
    const [rows, columns] = narrow ? [notes, members] : [members, notes];
    const rowName = (k) => (narrow ? noteName(k) : data.instruments[k][1]);
    const columnName = (k) => (narrow ? data.instruments[k][1] : noteName(k));
    const left = narrow ? 36 : 110;
    const top = narrow ? 84 : 40;
    const width = Math.max(24, Math.min(narrow ? 40 : 48, (room - left - 2) / columns.length));
    const height = narrow ? 26 : 30;
    const widest = limit(way, measure);
    const focused = grid.contains(document.activeElement);
    const svg = document.createElementNS(SVG, "svg");
    const across = left + width * columns.length + 1;
    Object.entries({ width: across, height: top + height * rows.length + 1, class: "map" }).forEach(([name, text]) => svg.setAttribute(name, text));
    const short = (text, letters) => (text.length > letters ? `${text.slice(0, letters - 1)}…` : text);
    const head = draw(svg, "g", { role: "row" });
    columns.forEach((k, c) => {
      const at = left + width * (c + 0.5);
      draw(head, "text", { role: "columnheader", transform: `translate(${at + 4} ${top - 5}) rotate(-90)` }, short(columnName(k), 11));
    });
    cells = new Map();
    rows.forEach((k, r) => {
      const row = draw(svg, "g", { role: "row" });
      draw(row, "text", { role: "rowheader", x: left - 6, y: top + height * (r + 0.5) + 4, "text-anchor": "end" }, short(rowName(k), narrow ? 4 : 14));
      columns.forEach((l, c) => {
        const [i, n] = narrow ? [l, k] : [k, l];
        const known = value(way, measure, 0, i, n);
        const [x, y] = [left + width * c, top + height * r];
        const sort = known === null ? "none" : Math.abs(known) < step ? "level" : known > 0 ? "more" : "less";
        const cell = draw(row, "g", {
          role: "gridcell", tabindex: -1, class: `cell ${sort}`,
          "aria-label": `${data.instruments[i][1]}, ${noteName(n)}: ${known === null ? "not measured" : signed(known, unit)}${found.has(key(i, n)) ? ", found beyond chance" : ""}`,
        });
        draw(cell, "rect", { class: "field", x, y, width, height });
        if (known === null) draw(cell, "text", { class: "nothing", x: x + width / 2, y: y + height / 2 + 4, "text-anchor": "middle" }, "·");
        else {
          const size = (Math.min(Math.abs(known) / widest, 1) * (height - 4)) / 2;
          const middle = y + height / 2;
          draw(cell, "rect", { class: "stick", x: x + width * 0.25, width: width * 0.5, y: known > 0 ? middle - size : middle, height: Math.max(size, 1) });
        }
        if (found.has(key(i, n))) draw(cell, "path", { class: "mark", d: `M${x + width - 6} ${y + 2}l4 4l-4 4l-4 -4z` });
        cells.set(key(i, n), { cell, r, c, i, n });
      });
    });
    box = { rows, columns, narrow };
    grid.replaceChildren(svg);
    const current = cells.get(chosen && key(...chosen)) ?? cells.values().next().value;
    if (current) {
      current.cell.setAttribute("tabindex", 0);
      if (chosen) current.cell.classList.add("chosen");
      if (focused) current.cell.focus();
    }
    byId("map-scale-words").textContent = `Full bar: ${signed(widest, unit)} ${high}, or as much ${low}, against ${words_of(way)}. Filled: at least ${figure(step, 0)} ${unit}, what is just noticed.`;
  };

  // --- the note chosen --------------------------------------------------------------------------------------
  const spectrum = (i, n) => {
    const out = byId("map-harmonics");
    const width = Math.min(out.clientWidth || byId("map-note").clientWidth, 760);
    const height = 240;
    const [left, right, top, bottom] = [34, width - 6, 10, height - 34];
    const [floor, ceiling] = [-60, 0];
    const heard = [...Array(most).keys()].filter((h) => harmonic(i, n, h) !== null);
    byId("map-figure").hidden = !heard.length;
    if (!heard.length) return;
    const last = Math.max(...heard) + 1;
    const x = (h) => left + ((right - left) * (h + 0.5)) / last;
    const y = (level) => top + ((bottom - top) * (ceiling - Math.max(level, floor))) / (ceiling - floor);
    const svg = document.createElementNS(SVG, "svg");
    Object.entries({ width, height, role: "img", "aria-label": `Harmonics of ${noteName(n)} of ${data.instruments[i][1]}: ${heard.slice(0, 8).map((h) => `${h + 1}: ${figure(harmonic(i, n, h)[0], 0)} dB`).join(", ")}` })
      .forEach(([name, text]) => svg.setAttribute(name, text));
    for (let level = ceiling; level >= floor; level -= 20) {
      draw(svg, "line", { class: "grid", x1: left, x2: right, y1: y(level), y2: y(level) });
      draw(svg, "text", { class: "tick", x: left - 5, y: y(level) + 4, "text-anchor": "end" }, figure(level, 0));
    }
    const gap = (right - left) / last;
    const peers = shown().filter((k) => k !== i);
    const [before, after] = [n - 1, n + 1].map((k) => (data.notes[k]?.[1] === data.notes[n][1] ? k : null));
    for (let h = 0; h < last; h++) {
      if (last < 14 || h % 2 === 0) draw(svg, "text", { class: "tick", x: x(h), y: bottom + 15, "text-anchor": "middle" }, h + 1);
      for (const k of peers) {
        const theirs = harmonic(k, n, h);
        if (theirs) draw(svg, "line", { class: "peer", x1: x(h) - gap * 0.3, x2: x(h) + gap * 0.3, y1: y(theirs[0]), y2: y(theirs[0]) });
      }
      for (const k of [before, after]) {
        const beside = k === null ? null : harmonic(i, k, h);
        if (beside) draw(svg, "path", { class: "beside", d: `M${x(h) + gap * (k < n ? -0.28 : 0.28)} ${y(beside[0]) - 4}l4 4l-4 4l-4 -4z` });
      }
      const own = harmonic(i, n, h);
      if (!own) continue;
      draw(svg, "line", { class: "stem", x1: x(h), x2: x(h), y1: y(own[0]), y2: bottom });
      if (own[1] !== null) draw(svg, "line", { class: "whisker", x1: x(h), x2: x(h), y1: y(own[0] - own[1]), y2: y(own[0] + own[1]) });
      draw(svg, "circle", { class: "dot", cx: x(h), cy: y(own[0]), r: 4 });
    }
    draw(svg, "text", { class: "tick", x: right, y: height - 4, "text-anchor": "end" }, "harmonic");
    out.replaceChildren(svg);
  };
  const tell = (i, n) => {
    const [name, label] = data.instruments[i];
    const link = Object.assign(document.createElement("a"), { href: `#i-${name}` });
    link.append(Object.assign(document.createElement("bdi"), { textContent: label }));
    byId("map-title").replaceChildren(`${noteName(n)} of `, link);
    byId("map-text").textContent = texts[i][n] || "Not measured on this note.";
    const table = document.createElement("table");
    const head = table.createTHead().insertRow();
    for (const title of ["", ...Array.from(byId("map-way").options, (option) => `against ${option.text}`)]) {
      head.append(title ? Object.assign(document.createElement("th"), { scope: "col", textContent: title }) : document.createElement("td"));
    }
    const body = table.createTBody();
    data.measures.forEach(([title, unit], measure) => {
      const row = body.insertRow();
      row.append(Object.assign(document.createElement("th"), { scope: "row", textContent: title }));
      for (const way of [0, 1]) {
        const [known, half] = [0, 1].map((what) => value(way, measure, what, i, n));
        row.insertCell().textContent = known === null ? "not known" : signed(known, unit) + (half === null ? "" : ` ± ${figure(half, unit === "dB" ? 1 : 0)}`);
      }
    });
    byId("map-bars").replaceChildren(table);
    spectrum(i, n);
  };
  const choose = (i, n) => {
    cells.get(chosen && key(...chosen))?.cell.classList.remove("chosen");
    chosen = [i, n];
    const { cell } = cells.get(key(i, n));
    byId("map-grid").querySelector("[tabindex='0']")?.setAttribute("tabindex", -1);
    cell.setAttribute("tabindex", 0);
    cell.classList.add("chosen");
    tell(i, n);
    listening?.playNote(data.instruments[i][0], data.instruments[i][2], noteName(n));
  };
  const cellOf = (event) => {
    const cell = event.target.closest?.(".cell");
    return [...cells.values()].find((one) => one.cell === cell);
  };
  byId("map-grid").addEventListener("click", (event) => {
    const at = cellOf(event);
    if (!at) return;
    at.cell.focus();
    choose(at.i, at.n);
  });
  byId("map-grid").addEventListener("keydown", (event) => {
    const at = cellOf(event);
    if (!at) return;
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      choose(at.i, at.n);
      return;
    }
    const { rows, columns, narrow } = box;
    const moves = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0], Home: [0, -at.c], End: [0, columns.length - 1 - at.c] };
    if (!moves[event.key]) return;
    event.preventDefault();
    const [r, c] = [at.r + moves[event.key][0], at.c + moves[event.key][1]];
    if (r < 0 || c < 0 || r >= rows.length || c >= columns.length) return;
    const next = cells.get(narrow ? key(columns[c], rows[r]) : key(rows[r], columns[c])).cell;
    at.cell.setAttribute("tabindex", -1);
    next.setAttribute("tabindex", 0);
    next.focus();
  });
  byId("map-form").addEventListener("change", (event) => event.target.id !== "map-scale" && redraw());
  byId("map-form").addEventListener("submit", (event) => event.preventDefault());

  // --- playing along ----------------------------------------------------------------------------------------
  const along = (i) => (name) => {
    for (const { cell } of cells.values()) cell.classList.remove("sounding");
    const n = data.notes.findIndex(([own]) => own === name);
    cells.get(key(i, n))?.cell.classList.add("sounding");
    byId("map-title").dataset.sounding = name ?? "";
  };
  byId("map-play")?.addEventListener("click", () => {
    const i = data.instruments.findIndex(([name]) => name === byId("map-scale").value);
    if (!cells.has(key(i, 0)) && byId("map-kind")) {
      byId("map-kind").value = data.kinds.filter(([, members]) => members.length).findIndex(([, members]) => members.includes(i));
      redraw();
    }
    listening.playScale(data.instruments[i][0], data.instruments[i][2], along(i));
  });
  byId("map-stop")?.addEventListener("click", () => listening.stop());
  let last = 0;
  new ResizeObserver(([entry]) => {
    if (Math.abs(entry.contentRect.width - last) < 2) return;
    last = entry.contentRect.width;
    const first = box === null;
    redraw();
    if (first) landAgain();
    if (chosen) spectrum(...chosen);
  }).observe(byId("map-grid").parentElement);
})();
