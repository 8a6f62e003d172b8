// The page's data as the other scripts take it: lists of short numbers become functions of a row.
const unitModel = (() => {
  // Work that can wait until somebody needs it.
  const once = (make) => {
    let made = null;
    return () => (made ??= make());
  };

  const decoded = (raw, search) => {
    const sections = raw.sections.map((section) => ({
      title: section.title,
      fields: section.fields.map((field) => ({
        label: field.label,
        column: field.column,
        needs: field.needs,
        text: field.searched ? search[field.column] : field.numbers ? decode.measures(field) : decode.texts(field),
      })),
    }));
    return {
      sections,
      parts: raw.parts,
      reasons: decode.sentences(raw.reasons),
      gaps: decode.sentences(raw.gaps),
      faults: decode.sentences(raw.faults),
      checks: raw.checks && checksTable.prepare(raw.checks),
    };
  };

  // What is told of single units, by the row within its block; the block used last is kept.
  const detailsReader = (data, read, search) => {
    let kept = { first: -1 };
    return (row) => {
      const first = row - (row % data.block);
      if (kept.first !== first) {
        const near = Object.fromEntries(Object.entries(search).map(([name, text]) => [name, (at) => text(first + at)]));
        kept = { first, ...decoded(read(first / data.block), near) };
      }
      return { ...kept, at: row - first };
    };
  };

  // The lines of a unit's setback checks, told from the unit's own place.
  const checkLines = (model) => (row) => {
    const { checks, at } = model.details(row);
    if (!checks) return [];
    const { first, lines } = checks;
    const mine = [...lines.check.keys()].filter((i) => lines.check[i] >= first[at] && lines.check[i] < first[at + 1]);
    return mine.map((i) =>
      lines.xy.slice(4 * i, 4 * i + 4).map((v, k) => (k % 2 ? model.places.y : model.places.x)[row] + v * model.data.plane[2]));
  };

  const isAnyKnown = (...columns) => columns.some((column) => column && column.some((v) => v !== null));

  // ``read`` gives a block of details by its number.
  const build = (data, read) => {
    const search = Object.fromEntries(Object.entries(data.search).map(([name, column]) => [name, decode.texts(column)]));
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
      address: search.address,
      details: detailsReader(data, read, search),
    };
    model.index = once(() => searching.build(data.units.id, search.address, search.parcel_id));
    model.checkLines = checkLines(model);
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
