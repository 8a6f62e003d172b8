// Choosing a unit: panel, map and list follow, and words say so for those who do not see it.
const unitChoice = (() => {
  const { byId } = dom;

  const words = ({ data }, row) => {
    const rank = data.score && data.score.rank[row] !== null ? `, rank ${wording.grouped(data.score.rank[row])}` : "";
    return `${data.units.id[row]} selected: ${data.words.classes[data.units.class[row]]}${rank}.`;
  };

  // When what was just changed can be seen, a frame after its own; at once where nothing is shown.
  const painted = () => new Promise((done) => {
    if (document.hidden) done();
    else requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done)));
  });

  // ``changed`` is told whenever another unit is chosen, or none.
  const make = (model, map, view, changed) => {
    let cameFrom = byId("search");

    const choose = async (row, from, { move = true, focus = true } = {}) => {
      model.chosen = row;
      cameFrom = from;
      byId("legend").open = false; // the map gets smaller, and it would hide what was chosen
      await model.readDetails(row);
      if (model.chosen !== row || !model.hasDetails(row)) return; // another was chosen meanwhile, or none
      const place = model.hasPlace(row) ? view.latLngOf(row) : null;
      const title = panel.show(byId("unit"), model, row, {
        onClose: () => close(),
        onCenter: () => view.center(row),
        position: place && `${place.lat.toFixed(6)}, ${place.lng.toFixed(6)}`,
      });
      byId("page").classList.add("has-unit");
      byId("said").textContent = words(model, row);
      if (focus) title.focus();
      await painted(); // the panel stands there before the map moves
      if (model.chosen !== row) return;
      finder.mark(model);
      map.invalidateSize({ pan: false });
      if (place) (move ? view.center : view.keepInSight)(row);
      view.redrawUnits();
      view.redrawGround(); // its names make room
      changed();
    };

    const close = ({ focus = true } = {}) => {
      if (model.chosen === null) return;
      model.chosen = null;
      byId("unit").hidden = true;
      byId("page").classList.remove("has-unit");
      map.invalidateSize({ pan: false });
      view.redrawUnits();
      finder.mark(model);
      byId("said").textContent = "No unit selected.";
      changed();
      if (focus) (cameFrom.isConnected ? cameFrom : byId("search")).focus();
    };

    return Object.freeze({ choose, close: () => close(), drop: () => close({ focus: false }) });
  };

  // Clicks and keys on the map: a unit, or a corner of an area that is being drawn.
  const listen = (model, map, view, units, drawing, onArea) => {
    const name = byId("map-name");
    const node = map.getContainer();
    const chooseArea = (latLng) => {
      const area = smallAreas.areaAt(model.areas, ...view.toPlane(latLng));
      if (area === null) byId("said").textContent = "No area there.";
      else onArea(area);
    };
    map.on("click", (event) => {
      if (drawing.mode() === "corners") drawing.add(event.latlng);
      if (drawing.mode()) return;
      if (model.isAreas()) {
        chooseArea(event.latlng);
        return;
      }
      const row = view.nearest(event.latlng, unitLayer.reach(map.getZoom()) + 8);
      if (row >= 0) units.choose(row, node, { move: false });
    });
    map.on("mousemove", (event) => {
      const row = drawing.mode() || model.isAreas() ? -1 : view.nearest(event.latlng, unitLayer.reach(map.getZoom()) + 5);
      name.hidden = row < 0;
      node.classList.toggle("over-unit", row >= 0);
      if (row < 0) return;
      name.textContent = model.data.units.id[row];
      const at = map.latLngToContainerPoint(view.latLngOf(row));
      name.style.left = `${at.x}px`;
      name.style.top = `${at.y}px`;
    });
    map.on("mouseout zoomstart", () => { name.hidden = true; });
    node.addEventListener("keydown", (event) => {
      if (event.target !== node) return;
      if (event.key === "Backspace" && drawing.mode()) drawing.back();
      if (event.key !== "Enter") return;
      if (drawing.mode() === "corners") drawing.add(map.getCenter());
      if (drawing.mode()) return;
      if (model.isAreas()) {
        chooseArea(map.getCenter());
        return;
      }
      const row = view.nearest(map.getCenter(), Infinity);
      if (row >= 0) units.choose(row, node, { move: false });
    });
    document.addEventListener("keydown", (event) => {
      if (event.key !== "Escape") return;
      if (drawing.mode()) drawing.stop();
      else units.close();
    });
  };

  return Object.freeze({ make, listen });
})();
