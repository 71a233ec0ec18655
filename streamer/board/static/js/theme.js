// A plain script in the head: it runs before the first paint, so a chosen theme never flashes.
// Without a choice the system's preference decides (css: color-scheme).
(() => {
  const chosen = (() => {
    try {
      return localStorage.getItem("theme");
    } catch {
      return null; // storage may be forbidden; the system's preference then stays
    }
  })();
  if (chosen === "light" || chosen === "dark") document.documentElement.dataset.theme = chosen;
})();
