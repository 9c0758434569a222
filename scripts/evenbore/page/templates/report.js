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
      filter();
    };
    headers.forEach((header, column) => header.querySelector("button").addEventListener("click", () => sortBy(column)));

    // bars of rows that are drawn only when they are shown: value, and low and high where there is an interval
    const SVG = "http://www.w3.org/2000/svg";
    const line = (svg, kind, x1, x2, y1, y2) => {
      const made = document.createElementNS(SVG, "line");
      Object.entries({ class: kind, x1, x2, y1, y2 }).forEach(([name, value]) => made.setAttribute(name, value));
      svg.append(made);
    };
    const drawBars = (shown) => shown.forEach((row) => row.querySelectorAll("[data-bar]").forEach((cell) => {
      const [value, low, high] = cell.dataset.bar.split(" ");
      cell.removeAttribute("data-bar");
      const svg = document.createElementNS(SVG, "svg");
      Object.entries({ class: "bar", viewBox: "0 0 100 12", preserveAspectRatio: "none", "aria-hidden": "true", focusable: "false" })
        .forEach(([name, text]) => svg.setAttribute(name, text));
      line(svg, "bar-scale", 0, 100, 6, 6);
      if (low) line(svg, "bar-interval", low, high, 6, 6);
      line(svg, "bar-value", value, value, 1, 11);
      cell.append(svg);
    }));
    const turn = table.dataset.most ? pager(table.closest(".scroll"), Number(table.dataset.most), drawBars) : null;

    const form = byId("filter");
    const filter = () => {
      const text = byId("filter-text").value.trim().toLocaleLowerCase();
      const gate = byId("filter-gate").checked;
      const most = byId("filter-cost").value === "" ? Infinity : Number(byId("filter-cost").value);
      const found = rows.filter(({ dataset: { text: own, gate: passed, cost } }) => own.toLocaleLowerCase().includes(text)
        && (!gate || passed === "pass")
        && (most === Infinity || (cost !== "" && Number(cost) <= most)));
      if (turn) {
        turn(rows, found);
        return;
      }
      const shown = new Set(found);
      for (const row of rows) row.hidden = !shown.has(row);
      byId("filter-count").textContent = found.length === rows.length ? "" : `${found.length} of ${rows.length} shown`;
    };
    form.addEventListener("input", filter);
    form.addEventListener("reset", () => setTimeout(filter));
    form.addEventListener("submit", (event) => event.preventDefault());
    if (turn) filter();
  }

  // --- simple tables: sort by a header ---------------------------------------------------------------------------
  for (const simple of document.querySelectorAll("table.sortable")) {
    const heads = Array.from(simple.tHead.rows[0].cells);
    heads.forEach((head, column) => head.querySelector("button").addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((other) => other.setAttribute("aria-sort", "none"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const text = (row) => row.cells[column].textContent.trim();
      const order = Array.from(simple.tBodies[0].rows).sort((a, b) => text(a).localeCompare(text(b)));
      simple.tBodies[0].append(...(down ? order.reverse() : order));
    }));
  }
})();
