// What changes while the page is put on paper.
const printing = (() => {
  // On paper everything folded is open, and the map shows what the screen showed.
  const listen = (map, view, showLegend) => {
    let before = null;
    const begin = () => {
      if (before) return;
      const folded = [...document.querySelectorAll("details:not([open], .sources)")];
      before = { folded, centre: map.getCenter(), zoom: map.getZoom(), box: map.getBounds() };
      for (const details of folded) details.open = true;
      document.documentElement.classList.add("printing");
      map.invalidateSize({ pan: false });
      map.fitBounds(before.box, { animate: false });
      view.recolour();
      showLegend();
    };
    const end = () => {
      if (!before) return;
      for (const details of before.folded) details.open = false;
      document.documentElement.classList.remove("printing");
      map.invalidateSize({ pan: false });
      map.setView(before.centre, before.zoom, { animate: false });
      view.recolour();
      showLegend();
      before = null;
    };
    window.addEventListener("beforeprint", begin);
    window.addEventListener("afterprint", end);
    window.matchMedia("print").addEventListener("change", (event) => (event.matches ? begin() : end()));
  };

  return Object.freeze({ listen });
})();
