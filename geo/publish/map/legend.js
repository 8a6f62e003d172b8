// What the signs mean and which are shown: one row for each thing there is to show, by what it belongs to.
const legend = (() => {
  const { el } = dom;
  const [WIDTH, HEIGHT] = [30, 18];

  // A sample drawn by the same hand as the map.
  const sample = (paint) => {
    const canvas = el("canvas", { width: WIDTH * 2, height: HEIGHT * 2, class: "sample", "aria-hidden": "true" });
    const context = canvas.getContext("2d");
    context.scale(2, 2);
    paint(context);
    return canvas;
  };

  const line = (context, style) => {
    context.setLineDash(style.dash || []);
    context.lineWidth = Math.max(style.width, 1.4);
    context.strokeStyle = style.stroke;
    context.beginPath();
    context.moveTo(2, HEIGHT - 5);
    context.bezierCurveTo(10, 1, 18, HEIGHT, WIDTH - 2, 5);
    context.stroke();
  };

  const area = (context, style) => {
    context.beginPath();
    context.rect(3, 3, WIDTH - 6, HEIGHT - 6);
    if (style.fill) {
      context.fillStyle = style.fill;
      context.fill();
    }
    if (style.stroke) {
      context.lineWidth = 1;
      context.strokeStyle = style.stroke;
      context.stroke();
    }
  };

  const painters = (colors) => ({
    point: (name) => (context) => ground.pointSign(context, name, WIDTH / 2, HEIGHT / 2, colors),
    line: (name) => (context) => line(context, ground.lineStyles[name](colors, 15)),
    area: (name) => (context) => area(context, ground.areaStyles[name](context, colors)),
    relief: (context) => {
      const shade = context.createLinearGradient(0, 0, WIDTH, 0);
      shade.addColorStop(0, colors.shadeLight);
      shade.addColorStop(1, colors.shadeDark);
      area(context, { fill: shade, stroke: null });
    },
  });

  // As clear as ponds and areas are on the map.
  const swatch = (fill) => (context) => {
    context.globalAlpha = 0.78;
    area(context, { fill, stroke: "#8888" }); // the palest would be lost on the page
    context.globalAlpha = 1;
  };
  // What the ponds of the chosen storm look like, and which storm that is.
  const stormRows = (model, colors, onToggle) => {
    const { storm } = model;
    if (!storm) return [];
    const row = tickRow(storm, sample(swatch(colors.pond)), onToggle);
    const select = el("select", { id: "storm-years", "aria-label": "Which storm" },
      storm.storms.map((years) => el("option", { value: years, selected: years === storm.years }, `${years}-year`)));
    select.addEventListener("change", () => {
      storm.years = Number(select.value);
      onToggle(storm, true, select.id);
    });
    row.append(select);
    return [row, storm.on ? el("p", { class: "step storm-told" }, `${storm.years}-year storm, water ${storm.least} deep or more. ${storm.note}`) : null];
  };

  // Whether there is anything of it on the map as it stands.
  const isDrawn = (model, { on, fromZoom = 0, needs, seen }) =>
    on && model.zoom >= fromZoom && (!needs || needs(model)) && seen !== 0;

  // What belongs together stands under one heading, in this order.
  const GROUPS = [
    ["Selected unit", ["check_lines", "chosen_path", "accuracy", "outlet_hunts"]],
    ["Discharge", ["discharge_points", "outlet_candidates"]],
    ["Water", ["flow_paths", "streams", "drains", "water_bodies", "floodplain", "pond_storms", "pond_depth_brim"]],
    ["Wells and protected places", ["wells", "protected_places"]],
    ["Roads and lots", ["roads", "culverts", "terrain_cuts", "buildings", "parcels"]],
    ["Ground", ["relief"]],
  ];

  const grouped = (model) => {
    const { extras, layers, storm, pictures } = model;
    const all = [...(model.isAreas() ? [] : extras.filter((entry) => !entry.lone || entry.needs(model))), ...layers, ...pictures, ...(storm ? [storm] : [])];
    const land = ["Sensitivity of the land", all.map(({ name }) => name).filter((name) => name.startsWith("sensitivity"))];
    const named = new Set([...GROUPS, land].flatMap(([, names]) => names));
    return [...GROUPS, land, ["More", all.map(({ name }) => name).filter((name) => !named.has(name))]]
      .map(([title, names]) => ({ title, entries: names.flatMap((name) => all.filter((entry) => entry.name === name)) }))
      .filter(({ entries: held }) => held.length);
  };

  // The hand that paints the sample of an entry.
  const handOf = (model, colors) => {
    const paint = { ...painters(colors), ...model.paints(colors) };
    return (entry) => {
      if (entry === model.storm) return swatch(colors.pond);
      if (model.layers.includes(entry)) return paint[entry.kind](entry.name);
      if (model.pictures.includes(entry)) return entry.steps.length ? swatch(entry.steps[0][0]) : paint.relief;
      return paint[entry.name];
    };
  };

  // What is drawn now, for a picture of the map: words, and the hand that paints their sample.
  const entries = (model, colors) => {
    const hand = handOf(model, colors);
    const told = (entry) => {
      if (entry.steps && entry.steps.length) return entry.steps.map(([color, words]) => ({ words, paint: swatch(color) }));
      return [{ words: entry === model.storm ? `Ponding after a ${entry.years}-year storm` : entry.label, paint: hand(entry) }];
    };
    return [...model.signs(colors),
      ...grouped(model).flatMap((group) => group.entries).filter((entry) => isDrawn(model, entry)).flatMap(told)];
  };

  const tickRow = (entry, picture, onToggle, onCloser) => {
    const tick = dom.tick({ checked: entry.on, id: `show-${entry.name}` }, (on) => onToggle(entry, on));
    const row = el("div", { class: "layer" },
      el("label", { class: "tick" }, tick, picture, el("span", {}, entry.label)));
    if (entry.fromZoom) {
      row.append(dom.button({ class: "zoom-note", "data-from": entry.fromZoom, "aria-label": `Zoom in to show ${entry.label}` },
        () => onCloser(entry), "zoom in"));
    }
    return row;
  };

  const steps = (picture) =>
    picture.steps.map(([color, label]) =>
      el("p", { class: "step" }, sample(swatch(color)), label));

  const show = (node, model, colors, onToggle, onCloser) => {
    const hand = handOf(model, colors);
    const signs = model.signs(colors).map(({ words, paint, beside }) =>
      el("p", { class: `step${beside ? " on-paper" : ""}${paint ? "" : " heading"}` }, paint ? sample(paint) : null, words));
    const rowsOf = (entry) => {
      if (entry === model.storm) return stormRows(model, colors, onToggle);
      return [tickRow(entry, sample(hand(entry)), onToggle, onCloser), ...(entry.steps && entry.on ? steps(entry) : []),
        entry.note && entry.on ? el("p", { class: "step storm-told" }, entry.note) : null];
    };
    dom.fill(node, signs, grouped(model).map(({ title, entries: held }) =>
      el("div", { class: "legend-group", role: "group", "aria-label": title },
        el("p", { class: "legend-title", "aria-hidden": "true" }, title), held.map(rowsOf))));
  };

  // Layers that need a closer look say so; paper leaves out what is not there.
  const rested = (node, model) => {
    for (const { entries: held } of grouped(model)) {
      for (const entry of held) {
        const tick = node.querySelector(`#show-${entry.name}`);
        if (!tick) continue; // needed since the rows were made
        const row = tick.closest(".layer");
        row.classList.toggle("not-drawn", !isDrawn(model, entry));
        row.closest(".legend-group").classList.toggle("not-drawn", !held.some((each) => isDrawn(model, each)));
      }
    }
    for (const note of node.querySelectorAll(".zoom-note")) {
      note.hidden = model.zoom >= Number(note.dataset.from) || !note.closest(".layer").querySelector("input").checked;
    }
  };

  return Object.freeze({ show, rested, isDrawn, entries, swatch, line, width: WIDTH, height: HEIGHT });
})();
