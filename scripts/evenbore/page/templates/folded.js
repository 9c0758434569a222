// --- instruments that are not written out: unpacked where they are looked for ---------------------------------
const unpackedBytes = async (text) => {
  const bytes = Uint8Array.from(atob(text), (char) => char.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
};
// Whole numbers of two bytes, packed as all low bytes and then all high bytes.
const unpackedNumbers = async (text) => {
  const planes = await unpackedBytes(text);
  const size = planes.length / 2;
  const numbers = new Int16Array(size);
  for (let k = 0; k < size; k++) numbers[k] = planes[k] | (planes[size + k] << 8);
  return numbers;
};
(() => {
  const byId = (id) => document.getElementById(id);
  if (!byId("folded-data")) return;
  const MOST = 30;
  const folded = new Map(JSON.parse(byId("folded-data").textContent).map(([name, label, packed]) => [name, { label, packed }]));

  const nameIn = (hash) => hash.startsWith("#i-") && folded.has(hash.slice(3)) && hash.slice(3);
  // Its section, at the head of those opened before.
  const open = async (name) => {
    const entry = folded.get(name);
    if (!byId(`i-${name}`)) {
      entry.text ??= unpackedBytes(entry.packed).then((bytes) => new TextDecoder().decode(bytes));
      const text = await entry.text;
      if (!byId(`i-${name}`)) byId("unfolded").insertAdjacentHTML("afterbegin", text);
    }
    const head = byId(`i-${name}`);
    head.tabIndex = -1;
    head.focus({ preventScroll: true });
    head.scrollIntoView();
  };
  addEventListener("hashchange", () => nameIn(location.hash) && open(nameIn(location.hash)));
  document.addEventListener("click", (event) => {
    const link = event.target.closest?.("a[href^='#i-']");
    // once more the same address is no change of it
    if (link && link.hash === location.hash && nameIn(link.hash)) open(nameIn(link.hash));
  });

  const find = () => {
    const found = [...folded].filter(([name, { label }]) => holds(`${label} ${name}`, byId("find-text").value));
    byId("find-list").replaceChildren(...found.slice(0, MOST).map(([name, { label }]) => {
      const link = Object.assign(document.createElement("a"), { href: `#i-${name}` });
      link.append(Object.assign(document.createElement("bdi"), { textContent: label }));
      const item = document.createElement("li");
      item.append(link);
      return item;
    }));
    byId("find-count").textContent = found.length > MOST
      ? `the next ${MOST} of ${found.length} in rank: write part of a name to see others` : `${found.length} found`;
  };
  byId("find-text").addEventListener("input", find);
  byId("find-form").addEventListener("submit", (event) => event.preventDefault());
  find();
  if (nameIn(location.hash)) open(nameIn(location.hash));
})();
