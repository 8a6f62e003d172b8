// What the signs mean and which are shown: one row for each thing there is to show.
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

  const painters = (colours) => ({
    point: (name) => (context) => ground.pointSign(context, name, WIDTH / 2, HEIGHT / 2, colours),
    line: (name) => (context) => line(context, ground.lineStyles[name](colours, 15)),
    area: (name) => (context) => area(context, ground.areaStyles[name](context, colours)),
    discharge_points: (context) => unitLayer.outletSign(context, WIDTH / 2, HEIGHT / 2, 5, colours),
    accuracy: (context) => {
      context.beginPath();
      context.arc(WIDTH / 2, HEIGHT / 2, HEIGHT / 2 - 1.5, 0, 2 * Math.PI);
      chosenLayer.doubt(context, colours.ink);
    },
    flow_paths: (context) => line(context, { stroke: colours.path, width: 1.6, dash: [1, 4] }),
    relief: (context) => {
      const shade = context.createLinearGradient(0, 0, WIDTH, 0);
      shade.addColorStop(0, colours.shadeLight);
      shade.addColorStop(1, colours.shadeDark);
      area(context, { fill: shade, stroke: null });
    },
  });

  const swatch = (fill) => (context) => area(context, { fill, stroke: null });
  const markSample = (kind, colours) => (context) => marks.draw(context, kind, WIDTH / 2, HEIGHT / 2, 8, colours, true);

  // What the ponds of the chosen storm look like, and which storm that is.
  const stormRows = (model, colours, onToggle) => {
    const { storm } = model;
    if (!storm) return [];
    const row = tickRow(storm, sample(swatch(colours.pond)), onToggle);
    const select = el("select", { id: "storm-years", "aria-label": "Storm of the ponds" },
      storm.storms.map((years) => el("option", { value: years, selected: years === storm.years }, `${years}-year`)));
    select.addEventListener("change", () => {
      storm.years = Number(select.value);
      onToggle(storm, true, select.id);
    });
    row.append(select);
    return [row, storm.on ? el("p", { class: "step" }, `${storm.years}-year storm: water ${storm.least} deep or more`) : null];
  };

  const areaSteps = (model, colours) => [
    ...smallAreas.stepWords(model.areas, model.show).map((words, i) => ({ words, paint: swatch(colours.steps[i]) })),
    { words: "not known", paint: swatch(colours.unknown) },
  ];

  const arrow = (up, colours) => (context) => {
    context.fillStyle = colours.ink;
    context.beginPath();
    const tip = up ? -6 : 6;
    [[0, tip], [5, -tip / 2], [-5, -tip / 2]].forEach(([x, y], i) => context[i ? "lineTo" : "moveTo"](WIDTH / 2 + x, HEIGHT / 2 + y));
    context.fill();
  };

  const fixedRows = (model, colours) => [
    ...(model.isAreas() ? areaSteps(model, colours)
      : model.classesHere.filter((kind) => model.classesOn.has(kind))
        .map((kind) => ({ words: model.data.words.classes[kind], paint: markSample(kind, colours), kind }))),
    ...(model.moved && !model.isAreas() ? [true, false].map((up) =>
      ({ words: `${up ? "nearer the front" : "farther back"} than ${model.moved.before}`, paint: arrow(up, colours) })) : []),
  ];

  // What is drawn now, for a picture of the map: words, and the hand that paints their sample.
  const entries = (model, colours) => {
    const paint = painters(colours);
    const isDrawn = (entry) => entry.on && model.zoom >= (entry.fromZoom || 0);
    const named = (entry, hand) => ({ words: entry.label, paint: hand });
    return [
      ...fixedRows(model, colours),
      ...(model.isAreas() ? [] : model.extras.filter(isDrawn).map((entry) => named(entry, paint[entry.name]))),
      ...[...model.layers].reverse().filter(isDrawn).map((entry) => named(entry, paint[entry.kind](entry.name))),
      ...(model.storm && model.storm.on ? [{ words: `Ponds of a ${model.storm.years}-year storm`, paint: swatch(colours.pond) }] : []),
      ...model.pictures.filter(isDrawn).flatMap((entry) => (entry.steps.length
        ? entry.steps.map(([colour, words]) => ({ words, paint: swatch(colour) })) : [named(entry, paint.relief)])),
    ];
  };

  const tickRow = (entry, picture, onToggle, onCloser) => {
    const tick = el("input", { type: "checkbox", checked: entry.on, id: `show-${entry.name}` });
    tick.addEventListener("change", () => onToggle(entry, tick.checked));
    tick.dataset.from = entry.fromZoom || 0;
    const row = el("div", { class: "layer" },
      el("label", { class: "tick" }, tick, picture, el("span", {}, entry.label)));
    if (entry.note) row.append(el("span", { class: "small" }, entry.note));
    if (entry.fromZoom) {
      const closer = el("button", { type: "button", class: "zoom-note", "data-from": entry.fromZoom,
        "aria-label": `Zoom in until this shows: ${entry.label}` }, "zoom in");
      closer.addEventListener("click", () => onCloser(entry));
      row.append(closer);
    }
    return row;
  };

  const steps = (picture) =>
    picture.steps.map(([colour, label]) =>
      el("p", { class: "step" }, sample((context) => area(context, { fill: colour, stroke: null })), label));

  const show = (node, model, colours, onToggle, onCloser) => {
    const paint = painters(colours);
    const isShown = model.isAreas() || model.moved; // else the classes stand beside the search
    const rows = fixedRows(model, colours).map(({ words, paint: hand, kind }) =>
      el("p", { class: isShown && kind === undefined ? "step" : "step on-paper" }, sample(hand), words));
    for (const entry of model.isAreas() ? [] : model.extras) rows.push(tickRow(entry, sample(paint[entry.name]), onToggle, onCloser));
    for (const layer of [...model.layers].reverse()) {
      rows.push(tickRow(layer, sample(paint[layer.kind](layer.name)), onToggle, onCloser));
    }
    rows.push(...stormRows(model, colours, onToggle).filter((row) => row));
    for (const picture of model.pictures) {
      const hasSteps = picture.steps.length ? area : null;
      rows.push(tickRow(picture, sample(hasSteps ? (c) => area(c, { fill: picture.steps[0][0], stroke: null }) : paint.relief), onToggle, onCloser));
      rows.push(...(picture.on ? steps(picture) : []));
    }
    dom.fill(node, rows);
  };

  // Layers that need a closer look say so.
  const zoomed = (node, zoom) => {
    for (const tick of node.querySelectorAll(".layer input")) {
      tick.closest(".layer").classList.toggle("not-drawn", !tick.checked || zoom < Number(tick.dataset.from));
    }
    for (const note of node.querySelectorAll(".zoom-note")) {
      note.hidden = zoom >= Number(note.dataset.from) || !note.closest(".layer").querySelector("input").checked;
    }
  };

  return Object.freeze({ show, zoomed, entries });
})();
