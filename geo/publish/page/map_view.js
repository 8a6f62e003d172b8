// Ties the map, the list and the panel together: what is chosen, where one looks, what is shown.
const mapView = (() => {
  const { byId } = dom;

  const start = (model, map, { extent, readColours, placePicture, fillHead }) => {
    const { data, places } = model;
    let colours = readColours();
    let cameFrom = null;

    ["pictures", "ground", "units"].forEach((name, i) => {
      map.createPane(name).style.zIndex = String(210 + 10 * i);
      map.getPane(name).style.pointerEvents = "none";
    });
    data.pictures.forEach((picture) => placePicture(picture));
    const groundCanvas = canvasLayer.make((c, view) => ground.draw(c, view, model.layers, colours), data.plane, "ground");
    const unitCanvas = canvasLayer.make((c, view) => unitLayer.draw(c, view, model, colours), data.plane, "units");
    const lookAtAll = () => {
      const box = byId("legend");
      const right = box.open && map.getSize().x > 900 ? box.offsetWidth + 10 : 0;
      map.fitBounds(extent, { paddingBottomRight: [right, 0], animate: false });
    };
    const metresPerPixel = () => (2 * Math.PI * 6378137) / (256 * 2 ** map.getZoom());
    const toPlane = (latLng) => {
      const at = L.CRS.EPSG3857.project(latLng);
      return [at.x - data.plane[0], at.y - data.plane[1]];
    };
    const latLngOf = (row) => countyPage.unproject(data.plane, places.x[row], places.y[row]);
    const hasPlace = (row) => !Number.isNaN(places.x[row]);
    model.box = () => {
      const [west, south] = toPlane(map.getBounds().getSouthWest());
      const [east, north] = toPlane(map.getBounds().getNorthEast());
      return { west, south, east, north };
    };

    const nearest = (latLng, pixels) =>
      choosing.nearest(places, model.visible, ...toPlane(latLng), pixels * metresPerPixel());

    const centre = (row) => map.setView(latLngOf(row), Math.max(map.getZoom(), 17), { animate: false });

    const choose = (row, from, { move = true, focus = true } = {}) => {
      model.chosen = row;
      cameFrom = from || cameFrom;
      const position = hasPlace(row) ? `${latLngOf(row).lat.toFixed(6)}, ${latLngOf(row).lng.toFixed(6)}` : null;
      const title = panel.show(byId("unit"), data, row, { onClose: close, onCentre: () => centre(row), position });
      byId("page").classList.add("has-unit");
      map.invalidateSize({ pan: false });
      if (map.getSize().x < 900) byId("legend").open = false; // it would hide what was chosen
      if (hasPlace(row) && move) centre(row);
      else if (hasPlace(row)) map.panInside(latLngOf(row), { padding: [40, 40], animate: false });
      unitCanvas.redraw();
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
      unitCanvas.redraw();
      finder.mark(model);
      remember(null);
      (cameFrom && cameFrom.isConnected ? cameFrom : byId("search")).focus();
    };

    // The address names the unit, so that a page can be opened at it; a frame in a notebook has none.
    const remember = (id) => {
      if (!/^(file|https?):$/.test(location.protocol)) return;
      history.replaceState(null, "", id === null ? location.href.split("#")[0] : `#unit=${encodeURIComponent(id)}`);
    };
    const recall = () => {
      const named = /^#unit=(.+)$/.exec(location.hash);
      if (!named) return;
      let id = named[1];
      try {
        id = decodeURIComponent(id);
      } catch {
        return; // not an address of ours
      }
      const row = data.units.id.indexOf(id);
      if (row >= 0) choose(row, byId("search"), { focus: false });
    };

    const refilter = () => {
      model.filter();
      unitCanvas.redraw();
      finder.refresh(model, choose);
    };

    const toggle = (entry, on) => {
      entry.on = on;
      if (entry.layer) {
        if (on) entry.layer.addTo(map);
        else entry.layer.remove();
        showLegend();
      } else if (model.extras.includes(entry)) unitCanvas.redraw();
      else groundCanvas.redraw();
    };
    const showLegend = () => {
      const focused = document.activeElement && document.activeElement.id;
      legend.show(byId("legend-rows"), model, colours, toggle);
      legend.zoomed(byId("legend-rows"), map.getZoom());
      if (focused && focused.startsWith("show-")) byId(focused).focus();
    };

    const repaint = () => {
      colours = readColours();
      groundCanvas.redraw();
      unitCanvas.redraw();
      showLegend();
    };

    const hover = (event) => {
      const row = nearest(event.latlng, unitLayer.radius(map.getZoom()) + 5);
      const name = byId("map-name");
      name.hidden = row < 0;
      map.getContainer().classList.toggle("over-unit", row >= 0);
      if (row < 0) return;
      name.textContent = data.units.id[row];
      const at = map.latLngToContainerPoint(latLngOf(row));
      name.style.left = `${at.x}px`;
      name.style.top = `${at.y}px`;
    };

    const rested = () => {
      legend.zoomed(byId("legend-rows"), map.getZoom());
      byId("left-out").hidden = !model.leftOut;
      if (model.inViewOnly && !byId("search").value.trim()) finder.refresh(model, choose);
    };

    fillHead(data);
    finder.start(model, { onFilter: refilter, onChoose: choose });
    byId("legend").open = map.getSize().x > 700;
    legend.show(byId("legend-rows"), model, colours, toggle);
    lookAtAll(); // beside the legend; the map has no view before this
    data.pictures.filter((picture) => picture.on).forEach((picture) => picture.layer.addTo(map));
    L.control.scale({ position: "bottomleft", maxWidth: 140 }).addTo(map);
    groundCanvas.addTo(map);
    unitCanvas.addTo(map);
    finder.refresh(model, choose);
    rested();

    map.on("click", (event) => {
      const row = nearest(event.latlng, unitLayer.radius(map.getZoom()) + 8);
      if (row >= 0) choose(row, map.getContainer(), { move: false });
    });
    map.on("mousemove", hover);
    map.on("mouseout zoomstart", () => { byId("map-name").hidden = true; });
    map.on("moveend", rested);
    map.getContainer().addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || event.target !== map.getContainer()) return;
      const row = nearest(map.getCenter(), Infinity);
      if (row >= 0) choose(row, map.getContainer(), { move: false });
    });
    document.addEventListener("keydown", (event) => { if (event.key === "Escape") close(); });
    byId("whole").addEventListener("click", lookAtAll);
    window.addEventListener("hashchange", recall);
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);
    const printing = (on) => {
      document.documentElement.classList.toggle("printing", on);
      map.invalidateSize({ pan: false });
      repaint();
    };
    window.addEventListener("beforeprint", () => printing(true));
    window.addEventListener("afterprint", () => printing(false));
    recall();
  };

  return Object.freeze({ start });
})();
