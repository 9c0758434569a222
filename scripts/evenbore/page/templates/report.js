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

  // --- folded parts are unfolded for print ------------------------------------------------------------------
  let folded = [];
  addEventListener("beforeprint", () => {
    folded = Array.from(document.querySelectorAll(".instrument details:not([open])"));
    folded.forEach((part) => { part.open = true; });
  });
  addEventListener("afterprint", () => folded.forEach((part) => { part.open = false; }));
})();
