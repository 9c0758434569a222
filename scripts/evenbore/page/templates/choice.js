// --- the sentence that decides: the one made for the buyer and the budget chosen ---------------------------------
(() => {
  const byId = (id) => document.getElementById(id);
  const [buyer, budget] = [byId("buyer"), byId("budget")];
  if (!buyer) return;
  const data = JSON.parse(byId("choice-data").textContent);
  const pictures = document.querySelectorAll("figure.value svg");
  const show = () => {
    const most = budget && budget.value !== "" && Number(budget.value) >= 0 ? Number(budget.value) : null;
    const made = data[buyer.value].map((steps) => steps.filter(([from]) => most === null || from <= most).at(-1).slice(1));
    ["choices", "beside"].forEach((place, k) => { byId(place).innerHTML = made.map((texts) => texts[k]).join(""); });
    for (const choice of byId("choices").querySelectorAll(".choice")) {
      const [within, any] = [choice.querySelector(".with-budget"), choice.querySelector(".any-budget")];
      if (!within) continue;
      [within.hidden, any.hidden] = [most === null, most !== null];
      within.querySelector(".budget").textContent = budget.value;
    }
    if (budget) byId("buyer-cost").textContent = `${buyer.selectedOptions[0].dataset.cost.replace(/^./, (c) => c.toUpperCase())}.`;
    const taken = new Set([...document.querySelectorAll(".choice")].map((choice) => choice.dataset.instrument));
    for (const svg of pictures) {
      for (const point of svg.querySelectorAll(".point")) point.classList.toggle("taken", taken.has(point.dataset.instrument));
      const line = svg.querySelector(".budget-line");
      if (!line) continue;
      const [low, high, left, right] = svg.dataset.scale.split(" ").map(Number);
      const at = left + ((right - left) * ((most ?? low) - low)) / (high - low);
      line.setAttribute("visibility", most !== null && at >= left && at <= right ? "visible" : "hidden");
      for (const end of ["x1", "x2"]) line.setAttribute(end, at);
    }
    document.dispatchEvent(new CustomEvent("buyer", { detail: buyer.value }));
  };
  for (const kind of ["input", "change"]) byId("buyer-form").addEventListener(kind, show);
  byId("buyer-form").addEventListener("submit", (event) => event.preventDefault());
  show();
})();
