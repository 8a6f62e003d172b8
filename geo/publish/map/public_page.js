// The public page: areas of many units, a table of them, and layers that anyone may have.
const countyPage = (() => {
  const { byId, el } = dom;
  let open = null; // what the page shows, once it is there

  const drawCells = (context, view, model, colors) => {
    const { shape } = model;
    for (let row = 0; row < shape.count; row += 1) {
      if (!shape.isSeen(row, view.box)) continue;
      const step = publicModel.stepOf(model, model.kind, row);
      context.beginPath();
      ground.tracePath(context, view, shape, row, true);
      context.globalAlpha = 0.78;
      context.fillStyle = step === null ? colors.unknown : colors.steps[step];
      context.fill();
      context.globalAlpha = 1;
      marks.stroke(context, colors.halo, 1.5);
    }
  };

  // Where the numbers stand that the table gives the areas, as far as they fit.
  const numbersOf = (view, { shape }) => shape.rows().filter((row) => shape.isSeen(row, view.box)).map((row) => {
    const box = shape.box(row);
    return { n: row + 1, west: view.x(box.west), east: view.x(box.east), south: view.y(box.south), north: view.y(box.north) };
  }).filter(({ west, east, south, north }) => east - west >= 30 && south - north >= 20)
    .map(({ n, west, north }) => ({ n, west, east: west + 26, south: north, north: north + 20 }));

  const number = (context, colors, { n, west, south }) => {
    context.font = `700 13px ${colors.font}`;
    context.textAlign = "left";
    context.textBaseline = "top";
    context.lineWidth = 3;
    context.strokeStyle = colors.halo;
    context.fillStyle = colors.ink;
    context.strokeText(String(n), west + 6, south + 5);
    context.fillText(String(n), west + 6, south + 5);
  };

  const head = ({ data, paper }) => {
    if (data.county.name) byId("county-name").textContent = data.county.name;
    byId("county-day").textContent = paper.title;
    byId("invented").hidden = !data.county.invented;
    dom.fill(byId("notes-body"), el("ul", {}, data.notes.map((note) => el("li", {}, note))),
      el("p", { class: "small" }, `${data.madeBy} with Leaflet ${L.version}.`));
  };

  const table = (model) => {
    const { data, cells, shape } = model;
    const said = (kind, row) => {
      const step = publicModel.stepOf(model, kind, row);
      return step === null ? "not known" : data.stepWords[step];
    };
    const units = decode.numbers(cells.units);
    const rows = shape.rows();
    byId("count").textContent = rows.length ? wording.count(rows.length, "area") : "Too few units to show any area.";
    dom.fill(byId("rows"), el("table", {},
      el("thead", {}, el("tr", {}, ["Area", "Units (about)", "To visit first", "Lids water may cover"].map((t) => el("th", { scope: "col" }, t)))),
      el("tbody", {}, rows.map((row) => el("tr", {}, el("th", { scope: "row" }, el("span", { class: "unseen" }, "Area "), row + 1),
        el("td", { class: "number" }, wording.grouped(units(row))), el("td", {}, said("first", row)), el("td", {}, said("wet", row)))))));
  };

  const choices = (model, changed) => {
    const { data } = model;
    for (const [kind, label] of data.kinds) {
      const tick = dom.tick({ type: "radio", name: "kind", value: kind, checked: kind === model.kind }, () => {
        model.kind = kind;
        changed();
      });
      byId("kinds").append(el("label", { class: "tick" }, tick, label));
    }
    const swatch = (color) => {
      const box = el("span", { class: "sample", "aria-hidden": "true" });
      box.style.background = color;
      return box;
    };
    dom.fill(byId("scale"), data.stepWords.map((words, i) => el("p", { class: "step" }, swatch(`var(--area-${i + 1})`), words)),
      el("p", { class: "step" }, swatch("var(--unranked)"), "not known"));
  };

  const showKind = ({ kind }) => {
    for (const tick of byId("kinds").querySelectorAll("input")) tick.checked = tick.value === kind;
  };

  const fill = async (map, data) => {
    const canvases = {};
    const model = await publicModel.build(data, () => canvases.over());
    const view = mapView.make(model, map, {
      ground: (context, at, colors) => drawCells(context, at, model, colors),
      units: (context, at, colors) => {
        const numbers = numbersOf(at, model);
        ground.draw(context, at, model.layers, colors, [...numbers, ...numbers]); // no name under one
        for (const each of numbers) number(context, colors, each);
      },
    });
    canvases.over = view.redrawUnits;
    model.redrawLayers = view.redrawUnits;
    const share = sharing.make(model, map, {
      state: () => ({ show: model.kind === "first" ? null : model.kind }),
      take: ({ show }) => { model.kind = data.kinds.has(show) ? show : "first"; },
    });
    const layers = layerChoices.make(model, map, view, { remember: share.remember });
    const recall = () => {
      const { look } = share.recall();
      showKind(model);
      viewActs.showScreen();
      view.recolor();
      layers.showAll();
      if (look) look();
      share.remember();
    };
    head(model);
    table(model);
    choices(model, () => {
      view.redrawGround();
      layers.showLegend();
      share.remember();
    });
    byId("legend").open = map.getSize().x > 900;
    layers.showLegend();
    mapView.lookAtAll(map, data, layers.beside());
    view.drawFirst();
    map.on("moveend", layers.zoomed);
    viewActs.listen(model, map, view, share, layers);
    window.addEventListener("hashchange", recall);
    recall();
    map.isReady = true;
    open = model;
    byId("page").dataset.ready = "yes";
  };

  const start = (nodeId) => {
    const data = JSON.parse(byId("page-data").textContent);
    data.kinds = new Map(Object.entries(data.kinds)); // an address may ask for any word
    byId("caution").textContent = data.caution;
    return mapView.begin(nodeId, data, 18, fill);
  };

  return Object.freeze({ start, model: () => open });
})();
