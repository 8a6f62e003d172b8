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
    relief: (context) => {
      const shade = context.createLinearGradient(0, 0, WIDTH, 0);
      shade.addColorStop(0, colours.shadeLight);
      shade.addColorStop(1, colours.shadeDark);
      area(context, { fill: shade, stroke: null });
    },
  });

  const swatch = (fill) => (context) => area(context, { fill, stroke: null });
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
    return [row, storm.on ? el("p", { class: "step storm-told" }, `${storm.years}-year storm: water ${storm.least} deep or more`) : null];
  };

  // Whether there is anything of it on the map as it stands.
  const isDrawn = (model, { on, fromZoom = 0, needs, seen }) =>
    on && model.zoom >= fromZoom && (!needs || needs(model)) && seen !== 0;

  // What is drawn now, for a picture of the map: words, and the hand that paints their sample.
  const entries = (model, colours) => {
    const paint = { ...painters(colours), ...model.paints(colours) };
    const named = (entry, hand) => ({ words: entry.label, paint: hand });
    return [
      ...model.signs(colours),
      ...(model.isAreas() ? [] : model.extras.filter((entry) => isDrawn(model, entry)).map((entry) => named(entry, paint[entry.name]))),
      ...[...model.layers].reverse().filter((entry) => isDrawn(model, entry)).map((entry) => named(entry, paint[entry.kind](entry.name))),
      ...(model.storm && model.storm.on ? [{ words: `Ponds of a ${model.storm.years}-year storm`, paint: swatch(colours.pond) }] : []),
      ...model.pictures.filter((entry) => isDrawn(model, entry)).flatMap((entry) => (entry.steps.length
        ? entry.steps.map(([colour, words]) => ({ words, paint: swatch(colour) })) : [named(entry, paint.relief)])),
    ];
  };

  const tickRow = (entry, picture, onToggle, onCloser) => {
    const tick = el("input", { type: "checkbox", checked: entry.on, id: `show-${entry.name}` });
    tick.addEventListener("change", () => onToggle(entry, tick.checked));
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
    const paint = { ...painters(colours), ...model.paints(colours) };
    const rows = model.signs(colours).map(({ words, paint: hand, beside }) =>
      el("p", { class: `step${beside ? " on-paper" : ""}${hand ? "" : " heading"}` }, hand ? sample(hand) : null, words));
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

  // Layers that need a closer look say so; paper leaves out what is not there.
  const rested = (node, model) => {
    for (const entry of [...model.extras, ...model.layers, ...model.pictures, model.storm]) {
      const tick = entry && node.querySelector(`#show-${entry.name}`);
      if (tick) tick.closest(".layer").classList.toggle("not-drawn", !isDrawn(model, entry));
    }
    for (const note of node.querySelectorAll(".zoom-note")) {
      note.hidden = model.zoom >= Number(note.dataset.from) || !note.closest(".layer").querySelector("input").checked;
    }
  };

  return Object.freeze({ show, rested, isDrawn, entries, swatch, line, width: WIDTH, height: HEIGHT });
})();
