// What changes while the page is put on paper: one landscape page with the map and all it needs.
const printing = (() => {
  const { byId, el } = dom;

  const furnish = (model, map) => {
    dom.fill(byId("paper-side"), model.paper.box(), el("div", { class: "paper-scale" }, furniture.scaleBar(map), furniture.north()));
    dom.fill(byId("paper-foot"), furniture.lines(model).map((line) => el("p", {}, line)));
  };

  // Whether legend and unit would run into each other beside the map: inches by rows and lines, as
  // nothing can be measured on paper.
  const isTight = () => {
    const rows = document.querySelectorAll("#legend-rows .layer:not(.not-drawn), #legend-rows .step, #legend-rows .legend-group:not(.not-drawn)").length;
    const lines = [...byId("paper-side").querySelectorAll("p, li")].reduce((sum, { textContent: { length } }) => sum + Math.ceil(length / 44), 0);
    return 0.135 * rows + 0.15 * lines > 5.2;
  };

  // Of what the screen showed the part where there is anything, so that it fills the sheet.
  const filled = (box, all) => {
    const west = Math.max(box.getWest(), all.getWest());
    const east = Math.min(box.getEast(), all.getEast());
    const south = Math.max(box.getSouth(), all.getSouth());
    const north = Math.min(box.getNorth(), all.getNorth());
    return west < east && south < north ? L.latLngBounds([south, west], [north, east]) : box;
  };

  // On paper everything folded is open, and the map shows what the screen showed.
  const listen = (model, map, view, showLegend) => {
    let before = null;
    const begin = () => {
      if (before) return;
      const folded = [...document.querySelectorAll("#legend:not([open])")];
      before = { folded, center: map.getCenter(), zoom: map.getZoom(), box: map.getBounds(), isReady: map.isReady };
      map.isReady = false; // the view is not another one
      for (const details of folded) details.open = true;
      document.documentElement.classList.add("printing");
      map.invalidateSize({ pan: false });
      map.fitBounds(filled(before.box, mapView.extentOf(model.data)), { animate: false });
      model.zoom = map.getZoom();
      view.paint();
      showLegend();
      furnish(model, map);
      document.documentElement.classList.toggle("tight", isTight());
    };
    const end = () => {
      if (!before) return;
      for (const details of before.folded) details.open = false;
      document.documentElement.classList.remove("printing");
      map.invalidateSize({ pan: false });
      map.setView(before.center, before.zoom, { animate: false });
      model.zoom = map.getZoom();
      map.isReady = before.isReady;
      view.paint();
      showLegend();
      before = null;
    };
    window.addEventListener("beforeprint", begin);
    window.addEventListener("afterprint", end);
    window.matchMedia("print").addEventListener("change", (event) => (event.matches ? begin() : end()));
  };

  return Object.freeze({ listen });
})();
