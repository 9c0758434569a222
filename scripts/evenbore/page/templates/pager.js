// --- long tables and lists, a page of them at a time ----------------------------------------------------------
// Returns a function (all, found): of all items those found are shown, `most` at a time. `shown` is told which.
const pager = (anchor, most, shown = () => {}) => {
  const box = document.createElement("p");
  box.className = "filters pager";
  const button = (text) => Object.assign(document.createElement("button"), { type: "button", textContent: text });
  const [back, on] = [button("Previous"), button("Next")];
  const told = document.createElement("span");
  told.setAttribute("role", "status");
  box.append(back, on, told);
  anchor.before(box);
  let [first, all, found] = [0, [], []];
  const turn = (to) => {
    first = to;
    const page = new Set(found.slice(first, first + most));
    for (const item of all) item.hidden = !page.has(item);
    [back.disabled, on.disabled] = [first === 0, first + most >= found.length];
    told.textContent = found.length ? `${first + 1} to ${first + page.size} of ${found.length}` : "none";
    shown(page);
  };
  back.addEventListener("click", () => turn(first - most));
  on.addEventListener("click", () => turn(first + most));
  return (items, those) => {
    [all, found] = [items, those];
    turn(0);
  };
};

// What is drawn late moves what stands below it: who came by a link lands once more, unless already on the way elsewhere.
let moving = false;
for (const kind of ["wheel", "touchmove", "keydown", "pointerdown"]) {
  addEventListener(kind, () => { moving = true; }, { once: true, passive: true });
}
const landAgain = () => {
  if (!moving) document.getElementById(location.hash.slice(1))?.scrollIntoView({ behavior: "instant" });
};

// A button that opens the meaning of a word in place, as the macro `what` makes them.
const whatButton = (word) => {
  const made = Object.assign(document.createElement("button"), { type: "button", className: "what", textContent: "?" });
  made.setAttribute("popovertarget", `w-${word.replace(/[^A-Za-z0-9]+/g, "-").replace(/^-|-$/g, "")}`);
  made.setAttribute("aria-label", `What is ${word}?`);
  return made;
};

// A meaning opens beside the button that was pressed, within the window.
let asked = null;
document.addEventListener("click", (event) => { asked = event.target.closest?.(".what") ?? asked; }, true);
document.addEventListener("toggle", ({ target: opened, newState }) => {
  if (newState !== "open" || !asked || !opened.matches("[popover]")) return;
  const [at, size] = [asked.getBoundingClientRect(), opened.getBoundingClientRect()];
  opened.style.left = `${Math.max(8, Math.min(at.left, document.documentElement.clientWidth - size.width - 8))}px`;
  opened.style.top = `${at.bottom + size.height + 8 < innerHeight ? at.bottom + 4 : Math.max(8, at.top - size.height - 4)}px`;
}, true);

const holds = (text, wanted) => text.toLocaleLowerCase().includes(wanted.trim().toLocaleLowerCase());

// Lists that the template marks with their longest page get a field to search them by.
for (const list of document.querySelectorAll("[data-most][data-name]")) {
  const items = Array.from(list.children);
  const most = Number(list.dataset.most);
  if (items.length <= most) continue;
  const anchor = list.closest(".scroll") ?? list;
  const field = Object.assign(document.createElement("input"), { type: "search", autocomplete: "off" });
  const label = document.createElement("label");
  label.append(`Find in these ${items.length} ${list.dataset.name} `, field);
  const form = document.createElement("p");
  form.className = "filters";
  form.append(label);
  anchor.before(form);
  const turn = pager(anchor, most);
  const find = () => turn(items, items.filter((item) => holds(item.textContent, field.value)));
  field.addEventListener("input", find);
  find();
}
