// --- figures are unpacked when they come near, or for print --------------------------------------------------------
(() => {
  const unpack = async (picture) => {
    if (!picture.dataset.packed) return;
    const packed = picture.dataset.packed;
    delete picture.dataset.packed;
    picture.src = `data:image/svg+xml,${encodeURIComponent(new TextDecoder().decode(await unpackedBytes(packed)))}`;
    await picture.decode();
  };
  const near = new IntersectionObserver((seen) => seen.forEach(({ isIntersecting, target }) => isIntersecting && unpack(target)), { rootMargin: "800px" });
  const pictures = document.querySelectorAll("img[data-packed]");
  pictures.forEach((picture) => near.observe(picture));

  // --- print: the summary, or everything, folded parts unfolded -----------------------------------------------
  const root = document.documentElement;
  for (const button of document.querySelectorAll("[data-print]")) {
    button.addEventListener("click", async () => {
      root.classList.toggle("whole", button.dataset.print === "whole");
      if (button.dataset.print) await Promise.all([...pictures].map(unpack));
      print();
      root.classList.remove("whole");
    });
  }
  let folded = [];
  addEventListener("beforeprint", () => {
    folded = root.classList.contains("whole") ? Array.from(document.querySelectorAll(".instrument details:not([open])")) : [];
    folded.forEach((part) => { part.open = true; });
  });
  addEventListener("afterprint", () => folded.forEach((part) => { part.open = false; }));

  // --- the cards follow the buyer -----------------------------------------------------------------------------
  document.addEventListener("buyer", ({ detail }) => {
    for (const chance of document.querySelectorAll(".chance")) chance.textContent = JSON.parse(chance.dataset.chances)[detail] ?? "";
    const words = document.getElementById("buyer")?.selectedOptions[0].text;
    for (const place of document.querySelectorAll(".for-buyer")) place.textContent = words;
  });
})();
