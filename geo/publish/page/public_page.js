// The public page: areas of many units, a table of them, and layers that anyone may have.
const countyPage = (() => {
  const { byId, el } = dom;
  let open = null; // what the page shows, once it is there


  const stepOf = (cells, kind, row) => decode.numbers(cells[kind])(row);

  const drawCells = (context, view, { cells, shape, kind }, colours) => {
    for (let row = 0; row < shape.count; row += 1) {
      if (!shape.isSeen(row, view.box)) continue;
      const step = stepOf(cells, kind, row);
      context.beginPath();
      ground.tracePath(context, view, shape, row, true);
      context.globalAlpha = 0.78;
      context.fillStyle = step === null ? colours.unknown : colours.steps[step];
      context.fill();
      context.globalAlpha = 1;
      marks.stroke(context, colours.halo, 1.5);
      number(context, view, shape.box(row), row + 1, colours);
    }
  };

  // The number that the table gives an area, where it fits.
  const number = (context, view, box, n, colours) => {
    const [west, east, north, south] = [view.x(box.west), view.x(box.east), view.y(box.north), view.y(box.south)];
    if (east - west < 30 || south - north < 20) return;
    context.font = `700 13px ${colours.font}`;
    context.textAlign = "left";
    context.textBaseline = "top";
    context.lineWidth = 3;
    context.strokeStyle = colours.halo;
    context.fillStyle = colours.ink;
    context.strokeText(String(n), west + 6, north + 5);
    context.fillText(String(n), west + 6, north + 5);
  };

  const head = (data) => {
    if (data.county.name) byId("county-name").textContent = data.county.name;
    byId("county-day").textContent = data.asOf ? `Areas as of ${data.asOf}` : "Areas";
    byId("invented").hidden = !data.county.invented;
    dom.fill(byId("notes-body"), el("ul", {}, data.notes.map((note) => el("li", {}, note))),
      el("p", { class: "small" }, `${data.madeBy}; map drawn with Leaflet ${L.version}.`));
  };

  const table = (state, data) => {
    const said = (kind, row) => {
      const step = stepOf(state.cells, kind, row);
      return step === null ? "not known" : data.stepWords[step];
    };
    const units = decode.numbers(state.cells.units);
    const rows = [...Array(state.shape.count).keys()];
    byId("count").textContent = rows.length ? wording.count(rows.length, "area") : "Too few units to show any area.";
    dom.fill(byId("rows"), el("table", {},
      el("thead", {}, el("tr", {}, ["Area", "Units, about", "First", "Lids wet"].map((t) => el("th", { scope: "col" }, t)))),
      el("tbody", {}, rows.map((row) => el("tr", {}, el("th", { scope: "row" }, `Area ${row + 1}`),
        el("td", { class: "number" }, wording.grouped(String(units(row)))), el("td", {}, said("first", row)), el("td", {}, said("wet", row)))))));
  };

  const choices = (state, data, redraw) => {
    for (const [kind, label] of Object.entries(data.kinds)) {
      const tick = el("input", { type: "radio", name: "kind", checked: kind === state.kind });
      tick.addEventListener("change", () => {
        state.kind = kind;
        redraw();
      });
      byId("kinds").append(el("label", { class: "tick" }, tick, label));
    }
    const swatch = (colour) => {
      const box = el("span", { class: "sample", "aria-hidden": "true" });
      box.style.background = colour;
      return box;
    };
    dom.fill(byId("scale"), data.stepWords.map((words, i) => el("p", { class: "step" }, swatch(`var(--area-${i + 1})`), words)),
      el("p", { class: "step" }, swatch("var(--unranked)"), "not known"));
  };

  const layerTicks = (entries, redraw) => {
    for (const entry of entries) {
      const tick = el("input", { type: "checkbox", checked: entry.on });
      tick.addEventListener("change", () => {
        entry.on = tick.checked;
        redraw(entry);
      });
      byId("layers").append(el("label", { class: "tick" }, tick, entry.label));
    }
  };

  const fill = async (map, data) => {
    const cells = await blocks.read("cells");
    const state = { cells, shape: decode.shapes(cells), kind: "first" };
    const canvases = {};
    const layers = unitModel.layersOf(data, () => canvases.ground.redraw());
    const view = mapView.panes(map);
    canvases.ground = canvasLayer.make((c, v) => ground.draw(c, v, layers, mapView.readColours(), []), data.plane, "units");
    canvases.cells = canvasLayer.make((c, v) => drawCells(c, v, state, mapView.readColours()), data.plane, "ground");
    head(data);
    table(state, data);
    choices(state, data, () => canvases.cells.redraw());
    layerTicks([...layers, ...data.pictures], (entry) => (data.pictures.includes(entry) ? view.showPicture(entry) : canvases.ground.redraw()));
    data.pictures.forEach(view.showPicture);
    canvases.cells.addTo(map);
    canvases.ground.addTo(map);
    L.control.scale({ position: "bottomleft", maxWidth: 140 }).addTo(map);
    screens.listen(() => Object.values(canvases).forEach((canvas) => canvas.redraw()));
    byId("whole").addEventListener("click", () => mapView.lookAtAll(map, data));
    open = state;
  };

  const start = (nodeId) => {
    const data = JSON.parse(byId("page-data").textContent);
    const map = L.map(nodeId, { attributionControl: false, zoomSnap: 0.25, maxZoom: 18, minZoom: 3 });
    baseMap.offer(map, data.baseMap, byId("layers"));
    mapView.lookAtAll(map, data);
    if (unpack.isPossible) fill(map, data);
    else byId("cannot").hidden = false;
    return map;
  };

  return Object.freeze({ start, model: () => open });
})();
