"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const player = document.getElementById("player"), playing = document.getElementById("playing");
  const takes = [...document.querySelectorAll("fieldset")];
  const field = (take, name) => take.querySelector(`[data-of=${name}]`);
  const fields = (take) => [...take.querySelectorAll("[data-of]")];
  const folded = (text) => text.trim().normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase();
  const column = (sheet, name) => data[sheet].columns.indexOf(name);
  const cell = (row, name) => row[column("recordings", name)];

  // Names -> ids: one that the sheet has is that instrument, another becomes an id as `new` makes them.
  const known = new Map();
  for (const row of data.instruments.rows)
    for (const name of ["label", "instrument"])
      known.set(folded(row[column("instruments", name)]), row[column("instruments", "instrument")]);
  function idOf(name, ids) {
    const plain = name.replaceAll("ß", "ss").normalize("NFKD").replace(/[^\x00-\x7f]/g, "").replace(/[^A-Za-z0-9_-]+/g, "_");
    const id = plain.replace(/^[_-]+|[_-]+$/g, "").slice(0, 80) || "instrument";
    const free = data.reserved.includes(id.toLowerCase()) ? `${id}_1` : id;
    const own = ids.get(folded(name)) ?? ids.get(free.toLowerCase()) ?? free;
    ids.set(folded(name), own).set(own.toLowerCase(), own);
    return own;
  }

  /* Rows of the recordings sheet as they are to be saved; takes without a number of their own are counted. */
  function rows() {
    const of = new Map(takes.map((take) => [Number(take.dataset.row), take]));
    const all = data.recordings.rows.map((cells, at) => ({ cells: [...cells], take: of.get(at) }))
      .filter(({ take }) => !take || !field(take, "out").checked);
    const ids = new Map(known);
    for (const { cells, take } of all) {
      if (!take) continue;
      const set = (name, value) => { cells[column("recordings", name)] = value; };
      set("instrument", idOf(field(take, "instrument").value, ids));
      for (const name of ["dynamic", "state"])
        if (field(take, name)) set(name, field(take, name).value === data.blank[name] ? "" : field(take, name).value);
      if (field(take, "sure").checked) set("confirm", "");
    }
    const used = new Map();
    const same = (cells) => {
      const key = data.together.map((name) => cell(cells, name) || data.blank[name] || "").join("\t");
      if (!used.has(key)) used.set(key, new Set());
      return used.get(key);
    };
    const fixed = ({ take }) => !take || take.dataset.numbered;
    for (const { cells, take } of all.filter(fixed)) {
      if (take) cells[column("recordings", "take")] = field(take, "take").value;
      same(cells).add(Number(cell(cells, "take")));
    }
    for (const { cells, take } of all.filter((one) => !fixed(one))) {
      let number = 1;
      while (same(cells).has(number)) number += 1;
      same(cells).add(number);
      cells[column("recordings", "take")] = field(take, "take").value = String(number);
    }
    return all;
  }

  /* Rows of the instruments sheet: those that are named, and those that were there before. */
  function instruments(all) {
    const named = new Set(all.map(({ cells }) => cell(cells, "instrument")));
    const id = column("instruments", "instrument");
    const kept = data.instruments.rows.filter((row) => named.has(row[id]) || !data.made.includes(row[id]));
    const there = new Set(kept.map((row) => row[id]));
    for (const { cells, take } of all) {
      const key = cell(cells, "instrument");
      if (there.has(key)) continue;
      there.add(key);
      const row = { instrument: key, label: field(take, "instrument").value.trim(), family: data.family[take.dataset.row] };
      kept.push(data.instruments.columns.map((name) => row[name] ?? ""));
    }
    return kept;
  }

  const quoted = (text) => (/[\t\n\r"]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);
  const sheet = (columns, body) => [columns, ...body].map((row) => row.map(quoted).join("\t") + "\n").join("");

  function show() {
    const all = rows();
    const open = takes.filter((take) => !field(take, "sure").checked && !field(take, "out").checked);
    takes.forEach((take) => take.classList.toggle("sure", !open.includes(take)));
    document.getElementById("left").textContent =
      open.length ? `${open.length} of ${takes.length} takes are not confirmed.` : `All ${takes.length} takes are confirmed.`;
    const listed = document.getElementById("instruments"), shown = new Set([...listed.options].map((one) => one.value));
    for (const take of takes) {
      const name = field(take, "instrument").value.trim();
      if (field(take, "sure").checked && name && !shown.has(name)) {
        shown.add(name);
        listed.append(new Option(name, name));
      }
    }
    return all;
  }

  const place = `evenbore naming ${data.key}`;
  function keep() {
    const values = takes.map((take) => [take.dataset.numbered || "", ...fields(take).map((one) =>
      one.type === "checkbox" ? one.checked : one.value)]);
    try { localStorage.setItem(place, JSON.stringify(values)); } catch { /* a browser that keeps nothing */ }
  }
  function restore() {
    let kept = null;
    try { kept = JSON.parse(localStorage.getItem(place)); } catch { /* nothing kept */ }
    if (!Array.isArray(kept) || kept.length !== takes.length) return;
    takes.forEach((take, at) => {
      const [numbered, ...values] = kept[at];
      if (numbered) take.dataset.numbered = numbered;
      fields(take).forEach((one, n) => {
        if (one.type === "checkbox") one.checked = values[n] === true; else one.value = values[n] ?? "";
      });
    });
  }

  function play(take) {
    player.src = take.dataset.src;
    playing.textContent = take.querySelector("legend").textContent;
    player.play().catch(() => {});
  }
  player.addEventListener("error", () => {
    const take = takes.find((one) => player.getAttribute("src") === one.dataset.src);
    playing.textContent = `This browser cannot play it. Open it in another program: ${take.dataset.at}`;
  });

  function next(take) {
    const after = takes[takes.indexOf(take) + 1];
    if (!after) return document.getElementById("recordings").focus();
    field(after, "instrument").focus();
    field(after, "instrument").select();
    play(after);
  }
  const settled = (take) => field(take, "sure").checked || field(take, "out").checked;
  /* Open takes after it, of the same file or guessed to be the same instrument, get its name, to be confirmed. */
  function carry(take) {
    const own = field(take, "instrument");
    const file = ({ dataset }) => dataset.src.split("#")[0];
    for (const after of takes.slice(takes.indexOf(take) + 1)) {
      const alike = file(after) === file(take) || field(after, "instrument").defaultValue === own.defaultValue;
      if (settled(after) || !alike) return;
      field(after, "instrument").value = own.value;
    }
  }
  /* It and all open takes directly before it are the instrument that it names. */
  function upTo(take) {
    const name = field(take, "instrument").value.trim();
    if (!name) return;
    field(take, "sure").checked = true;
    for (const before of takes.slice(0, takes.indexOf(take)).reverse()) {
      if (settled(before)) break;
      field(before, "instrument").value = name;
      field(before, "sure").checked = true;
    }
    carry(take);
    show();
    keep();
    next(take);
  }
  for (const take of takes) {
    take.querySelector(".play").addEventListener("click", () => play(take));
    take.querySelector(".upto").addEventListener("click", () => upTo(take));
    take.addEventListener("input", (event) => {
      if (event.target.dataset.of === "take") take.dataset.numbered = event.target.value ? "yes" : "";
      show();
      keep();
    });
    take.addEventListener("keydown", (event) => {
      if (event.key === "Escape") {
        if (player.paused) play(take); else player.pause();
      } else if (event.key === "Enter" && event.target.matches("input, select")) {
        event.preventDefault();
        if (event.shiftKey) return upTo(take);
        if (!field(take, "instrument").value.trim()) return;
        field(take, "sure").checked = true;
        carry(take);
        show();
        keep();
        next(take);
      }
    });
  }

  document.getElementById("all").addEventListener("click", () => {
    for (const take of takes) field(take, "sure").checked = true;
    show();
    keep();
  });

  async function give(name, text) {
    const saved = document.getElementById("saved");
    if (data.copy) {
      await navigator.clipboard.writeText(text);
      saved.textContent = `Copied: the sheet ${name}.`;
      return;
    }
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "text/tab-separated-values" }));
    link.download = data.names[name];
    link.click();
    URL.revokeObjectURL(link.href);
    saved.textContent = `Saved: ${data.names[name]}.`;
  }
  document.getElementById("recordings").addEventListener("click", () =>
    give("recordings", sheet(data.recordings.columns, rows().map(({ cells }) => cells))));
  document.getElementById("instruments-sheet").addEventListener("click", () =>
    give("instruments", sheet(data.instruments.columns, instruments(rows()))));

  for (const take of takes) if (field(take, "sure").checked) take.dataset.numbered = "yes";
  restore();
  show();
})();
