// What changes while the page is put on paper: one landscape page with the map and all it needs.
const printing = (() => {
  const { byId, el } = dom;

  // The unit that is open, in few words.
  const unitBox = (model) => {
    if (model.chosen === null || !model.hasDetails(model.chosen)) return null;
    const { data, chosen } = model;
    const details = model.details(chosen);
    const rank = data.score && data.score.rank[chosen] !== null ? `, rank ${wording.grouped(String(data.score.rank[chosen]))}` : "";
    return el("div", { class: "paper-unit" },
      el("p", {}, el("strong", {}, data.units.id[chosen]), `: ${data.words.classes[data.units.class[chosen]]}${rank}`),
      el("ul", {}, details.reasons(details.at).slice(0, 2).map((reason) => el("li", {}, reason))));
  };

  const furnish = (model, map) => {
    dom.fill(byId("paper-side"), unitBox(model), el("div", { class: "paper-scale" }, furniture.scaleBar(map), furniture.north()));
    dom.fill(byId("paper-foot"), furniture.lines(model).map((line) => el("p", {}, line)));
  };

  // On paper everything folded is open, and the map shows what the screen showed.
  const listen = (model, map, view, showLegend) => {
    let before = null;
    const begin = () => {
      if (before) return;
      const folded = [...document.querySelectorAll("#legend:not([open])")];
      before = { folded, centre: map.getCenter(), zoom: map.getZoom(), box: map.getBounds(), isReady: map.isReady };
      map.isReady = false; // the view is not another one
      for (const details of folded) details.open = true;
      document.documentElement.classList.add("printing");
      map.invalidateSize({ pan: false });
      map.fitBounds(before.box, { animate: false });
      view.paint();
      showLegend();
      furnish(model, map);
    };
    const end = () => {
      if (!before) return;
      for (const details of before.folded) details.open = false;
      document.documentElement.classList.remove("printing");
      map.invalidateSize({ pan: false });
      map.setView(before.centre, before.zoom, { animate: false });
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
