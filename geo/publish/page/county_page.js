// Puts the page together; the only script that starts anything.
const countyPage = (() => {
  const { byId, el } = dom;
  const readJson = (id) => JSON.parse(byId(id).textContent);

  const fillHead = (data) => {
    if (data.county.name) byId("county-name").textContent = data.county.name;
    byId("county-day").textContent = data.asOf ? `Inspection order as of ${data.asOf}` : "Inspection order";
    byId("invented").hidden = !data.county.invented;
    byId("caution").textContent = data.words.caution;
    const told = [...data.notes, ...data.problems];
    dom.fill(byId("notes-body"),
      told.length ? el("ul", {}, told.map((note) => el("li", {}, note)))
        : el("p", {}, "Nothing was reported missing. What is not on record is still not on this map."),
      el("p", { class: "small" }, data.words.safety),
      el("p", { class: "small" }, `${data.madeBy}; map drawn with Leaflet ${L.version}.`));
  };

  // Choosing a unit: panel, map, list and address follow.
  const choosingUnits = (model, map, view) => {
    const { data } = model;
    let cameFrom = byId("search");

    // The address names the unit, so that a page can be opened at it; a frame in a notebook has none.
    const remember = (id) => {
      if (!/^(file|https?):$/.test(location.protocol)) return;
      history.replaceState(null, "", id === null ? location.href.split("#")[0] : `#unit=${encodeURIComponent(id)}`);
    };

    const choose = async (row, from, { move = true, focus = true } = {}) => {
      model.chosen = row;
      cameFrom = from;
      byId("legend").open = false; // the map gets smaller, and it would hide what was chosen
      await model.readDetails(row);
      if (model.chosen !== row || !model.hasDetails(row)) return; // another was chosen meanwhile, or none
      const place = model.hasPlace(row) ? view.latLngOf(row) : null;
      const title = panel.show(byId("unit"), model, row, {
        onClose: close,
        onCentre: () => view.centre(row),
        position: place && `${place.lat.toFixed(6)}, ${place.lng.toFixed(6)}`,
      });
      byId("page").classList.add("has-unit");
      map.invalidateSize({ pan: false });
      if (place) (move ? view.centre : view.keepInSight)(row);
      view.redrawUnits();
      finder.mark(model);
      remember(data.units.id[row]);
      if (focus) title.focus();
    };

    const close = () => {
      if (model.chosen === null) return;
      model.chosen = null;
      byId("unit").hidden = true;
      byId("page").classList.remove("has-unit");
      map.invalidateSize({ pan: false });
      view.redrawUnits();
      finder.mark(model);
      remember(null);
      (cameFrom.isConnected ? cameFrom : byId("search")).focus();
    };

    const recall = () => {
      const named = /^#unit=(.+)$/.exec(location.hash);
      let id = null;
      try {
        id = named && decodeURIComponent(named[1]);
      } catch {
        return; // not an address of ours
      }
      const row = data.units.id.indexOf(id);
      if (row >= 0) choose(row, byId("search"), { focus: false });
    };

    return { choose, close, recall };
  };

  const listenToMap = (model, map, view, { choose }) => {
    const name = byId("map-name");
    map.on("click", (event) => {
      const row = view.nearest(event.latlng, unitLayer.radius(map.getZoom()) + 8);
      if (row >= 0) choose(row, map.getContainer(), { move: false });
    });
    map.on("mousemove", (event) => {
      const row = view.nearest(event.latlng, unitLayer.radius(map.getZoom()) + 5);
      name.hidden = row < 0;
      map.getContainer().classList.toggle("over-unit", row >= 0);
      if (row < 0) return;
      name.textContent = model.data.units.id[row];
      const at = map.latLngToContainerPoint(view.latLngOf(row));
      name.style.left = `${at.x}px`;
      name.style.top = `${at.y}px`;
    });
    map.on("mouseout zoomstart", () => { name.hidden = true; });
    map.getContainer().addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || event.target !== map.getContainer()) return;
      const row = view.nearest(map.getCenter(), Infinity);
      if (row >= 0) choose(row, map.getContainer(), { move: false });
    });
  };

  let open = null; // the model of the page, once it is there

  // The map at once, so that others can add to it; what it shows as soon as it is unpacked.
  const start = (nodeId) => {
    const data = readJson("page-data");
    const map = L.map(nodeId, { attributionControl: false, zoomSnap: 0.25, maxZoom: 20, minZoom: 3 });
    fillHead(data);
    mapView.lookAtAll(map, data);
    if (unpack.isPossible) fill(map, data);
    else byId("cannot").hidden = false;
    return map;
  };

  const fill = async (map, data) => {
    const canvases = {};
    const model = await unitModel.build(data, (name) => canvases[name]());
    const view = mapView.make(model, map);
    const units = choosingUnits(model, map, view);
    Object.assign(canvases, { ground: view.redrawGround, units: view.redrawUnits });
    model.box = view.box;

    const rested = () => {
      legend.zoomed(byId("legend-rows"), map.getZoom());
      if (model.inViewOnly && !byId("search").value.trim()) finder.refresh(model, units.choose);
    };
    const refilter = () => {
      model.filter();
      view.redrawUnits();
      finder.refresh(model, units.choose);
      rested();
    };
    const showLegend = () => {
      legend.show(byId("legend-rows"), model, view.colours(), toggle, closer);
      rested();
    };
    const closer = (entry) => {
      map.setZoom(entry.fromZoom, { animate: false });
      byId(`show-${entry.name}`).focus();
    };
    const toggle = (entry, on) => {
      entry.on = on;
      if (model.pictures.includes(entry)) view.showPicture(entry);
      else if (model.extras.includes(entry)) view.redrawUnits();
      else view.redrawGround();
      showLegend();
      const tick = byId(`show-${entry.name}`);
      tick.focus();
      tick.closest(".layer").scrollIntoView({ block: "nearest" });
      let step = tick.closest(".layer").nextElementSibling; // what its colours mean must be seen too
      for (; step && step.classList.contains("step"); step = step.nextElementSibling) step.scrollIntoView({ block: "nearest" });
    };
    const beside = () => (byId("legend").open && map.getSize().x > 900 ? byId("legend").offsetWidth + 10 : 0);

    finder.start(model, { onFilter: refilter, onChoose: units.choose });
    byId("legend").open = map.getSize().x > 700;
    legend.show(byId("legend-rows"), model, view.colours(), toggle, closer);
    mapView.lookAtAll(map, data, beside());
    view.drawFirst();
    finder.refresh(model, units.choose);
    rested();

    map.on("moveend", rested);
    map.on("painted", () => { byId("left-out").hidden = !model.leftOut; });
    listenToMap(model, map, view, units);
    printing.listen(map, view, showLegend);
    document.addEventListener("keydown", (event) => { if (event.key === "Escape") units.close(); });
    byId("whole").addEventListener("click", () => mapView.lookAtAll(map, data, beside()));
    window.addEventListener("hashchange", units.recall);
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
      view.recolour();
      showLegend();
    });
    units.recall();
    open = model;
    performance.mark("open");
  };

  return Object.freeze({ start, model: () => open });
})();
