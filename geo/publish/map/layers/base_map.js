// A base map from the network, where the county names one. It is off at every opening, is no part
// of the view's address and of its picture: no request is made until somebody switches it on.
const baseMap = (() => {
  const { el } = dom;

  const layerOf = (map, told) =>
    L.tileLayer(told.address, {
      minZoom: map.getMinZoom(), maxZoom: map.getMaxZoom(), maxNativeZoom: told.closest, referrerPolicy: "no-referrer",
    });

  // The switch goes to the end of ``node``; whose map it is stands beside it and on the map.
  const offer = (map, told, node) => {
    if (!told) return;
    const credit = el("p", { class: "base-credit" }, `Base map: ${told.attribution}`);
    const row = el("div", { class: "layer base-map not-drawn" },
      el("label", { class: "tick" }, dom.tick({ id: "show-base-map" }, (on) => show(on)), el("span", {}, `Online base map (makes requests to ${told.host})`)),
      el("p", { class: "base-told" }, told.attribution));
    let layer = null;
    const show = (on) => {
      layer ??= layerOf(map, told);
      if (on) layer.addTo(map);
      else layer.remove();
      row.classList.toggle("not-drawn", !on);
      map.getContainer().classList.toggle("has-base-map", on);
      if (on) map.getContainer().append(credit);
      else credit.remove();
    };
    node.append(row);
  };

  return Object.freeze({ offer });
})();
