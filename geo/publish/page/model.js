// The page's data as the other scripts take it: lists of short numbers become functions of a row.
const unitModel = (() => {
  // Work that can wait until somebody needs it.
  const once = (make) => {
    let made = null;
    return () => (made ??= make());
  };

  const decoded = (raw) => {
    const data = {
      ...raw,
      reasons: decode.sentences(raw.reasons),
      gaps: decode.sentences(raw.gaps),
      faults: decode.sentences(raw.faults),
    };
    for (const field of data.sections.flatMap((section) => section.fields)) {
      field.text = field.numbers ? decode.measures(field) : decode.texts(field);
      field.numbers = field.at = null; // held once
    }
    if (raw.checks) data.checks = checksTable.prepare(raw.checks);
    return data;
  };

  const textColumn = (data, column) => {
    const field = data.sections.flatMap((section) => section.fields).find((f) => f.column === column && f.text);
    return field ? field.text : () => null;
  };

  // The lines of a unit's setback checks, told from the unit's own place.
  const checkLines = (data, places) => (row) => {
    if (!data.checks) return [];
    const { first, lines } = data.checks;
    const mine = [...lines.check.keys()].filter((i) => lines.check[i] >= first[row] && lines.check[i] < first[row + 1]);
    return mine.map((i) =>
      lines.xy.slice(4 * i, 4 * i + 4).map((v, k) => (k % 2 ? places.y : places.x)[row] + v * data.plane[2]));
  };

  const isAnyKnown = (...columns) => columns.some((column) => column && column.some((v) => v !== null));

  const build = (raw) => {
    const data = decoded(raw);
    const step = data.plane[2];
    const { dischargePoints, flowPaths } = data;
    const model = {
      data,
      places: decode.places(data.units.x, data.units.y, step),
      kinds: data.units.class,
      layers: data.layers.map((layer) => ground.prepare(layer, data.plane)),
      pictures: data.pictures,
      dischargePoints: dischargePoints && {
        unit: dischargePoints.unit,
        at: decode.pairs(dischargePoints.xy, step),
        within: decode.numbers(dischargePoints.within),
      },
      within: decode.numbers(data.units.within),
      flowPaths: flowPaths && { unit: flowPaths.unit, shape: once(() => decode.shapes(flowPaths)) },
      extras: [
        dischargePoints && { name: "discharge_points", label: "Discharge points", on: true, fromZoom: 16 },
        flowPaths && { name: "flow_paths", label: "Flow paths", on: true, fromZoom: 16 },
        isAnyKnown(data.units.within, dischargePoints && dischargePoints.within) &&
          { name: "accuracy", label: data.words.doubt, on: true, fromZoom: 0, note: "chosen unit" },
      ].filter((entry) => entry),
      classesOn: new Set(data.words.classes.keys()),
      chosen: null,
      inViewOnly: false,
      found: [],
      visible: [],
      leftOut: 0,
      address: textColumn(data, "address"),
    };
    model.index = once(() => searching.build(data.units.id, model.address, textColumn(data, "parcel_id")));
    model.checkLines = checkLines(data, model.places);
    // What belongs to a unit goes with it; what nobody answers for stays.
    model.isShown = (unit) => unit === null || model.classesOn.has(model.kinds[unit]);
    model.isOn = (name) => model.extras.some((entry) => entry.name === name && entry.on);
    model.hasPlace = (row) => !Number.isNaN(model.places.x[row]);
    model.filter = () => {
      model.visible = [...data.units.id.keys()].filter((row) => model.classesOn.has(model.kinds[row]));
    };
    model.filter();
    return model;
  };

  return Object.freeze({ build });
})();
