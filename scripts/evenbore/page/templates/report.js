(() => {
  const byId = (id) => document.getElementById(id);

  // --- the comparison table: sort by a header, filter by the form -------------------------------------------
  const table = byId("comparison");
  if (table) {
    const body = table.tBodies[0];
    const rows = Array.from(body.rows);
    const headers = Array.from(table.tHead.rows[0].cells);
    const key = (row, column) => row.cells[column].dataset.sort;

    const sortBy = (column) => {
      const header = headers[column];
      const down = header.getAttribute("aria-sort") === "ascending";
      const numeric = header.hasAttribute("data-number");
      headers.forEach((other) => other.setAttribute("aria-sort", "none"));
      header.setAttribute("aria-sort", down ? "descending" : "ascending");
      rows.sort((left, right) => {
        const a = key(left, column);
        const b = key(right, column);
        if (a === "" || b === "") return (a === "") - (b === ""); // what is missing stays last
        const order = numeric ? Number(a) - Number(b) : a.localeCompare(b);
        return down ? -order : order;
      });
      body.append(...rows);
    };
    headers.forEach((header, column) => header.querySelector("button").addEventListener("click", () => sortBy(column)));

    const form = byId("filter");
    const filter = () => {
      const text = byId("filter-text").value.trim().toLocaleLowerCase();
      const gate = byId("filter-gate").checked;
      const most = byId("filter-cost").value === "" ? Infinity : Number(byId("filter-cost").value);
      let shown = 0;
      for (const row of rows) {
        const cost = row.dataset.cost;
        row.hidden = !row.dataset.text.toLocaleLowerCase().includes(text)
          || (gate && row.dataset.gate !== "pass")
          || (most < Infinity && (cost === "" || Number(cost) > most));
        shown += !row.hidden;
      }
      byId("filter-count").textContent = shown === rows.length ? "" : `${shown} of ${rows.length} shown`;
    };
    form.addEventListener("input", filter);
    form.addEventListener("reset", () => setTimeout(filter));
    form.addEventListener("submit", (event) => event.preventDefault());
  }

  // --- the pairs: rows are made for what is chosen ----------------------------------------------------------
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

  // --- folded parts are unfolded for print ------------------------------------------------------------------
  let folded = [];
  addEventListener("beforeprint", () => {
    folded = Array.from(document.querySelectorAll(".instrument details:not([open])"));
    folded.forEach((part) => { part.open = true; });
  });
  addEventListener("afterprint", () => folded.forEach((part) => { part.open = false; }));
})();
