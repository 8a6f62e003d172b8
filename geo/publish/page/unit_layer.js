// Units, their discharge points and flow paths; what is chosen stands out.
const unitLayer = (() => {
  const THIN_BELOW = 14;
  const SIGNS_FROM = 16;

  const radius = (zoom) => (zoom >= SIGNS_FROM ? 9 : zoom >= 13 ? 6 : 4.5);
  const sizes = [1, 1, 0.72, 0.72]; // from afar the routine stand back

  const stroke = (context, colour, width, dash = []) => {
    context.setLineDash(dash);
    context.lineWidth = width;
    context.strokeStyle = colour;
    context.lineCap = "round";
    context.stroke();
    context.setLineDash([]);
  };

  const drawPaths = (context, view, model, colours) => {
    if (view.zoom < 15 || !model.flowPaths || !model.isOn("flow_paths")) return;
    const { unit } = model.flowPaths;
    const shape = model.flowPaths.shape();
    context.beginPath();
    for (let row = 0; row < shape.count; row += 1) {
      if (!ground.overlaps(shape.boxes[row], view.box)) continue;
      if (unit[row] !== model.chosen) ground.tracePath(context, view, shape, row, false);
    }
    stroke(context, colours.path, 1.1, [1, 4]);
  };

  const drawChosenPath = (context, view, model, colours) => {
    if (!model.flowPaths || model.chosen === null) return;
    const { unit } = model.flowPaths;
    const shape = model.flowPaths.shape();
    for (let row = 0; row < shape.count; row += 1) {
      if (unit[row] !== model.chosen) continue;
      context.beginPath();
      ground.tracePath(context, view, shape, row, false);
      stroke(context, colours.halo, 6);
      stroke(context, colours.path, 3);
      arrow(context, view, shape, row, colours.path);
    }
  };

  const arrow = (context, view, shape, row, colour) => {
    const last = shape.run[shape.row[row + 1]] - 1;
    const first = shape.run[shape.row[row]];
    const [x, y] = [view.x(shape.x[last]), view.y(shape.y[last])];
    let from = last - 1;
    while (from > first && Math.hypot(view.x(shape.x[from]) - x, view.y(shape.y[from]) - y) < 12) from -= 1;
    if (from < first) return;
    const way = Math.atan2(y - view.y(shape.y[from]), x - view.x(shape.x[from]));
    context.beginPath();
    context.moveTo(x, y);
    for (const turn of [2.6, -2.6]) context.lineTo(x + 13 * Math.cos(way + turn), y + 13 * Math.sin(way + turn));
    context.closePath();
    context.fillStyle = colour;
    context.fill();
  };

  const outletSign = (context, x, y, size, colours) => {
    context.beginPath();
    context.moveTo(x, y - size);
    context.lineTo(x + size, y);
    context.lineTo(x, y + size);
    context.lineTo(x - size, y);
    context.closePath();
    context.fillStyle = colours.halo;
    context.fill();
    stroke(context, colours.path, 1.8);
  };

  const drawOutlets = (context, view, model, colours) => {
    const { dischargePoints: outlets, places } = model;
    if (!outlets) return;
    const all = model.isOn("discharge_points") && view.zoom >= 15;
    outlets.unit.forEach((unit, i) => {
      const isChosen = unit !== null && unit === model.chosen;
      if (!isChosen && !(all && choosing.isInside(outlets.at, i, view.box))) return;
      const [x, y] = [view.x(outlets.at.x[i]), view.y(outlets.at.y[i])];
      if (unit !== null && (isChosen || view.zoom >= 16)) {
        context.beginPath();
        context.moveTo(view.x(places.x[unit]), view.y(places.y[unit]));
        context.lineTo(x, y);
        if (isChosen) stroke(context, colours.halo, 4.5);
        stroke(context, colours.ink, isChosen ? 2 : 0.8, isChosen ? [6, 4] : []);
      }
      outletSign(context, x, y, isChosen ? 6 : 4, colours);
    });
  };

  const drawChecks = (context, view, model, colours) => {
    context.beginPath();
    for (const line of model.chosen === null ? [] : model.checkLines(model.chosen)) {
      context.moveTo(view.x(line[0]), view.y(line[1]));
      context.lineTo(view.x(line[2]), view.y(line[3]));
    }
    stroke(context, colours.halo, 3.5);
    stroke(context, colours.ink, 1.4, [2, 3]);
  };

  const drawUnits = (context, view, model, colours) => {
    const { places, kinds } = model;
    const seen = model.visible.filter((row) => choosing.isInside(places, row, view.box));
    const kept = view.zoom < THIN_BELOW ? choosing.thinned(places, seen, (1.8 * radius(view.zoom)) / view.perMetre, view.box) : seen;
    model.leftOut = seen.length - kept.length;
    const size = radius(view.zoom);
    const sprites = new Map();
    const sprite = (kind) => {
      const hasSign = view.zoom >= SIGNS_FROM;
      if (!sprites.has(kind)) sprites.set(kind, stamp(kind, size * (hasSign ? 1 : sizes[kind]), hasSign, colours));
      return sprites.get(kind);
    };
    for (let i = kept.length - 1; i >= 0; i -= 1) { // the most urgent last, on top
      const { canvas, half } = sprite(kinds[kept[i]]);
      context.drawImage(canvas, view.x(places.x[kept[i]]) - half, view.y(places.y[kept[i]]) - half, 2 * half, 2 * half);
    }
  };

  const stamp = (kind, size, withSign, colours) => {
    const half = Math.ceil(size * 1.3 + 3);
    const canvas = document.createElement("canvas");
    canvas.width = canvas.height = half * 4;
    const context = canvas.getContext("2d");
    context.scale(2, 2);
    marks.draw(context, kind, half, half, size, colours, withSign);
    return { canvas, half };
  };

  const drawChosen = (context, view, model, colours) => {
    if (model.chosen === null || Number.isNaN(model.places.x[model.chosen])) return;
    const [x, y] = [view.x(model.places.x[model.chosen]), view.y(model.places.y[model.chosen])];
    context.beginPath();
    context.arc(x, y, 17, 0, 2 * Math.PI);
    stroke(context, colours.halo, 6);
    stroke(context, colours.ink, 2.5);
    marks.draw(context, model.kinds[model.chosen], x, y, 9, colours, true);
  };

  const draw = (context, view, model, colours) => {
    drawPaths(context, view, model, colours);
    drawChosenPath(context, view, model, colours);
    drawChecks(context, view, model, colours);
    drawOutlets(context, view, model, colours);
    drawUnits(context, view, model, colours);
    drawChosen(context, view, model, colours);
  };

  return Object.freeze({ draw, radius, outletSign });
})();
