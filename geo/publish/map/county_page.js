// Puts the page together; the only script that starts anything.
const countyPage = (() => {
  const { byId, el } = dom;

  const fillHead = (data) => {
    if (data.county.name) byId("county-name").textContent = data.county.name;
    byId("county-day").textContent = data.asOf ? `Inspection order as of ${data.asOf}` : "Inspection order";
    byId("invented").hidden = !data.county.invented;
    byId("caution").textContent = `${data.words.staffOnly} ${data.words.caution}`;
    const told = [...data.notes, ...data.problems];
    dom.fill(byId("notes-body"),
      told.length ? el("ul", {}, told.map((note) => el("li", {}, note)))
        : el("p", {}, "No missing data was reported. This map shows only what is on record."),
      el("p", { class: "small" }, `${data.madeBy} with Leaflet ${L.version}.`));
  };

  let open = null; // the model of the page, once it is there

  const start = (nodeId) => {
    const data = JSON.parse(byId("page-data").textContent);
    fillHead(data);
    return mapView.begin(nodeId, data, 20, fill);
  };

  // What the first unit opened needs, while nobody waits.
  const readAhead = (model) => {
    model.readAhead();
    model.dischargePoints();
    model.flowPaths();
  };

  const fill = async (map, data) => {
    const canvases = {};
    const model = await unitModel.build(data, (name) => canvases[name]());
    unitSigns.equip(model);
    const view = mapView.make(model, map, unitView.hands(model, map));
    model.redrawLayers = view.redrawGround;
    Object.assign(canvases, { ground: view.redrawGround, units: view.redrawUnits });
    model.box = view.box;
    const page = pageParts.make(model, map, view);
    finder.start(model, { onFilter: page.refilter, onChoose: page.units.choose, onArea: page.chooseArea });
    byId("legend").open = map.getSize().x > 900;
    page.showLegend();
    mapView.lookAtAll(map, data, page.beside());
    view.drawFirst();
    page.refresh();
    page.listen();
    open = model;
    performance.mark("open");
    setTimeout(() => readAhead(model), 500);
    await model.readChoices();
    page.showChoices();
    await page.recall();
    map.isReady = true;
    byId("page").dataset.ready = "yes";
  };

  return Object.freeze({ start, model: () => open });
})();
