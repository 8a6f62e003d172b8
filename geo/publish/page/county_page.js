// Puts the page together; the only script that starts anything.
const countyPage = (() => {
  const { byId } = dom;

  const readColours = () => {
    const style = getComputedStyle(document.documentElement);
    const value = (name) => style.getPropertyValue(`--${name}`).trim();
    const plain = ["halo", "ink", "name", "path", "water", "stream", "flood", "parcel", "building", "road",
      "drain", "culvert", "well", "protected"];
    return {
      ...Object.fromEntries(plain.map((name) => [name, value(name)])),
      waterName: value("water-name"),
      shadeLight: value("shade-light"),
      shadeDark: value("shade-dark"),
      font: value("font"),
      classes: marks.names.map((name) => ({ fill: value(name), edge: value(`${name}-edge`), sign: value(`${name}-sign`) })),
    };
  };

  // Work that can wait until somebody needs it.
  const once = (make) => {
    let made = null;
    return () => (made ??= make());
  };

  const textColumn = (data, column) => {
    for (const section of data.sections) {
      for (const field of section.fields) if (field.column === column && field.text) return field.text;
    }
    return () => null;
  };

  // The data as the other scripts take it: lists of short numbers become functions of a row.
  const prepare = (raw) => {
    const data = { ...raw, reasons: decode.sentences(raw.reasons), gaps: decode.sentences(raw.gaps) };
    for (const section of data.sections) {
      for (const field of section.fields) if (!field.numbers) field.text = decode.texts(field);
    }
    if (data.checks) {
      data.checks = { ...raw.checks, first: decode.starts(raw.checks.count), feature: decode.texts(raw.checks.feature) };
    }
    return data;
  };

  const build = (raw) => {
    const data = prepare(raw);
    const step = data.plane[2];
    const model = {
      data,
      places: decode.places(data.units.x, data.units.y, step),
      kinds: data.units.class,
      layers: data.layers.map((layer) => ground.prepare(layer, data.plane)),
      pictures: data.pictures,
      flowPaths: data.flowPaths ? { unit: data.flowPaths.unit, shape: once(() => decode.shapes(data.flowPaths)) } : null,
      dischargePoints: data.dischargePoints
        ? { unit: data.dischargePoints.unit, at: decode.pairs(data.dischargePoints.xy, step), names: decode.texts(data.dischargePoints.names) } : null,
      classesOn: new Set(data.words.classes.keys()),
      chosen: null,
      inViewOnly: false,
      found: [],
    };
    model.address = textColumn(data, "address");
    model.lines = once(() => choosing.searchLines(data.units.id, model.address, textColumn(data, "parcel_id")));
    model.extras = [
      model.dischargePoints && { name: "discharge_points", label: "Discharge points", on: true, fromZoom: 15 },
      model.flowPaths && { name: "flow_paths", label: "Flow paths", on: true, fromZoom: 15 },
    ].filter((entry) => entry);
    model.isOn = (name) => model.extras.some((entry) => entry.name === name && entry.on);
    model.checkLines = (row) => {
      if (!data.checks) return [];
      const { first, lines } = data.checks;
      const { x, y } = model.places;
      const mine = [...lines.check.keys()].filter((i) => lines.check[i] >= first[row] && lines.check[i] < first[row + 1]);
      return mine.map((i) => lines.xy.slice(4 * i, 4 * i + 4).map((v, k) => (k % 2 ? y : x)[row] + v * step));
    };
    model.filter = () => {
      model.visible = [...data.units.id.keys()].filter((row) => model.classesOn.has(model.kinds[row]));
    };
    model.filter();
    return model;
  };

  const unproject = (plane, x, y) => L.CRS.EPSG3857.unproject(L.point(plane[0] + x, plane[1] + y));

  const extent = (model) => {
    const box = L.latLngBounds([]);
    const { places, data } = model;
    for (let row = 0; row < places.x.length; row += 1) {
      if (!Number.isNaN(places.x[row])) box.extend(unproject(data.plane, places.x[row], places.y[row]));
    }
    if (box.isValid()) return box.pad(0.05);
    for (const layer of model.layers) {
      for (const b of layer.shape ? layer.shape.boxes : []) {
        box.extend(unproject(data.plane, b.west, b.south)).extend(unproject(data.plane, b.east, b.north));
      }
    }
    return box.isValid() ? box : L.latLngBounds([[24, -125], [50, -66]]);
  };

  const placePicture = (picture) => {
    const [west, south, east, north] = picture.bounds;
    const corner = (x, y) => L.CRS.EPSG3857.unproject(L.point(x, y));
    picture.layer = L.imageOverlay(picture.address, [corner(west, south), corner(east, north)], {
      pane: "pictures", className: `picture picture-${picture.name}`, interactive: false, alt: "",
    });
  };

  const fillHead = (data) => {
    if (data.county.name) byId("county-name").textContent = data.county.name;
    byId("county-day").textContent = data.asOf ? `Inspection order as of ${data.asOf}` : "Inspection order";
    byId("invented").hidden = !data.county.invented;
    byId("caution").textContent = data.words.caution;
    const told = [...data.notes, ...data.problems];
    dom.fill(byId("notes-body"),
      told.length ? dom.el("ul", {}, told.map((note) => dom.el("li", {}, note)))
        : dom.el("p", {}, "Nothing was reported missing. What is not on record is still not on this map."),
      dom.el("p", { class: "small" }, data.words.safety),
      dom.el("p", { class: "small" }, `${data.madeBy}; map drawn with Leaflet ${L.version}.`));
  };

  const start = (nodeId, options) => {
    const model = build(JSON.parse(byId("page-data").textContent));
    const map = L.map(nodeId, { attributionControl: false, zoomSnap: 0.5, maxZoom: 20, minZoom: 3, ...options });
    mapView.start(model, map, { extent: extent(model), readColours, placePicture, fillHead });
    return map;
  };

  return Object.freeze({ start, unproject });
})();
