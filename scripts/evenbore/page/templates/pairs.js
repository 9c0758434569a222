// --- any two instruments: side by side, and as rows of the table of all pairs ----------------------------------
(() => {
  const byId = (id) => document.getElementById(id);

  // --- all pairs: rows are made for what is chosen ----------------------------------------------------------
  const MOST = 300;
  const data = JSON.parse(byId("pair-data").textContent);
  const out = byId("pair-table").tBodies[0];
  const choice = (id) => (byId(id).value === "" ? null : Number(byId(id).value));
  const fill = (id, texts) => texts.forEach((text, i) => byId(id).add(new Option(text, i)));
  fill("pair-criterion", data.criteria.map((entry) => entry[0]));
  fill("pair-verdict", data.verdicts);

  const figure = (value) => {
    if (value === null) return "";
    const size = Math.abs(value);
    return value.toFixed(size < 10 ? 2 : size < 100 ? 1 : 0).replace("-", "−");
  };
  const cell = (row, text, isolate) => {
    const made = row.insertCell();
    if (isolate) {
      made.append(document.createElement("bdi"));
      made.firstChild.textContent = text;
    } else {
      made.textContent = text;
    }
  };
  const showPairs = () => {
    const [first, second] = [choice("pair-a"), choice("pair-b")];
    const [criterion, verdict] = [choice("pair-criterion"), choice("pair-verdict")];
    const found = [];
    for (const row of data.rows) {
      let [a, b, c, v, difference, low, high, p, takes, reason, better] = row;
      if (criterion !== null && c !== criterion) continue;
      if (verdict !== null && v !== verdict) continue;
      if (first !== null && a !== first && b !== first) continue;
      if (second !== null && a !== second && b !== second) continue;
      // the instrument chosen first stands first, and the difference turns with it
      if ((first !== null && a !== first) || (first === null && second !== null && b !== second)) {
        [a, b] = [b, a];
        if (difference !== null) difference = -difference;
        better = -better;
        [low, high] = [high === null ? null : -high, low === null ? null : -low];
      }
      found.push([a, b, c, v, difference, low, high, p, takes, reason, better]);
    }
    out.replaceChildren();
    for (const [a, b, c, v, difference, low, high, p, takes, reason, better] of found.slice(0, MOST)) {
      const row = out.insertRow();
      const unit = data.criteria[c][1];
      cell(row, data.instruments[a], true);
      cell(row, data.instruments[b], true);
      cell(row, data.criteria[c][0]);
      cell(row, difference === null ? "" : `${figure(difference)} ${unit}`);
      cell(row, low === null ? "" : `${figure(low)} to ${figure(high)}`);
      const winner = data.verdicts[v] === "differs" && better ? data.instruments[better > 0 ? a : b] : null;
      cell(row, data.verdicts[v]);
      if (winner !== null) {
        const name = document.createElement("bdi");
        name.textContent = winner;
        row.lastChild.append(", better: ", name);
      }
      cell(row, p === null ? "" : p < 0.001 ? "< 0.001" : p.toFixed(3));
      cell(row, takes === null ? "" : String(takes));
      cell(row, reason < 0 ? "" : data.reasons[reason]);
    }
    byId("pair-count").textContent = found.length > MOST
      ? `the first ${MOST} of ${found.length}: choose an instrument to see fewer` : `${found.length} rows`;
  };
  byId("pair-filter").addEventListener("change", showPairs);
  byId("pair-filter").addEventListener("submit", (event) => event.preventDefault());
  showPairs();

  // --- two instruments on one screen ------------------------------------------------------------------------
  const more = JSON.parse(byId("compare-data").textContent);
  const [fieldA, fieldB] = [byId("compare-a"), byId("compare-b")];
  if (!fieldA) return;
  const SVG = "http://www.w3.org/2000/svg";
  const draw = (parent, tag, attributes, text) => {
    const made = document.createElementNS(SVG, tag);
    Object.entries(attributes).forEach(([name, value]) => made.setAttribute(name, value));
    if (text !== undefined) made.textContent = text;
    parent.append(made);
    return made;
  };
  const bdi = (text) => Object.assign(document.createElement("bdi"), { textContent: text });

  // The row of a pair and criterion as seen from the first instrument.
  const found = new Map(data.rows.map((row) => [row.slice(0, 3).join(), row]));
  const minus = (value) => (value === null ? null : -value);
  const seen = (a, b, c) => {
    const straight = found.get([a, b, c].join());
    if (straight) return straight;
    const row = found.get([b, a, c].join());
    if (!row) return null;
    const [, , , verdict, difference, low, high, p, takes, reason, better] = row;
    return [a, b, c, verdict, minus(difference), minus(high), minus(low), p, takes, reason, -better];
  };

  // The difference with its interval on a scale around 0; the band is what is hardly noticed.
  const bar = (cell, [, , , , difference, low, high], noticeable) => {
    if (difference === null) return;
    const widest = 1.1 * Math.max(Math.abs(difference), Math.abs(low ?? 0), Math.abs(high ?? 0), noticeable ?? 0) || 1;
    const x = (value) => 50 + (50 * value) / widest;
    const svg = draw(cell, "svg", { class: "bar", viewBox: "0 0 100 12", preserveAspectRatio: "none", "aria-hidden": "true" });
    if (noticeable !== null) {
      draw(svg, "rect", { class: "bar-band", x: x(-noticeable), width: x(noticeable) - x(-noticeable), y: 0, height: 12 });
    }
    draw(svg, "line", { class: "bar-scale", x1: 50, x2: 50, y1: 0, y2: 12 });
    if (low !== null) draw(svg, "line", { class: "bar-interval", x1: x(low), x2: x(high), y1: 6, y2: 6 });
    draw(svg, "line", { class: "bar-value", x1: x(difference), x2: x(difference), y1: 2, y2: 10 });
  };

  const measured = (row, instrument, criterion) => {
    const [value, low, high] = more.values[instrument][criterion] ?? [];
    const made = row.insertCell();
    if (!value) {
      made.append(Object.assign(document.createElement("span"), { className: "aside", textContent: "no value" }));
      return;
    }
    made.append(value);
    if (low && low !== high) {
      made.append(Object.assign(document.createElement("span"), { className: "interval", textContent: `${low} to ${high}` }));
    }
  };

  const chart = ([title, axis, [lowest, highest], values, named], curves, names) => {
    const { height, left, top, bottom, inset } = more.frame;
    const width = Math.min(more.frame.width, byId("compare-charts").clientWidth); // drawn for the screen, not shrunk
    const right = width - (more.frame.width - more.frame.right);
    const notes = curves.flat().map(([note]) => note);
    if (!notes.length) return null;
    const [first, last] = [Math.min(...notes), Math.max(...notes)];
    const x = (note) => left + inset + ((right - left - 2 * inset) * (note - first)) / Math.max(last - first, 1);
    const y = (value) => top + ((bottom - top) * (highest - value)) / (highest - lowest);
    const svg = document.createElementNS(SVG, "svg");
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", `${title} of ${names.join(" and ")} by written note, ${axis}; the numbers stand in the section of each`);
    draw(svg, "text", { class: "tick", x: 4, y: 13 }, axis);
    for (const [value, text] of values) {
      draw(svg, "line", { class: "grid", x1: left, x2: right, y1: y(value), y2: y(value) });
      draw(svg, "text", { class: "tick", x: left - 6, y: y(value) + 4, "text-anchor": "end" }, text);
    }
    const apart = Math.ceil((13 * named.length) / (right - left));
    for (const [place, [note, name]] of named.entries()) {
      if (note < first || note > last || place % apart) continue;
      draw(svg, "text", { class: "tick", transform: `translate(${x(note) + 4} ${bottom + 6}) rotate(-90)`, "text-anchor": "end" }, name);
    }
    curves.forEach((curve, k) => {
      const group = draw(svg, "g", { class: k ? "two" : "one" });
      draw(group, "polyline", { class: "curve", points: curve.map(([note, value]) => `${x(note)},${y(value)}`).join(" ") });
      for (const [note, value, low, high] of curve) {
        const at = x(note) + (k ? 1.5 : -1.5); // beside each other
        if (low !== null) draw(group, "line", { class: "whisker", x1: at, x2: at, y1: y(low), y2: y(high) });
        if (k) draw(group, "rect", { class: "dot", x: at - 3, y: y(value) - 3, width: 6, height: 6 });
        else draw(group, "circle", { class: "dot", cx: at, cy: y(value), r: 3.2 });
      }
    });
    const figure = document.createElement("figure");
    figure.className = "chart";
    const caption = document.createElement("figcaption");
    caption.append(`${title}. Circles and full line: `, bdi(names[0]), "; squares and dashed line: ", bdi(names[1]), "; whiskers: 90 % interval.");
    const scroll = document.createElement("div");
    scroll.className = "scroll";
    scroll.tabIndex = 0;
    scroll.setAttribute("role", "group");
    scroll.setAttribute("aria-label", `${title}, chart`);
    scroll.append(svg);
    figure.append(caption, scroll);
    return figure;
  };

  let sentences = null;
  const sentenceOf = async (a, b) => {
    sentences ??= unpackedBytes(more.sentences).then((bytes) => JSON.parse(new TextDecoder().decode(bytes)));
    const all = await sentences;
    return all[`${a},${b}`] ?? all[`${b},${a}`];
  };

  const compare = () => {
    const [a, b] = [Number(fieldA.value), Number(fieldB.value)];
    const names = [data.instruments[a], data.instruments[b]];
    const rows = byId("compare-table").tBodies[0];
    rows.replaceChildren();
    const [headA, headB] = byId("compare-table").querySelectorAll("[data-name]");
    headA.replaceChildren(bdi(names[0]));
    headB.replaceChildren(bdi(names[1]));
    const reasons = []; // told once, below the table
    data.criteria.forEach(([name, unit, noticeable], c) => {
      const pair = seen(a, b, c);
      if (!pair) return;
      const [, , , verdict, difference, low, high, , takes, reason, better] = pair;
      const row = rows.insertRow();
      const head = Object.assign(document.createElement("th"), { scope: "row", textContent: name });
      head.append(Object.assign(document.createElement("span"), { className: "unit", textContent: unit }));
      head.append(whatButton(name));
      row.append(head);
      const said = row.insertCell();
      measured(row, a, c);
      measured(row, b, c);
      const gap = row.insertCell();
      if (difference !== null) gap.append(figure(difference));
      if (low !== null && low !== high) gap.append(Object.assign(document.createElement("span"), { className: "interval", textContent: `${figure(low)} to ${figure(high)}` }));
      bar(gap, pair, noticeable);
      const differs = verdict === 0 && better !== 0;
      said.append(data.verdicts[verdict]);
      if (differs) said.append(", better: ", bdi(names[better > 0 ? 0 : 1]));
      if (takes !== null) said.append(`; ${takes} takes would decide`);
      if (reason >= 0) {
        if (!reasons.includes(reason)) reasons.push(reason);
        said.append(Object.assign(document.createElement("span"), { className: "note", textContent: reasons.indexOf(reason) + 1 }));
      }
    });
    byId("compare-notes").replaceChildren(...reasons.map((reason) => Object.assign(document.createElement("li"), { textContent: data.reasons[reason] })));
    const sum = byId("compare-sum");
    if (a === b || !rows.rows.length) {
      sum.textContent = a === b ? "Choose two different instruments." : "These two cannot be compared: no criterion is known of both.";
    } else {
      sentenceOf(a, b).then((text) => {
        if (Number(fieldA.value) === a && Number(fieldB.value) === b) sum.textContent = text;
      });
    }
    byId("compare-charts").replaceChildren(...(a === b ? [] : more.measures.flatMap((measure, m) => {
      const made = chart(measure, [a, b].map((i) => more.curves[m][i]), names);
      return made ? [made] : [];
    })));
  };
  byId("compare-form").addEventListener("change", compare);
  let drawn = innerWidth;
  addEventListener("resize", () => {
    if (drawn !== innerWidth) compare();
    drawn = innerWidth;
  });
  byId("compare-form").addEventListener("submit", (event) => event.preventDefault());
  byId("compare-listen")?.addEventListener("click", () => {
    for (const [field, id] of [[fieldA, "listen-a"], [fieldB, "listen-b"]]) {
      const option = [...byId(id).options].find((one) => one.dataset.instrument === more.ids[Number(field.value)]);
      if (option) byId(id).value = option.value;
    }
    byId("listen-a").dispatchEvent(new Event("change", { bubbles: true }));
    byId("listen").scrollIntoView();
    byId("listen-a").focus({ preventScroll: true });
  });
  compare();
})();
