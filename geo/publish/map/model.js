// The page's data as the other scripts take it: lists of short numbers become functions of a row.
const unitModel = (() => {
  // Work that can wait until somebody needs it.
  const once = (make) => {
    let made = null;
    return () => (made ??= make());
  };

  // A block that is read the first time it is asked for; ``then`` is told when it has come.
  const later = (name, prepare, then) => {
    let asked = false;
    let made = null;
    return () => {
      if (!asked) {
        asked = true;
        blocks.read(name, { keep: false }).then((coded) => {
          made = prepare(coded);
          then();
        });
      }
      return made;
    };
  };

  // The lines of a unit's setback checks, told from the unit's own place or its discharge point's.
  const checkLines = (model) => (row) => {
    if (!model.hasDetails(row)) return [];
    const { checks, at } = model.details(row);
    const { x, y } = model.places;
    const outlet = model.outletOf(row);
    return checks ? checksTable.lines(checks, at, [x[row], y[row]], outlet) : [];
  };

  const hasBlock = (data, name) => data.blocks.includes(name);

  // ``needs`` says whether there is anything to draw; without it one that is ``lone`` has no row either.
  const extrasOf = (data) => [
    hasBlock(data, "discharge_points") && { name: "discharge_points", label: "Discharge points", on: true, fromZoom: 16 },
    hasBlock(data, "flow_paths") && { name: "flow_paths", label: "Flow paths", on: true, fromZoom: 16 },
    hasBlock(data, "outlet_hunts") && { name: "outlet_hunts", label: "Possible discharge points", on: true, fromZoom: 16, needs: ({ chosen, hunt }) => chosen !== null && hunt(chosen) !== null },
    hasBlock(data, "details") && { name: "check_lines", label: "Setbacks to check", on: true, lone: true, needs: ({ chosen, checkLines: lines }) => chosen !== null && lines(chosen).length > 0 },
    hasBlock(data, "flow_paths") && { name: "chosen_path", label: "Path of its discharge (dashed: along the stream)", on: true, lone: true, needs: ({ chosen, runsTo }) => chosen !== null && runsTo(chosen) !== null },
    data.doubtful.includes(true) && { name: "accuracy", label: data.words.doubt, on: true, needs: ({ chosen }) => chosen !== null },
  ].filter((entry) => entry);

  // Each layer's shapes are unpacked when it is first drawn.
  const layersOf = (data, arrived) =>
    data.layers.map((layer) => ({
      name: layer.name,
      label: layer.label,
      kind: layer.shape,
      fromZoom: layer.fromZoom,
      on: layer.on,
      note: layer.note,
      shapes: later(`layer-${layer.name}`, (coded) => ground.prepare(layer, coded), () => arrived("ground")),
    }));

  const outletsOf = (coded, places, step) => {
    const unit = decode.rising(coded.unit);
    return { unit, at: decode.placesFrom(coded, unit, places, step), within: decode.numbers(coded.within) };
  };

  const pathsOf = (coded, places) => {
    const unit = decode.rising(coded.unit);
    const home = (row) => (unit[row] === null ? [NaN, NaN] : [places.x[unit[row]], places.y[unit[row]]]);
    return { unit, shape: decode.shapes(coded, home), ends: coded.ends ? decode.texts(coded.ends) : () => null };
  };

  // ``arrived`` is told which canvas ("ground" or "units") has more to draw.
  const build = async (data, arrived) => {
    const [units, texts] = await Promise.all([blocks.read("units", { keep: false }), blocks.read("search")]);
    const search = Object.fromEntries(Object.entries(texts).map(([name, column]) => [name, decode.texts(column)]));
    const step = data.plane[2];
    const places = decode.places(units.x, units.y, step);
    const id = decode.texts(units.id);
    data.units = { id: Array.from(units.x, (_, row) => id(row)), class: unpack.list(units.class) };
    data.score = units.score && Object.fromEntries(Object.entries(units.score).map(([name, column]) => [name, unpack.list(column)]));
    if (data.score) data.score.ranked = data.score.rank.filter((rank) => rank !== null).length;
    const none = () => null;
    const model = {
      data,
      places,
      kinds: data.units.class,
      layers: layersOf(data, arrived),
      pictures: data.pictures,
      dischargePoints: hasBlock(data, "discharge_points")
        ? later("discharge_points", (coded) => outletsOf(coded, places, step), () => arrived("units")) : none,
      flowPaths: hasBlock(data, "flow_paths") ? later("flow_paths", (coded) => pathsOf(coded, places), () => arrived("units")) : none,
      within: decode.numbers(units.within),
      extras: extrasOf(data),
      classesOn: new Set(data.words.classes.keys()),
      classesHere: [...data.words.classes.keys()].filter((kind) => data.units.class.includes(kind)),
      pick: filtering.emptyPick(),
      groups: [],
      areas: null,
      moved: null,
      show: smallAreas.VIEWS[0],
      storm: stormLayer.entryOf(data.storms),
      drawing: [],
      chosen: null,
      inViewOnly: false,
      found: [],
      visible: [],
      leftOut: 0,
      address: search.address,
      parcel: search.parcel_id,
    };
    const { common, ready, has, of } = unitDetails.reader(data.block, search, data.score);
    const hunts = outletPlaces.reader(data);
    const readDetails = (row) => Promise.all([ready(row), hunts.ready()]);
    const readAhead = () => // most open one of the first units
      Promise.all([model.chosen === null && data.units.id.length ? ready(0) : common(), hunts.ready()]);
    Object.assign(model, { readDetails, readAhead, hasDetails: has, details: of, hunt: hunts.of });
    model.index = once(() => searching.build(data.units.id, search.address, search.parcel_id));
    model.checkLines = checkLines(model);
    // The streams, where the unit's flow path runs to one.
    const streams = model.layers.find((layer) => layer.name === "streams");
    model.streamsUnder = (row) => {
      const held = model.runsTo(row) === "stream" && streams ? streams.shapes() : null;
      return held && held.shape;
    };
    model.runsTo = (row) => {
      const paths = model.flowPaths();
      const i = paths ? paths.unit.indexOf(row) : -1;
      return i < 0 ? null : paths.ends(i);
    };
    model.outletOf = (row) => {
      const outlets = model.dischargePoints();
      const i = outlets ? outlets.unit.lastIndexOf(row) : -1;
      return i < 0 ? null : [outlets.at.x[i], outlets.at.y[i]];
    };
    // What units are picked by comes when the page stands.
    model.readChoices = once(async () => {
      const [questions, areas, moved] = await Promise.all(["filters", "areas", "moves"].map((name) => blocks.read(name, { keep: false })));
      model.groups = filtering.prepare(questions);
      model.areas = areas && smallAreas.prepare(areas);
      model.moved = moved && moves.prepare(moved, data.words.classes);
    });
    const questionOf = (key) => model.groups.flatMap(({ options }) => options).find((option) => option.key === key);
    const [overdue, dueNow] = ["overdue", "due-now"].map((key) => once(() => questionOf(key)));
    const isIn = (question, row) => Boolean(question() && question().holds(row));
    model.dueInWords = (row) => (isIn(overdue, row) ? "overdue" : isIn(dueNow, row) ? "visit due" : "");
    // What belongs to a unit goes with it; what has no unit stays.
    const isVisible = new Uint8Array(data.units.id.length);
    model.isShown = (unit) => unit === null || Boolean(isVisible[unit]);
    model.isOn = (name) => model.extras.some((entry) => entry.name === name && entry.on);
    model.hasPlace = (row) => !Number.isNaN(model.places.x[row]);
    model.isAreas = () => model.areas !== null && model.show.key !== "units";
    model.filter = () => {
      const { pick, areas, moved } = model;
      const tests = [
        (row) => model.classesOn.has(model.kinds[row]),
        pick.ticked.size ? filtering.testOf(model.groups, pick.ticked) : null,
        pick.area !== null && areas ? (row) => areas.areaOf(row) === pick.area : null,
        pick.moves !== null && moved ? moved.holds[pick.moves] : null,
        pick.ring ? filtering.inRing(pick.ring, places) : null,
      ].filter((test) => test);
      const rows = [...data.units.id.keys()].filter((row) => tests.every((test) => test(row)));
      isVisible.fill(0);
      for (const row of rows) isVisible[row] = 1;
      model.visible = rows; // the marks, the most urgent on top
      model.listed = pick.moves !== null && moved ? moves.ordered(moved, rows) : rows;
    };
    model.filter();
    return model;
  };

  return Object.freeze({ build, layersOf });
})();
