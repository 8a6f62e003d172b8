// What stands out of the chosen unit: its way of the water, its setbacks, where it may really be.
const chosenLayer = (() => {
  const { stroke } = marks;
  const EARTH_M = 6378137;

  // The rows of its flow paths, where they are drawn.
  const pathsOf = (model) => {
    const paths = model.chosen === null || !model.isOn("chosen_path") ? null : model.flowPaths();
    const rows = paths ? [...paths.unit.keys()].filter((row) => paths.unit[row] === model.chosen) : [];
    return { rows, shape: paths && paths.shape };
  };

  const drawChosenPath = (context, view, model, colors) => {
    const { rows, shape } = pathsOf(model);
    for (const row of rows) {
      context.beginPath();
      ground.tracePath(context, view, shape, row, false);
      stroke(context, colors.halo, 6);
      stroke(context, colors.path, 3);
      if (!drawOn(context, view, model, colors, shape, row)) arrow(context, view, shape, row, colors.path);
    }
  };

  // Places along all that is drawn of its way.
  const wayPlaces = (model) => {
    const { rows, shape } = pathsOf(model);
    const streams = rows.length ? model.streamsUnder(model.chosen) : null;
    return rows.flatMap((row) => {
      const first = shape.run[shape.row[row]];
      const own = Array.from(shape.x.subarray(first, shape.run[shape.row[row + 1]]), (x, i) => [x, shape.y[first + i]]);
      return [...own, ...(streams ? onward(streams, shape, row) : [])];
    });
  };

  // The way on down the streams, as far as their lines on the map go on into each other.
  const ways = new WeakMap();
  const onward = (streams, shape, row) => {
    if (!ways.has(shape)) ways.set(shape, new Map());
    const known = ways.get(shape);
    const last = shape.run[shape.row[row + 1]] - 1;
    if (!known.has(row)) known.set(row, downWater.follow(streams, shape.x[last], shape.y[last]).way);
    return known.get(row);
  };

  const drawOn = (context, view, model, colors, shape, row) => {
    const layer = model.streamsUnder(model.chosen);
    if (!layer) return false;
    const way = onward(layer, shape, row);
    if (!way.length) return false;
    context.beginPath();
    way.forEach(([x, y], i) => context[i ? "lineTo" : "moveTo"](view.x(x), view.y(y)));
    stroke(context, colors.halo, 6);
    stroke(context, colors.path, 3, [9, 7]);
    arrowAt(context, view, way.map(([x]) => x), way.map(([, y]) => y), 0, way.length - 1, colors.path);
    return true;
  };

  const arrow = (context, view, shape, row, color) =>
    arrowAt(context, view, shape.x, shape.y, shape.run[shape.row[row]], shape.run[shape.row[row + 1]] - 1, color);

  // The head of an arrow at the last of some places, along their last 12 pixels.
  const arrowAt = (context, view, xs, ys, first, last, color) => {
    const [x, y] = [view.x(xs[last]), view.y(ys[last])];
    let from = last - 1;
    while (from > first && Math.hypot(view.x(xs[from]) - x, view.y(ys[from]) - y) < 12) from -= 1;
    if (from < first) return;
    const way = Math.atan2(y - view.y(ys[from]), x - view.x(xs[from]));
    context.beginPath();
    context.moveTo(x, y);
    for (const turn of [2.6, -2.6]) context.lineTo(x + 13 * Math.cos(way + turn), y + 13 * Math.sin(way + turn));
    context.closePath();
    context.fillStyle = color;
    context.fill();
  };

  // Meters of the Mercator plane for one meter on the ground, at a place of that plane; the sphere
  // it takes the earth for makes this up to 0.7 % off.
  const planeMeters = (mercatorY) => Math.cosh(mercatorY / EARTH_M);

  const circle = (context, view, model, x, y, tenths, color) => {
    if (!tenths || Number.isNaN(x)) return;
    const radius = (tenths / 10) * planeMeters(model.data.plane[1] + y) * view.perMeter;
    if (radius < 3) return;
    context.beginPath();
    context.arc(view.x(x), view.y(y), radius, 0, 2 * Math.PI);
    doubt(context, color);
  };

  const doubt = (context, color) => {
    context.globalAlpha = 0.14;
    context.fillStyle = color;
    context.fill();
    context.globalAlpha = 1;
    stroke(context, color, 1.3, [5, 4]);
  };

  // Where the chosen unit and its discharge points may really be.
  const drawDoubt = (context, view, model, colors) => {
    const { chosen, places } = model;
    if (chosen === null || !model.isOn("accuracy")) return;
    const outlets = model.dischargePoints();
    circle(context, view, model, places.x[chosen], places.y[chosen], model.within(chosen), colors.ink);
    if (!outlets) return;
    outlets.unit.forEach((unit, i) => {
      if (unit === chosen) circle(context, view, model, outlets.at.x[i], outlets.at.y[i], outlets.within(i), colors.path);
    });
  };

  const drawChecks = (context, view, model, colors) => {
    if (model.chosen === null || !model.isOn("check_lines")) return;
    context.beginPath();
    for (const line of model.checkLines(model.chosen)) {
      context.moveTo(view.x(line[0]), view.y(line[1]));
      context.lineTo(view.x(line[2]), view.y(line[3]));
    }
    stroke(context, colors.halo, 3.5);
    stroke(context, colors.ink, 1.4, [2, 3]);
  };

  const drawMark = (context, view, model, colors) => {
    if (model.chosen === null || Number.isNaN(model.places.x[model.chosen])) return;
    const [x, y] = [view.x(model.places.x[model.chosen]), view.y(model.places.y[model.chosen])];
    context.beginPath(); // four corners: a circle would look like the one of doubt
    for (const [sx, sy] of [[-1, -1], [1, -1], [1, 1], [-1, 1]]) {
      context.moveTo(x + 16 * sx, y + 8 * sy);
      context.lineTo(x + 16 * sx, y + 16 * sy);
      context.lineTo(x + 8 * sx, y + 16 * sy);
    }
    stroke(context, colors.halo, 6.5);
    stroke(context, colors.ink, 3);
    marks.draw(context, model.kinds[model.chosen], x, y, 9, colors, true);
  };

  // The likely places of the chosen unit's outlet; from afar they lie on the unit's own mark.
  const huntOf = (view, { chosen, isOn, hunt }) => (view.zoom >= 16 && chosen !== null && isOn("outlet_hunts") ? hunt(chosen) : null);
  const drawHunt = (context, view, model, colors) => {
    const { chosen, places } = model;
    const hunt = huntOf(view, model);
    if (hunt) outletPlaces.draw(context, view, hunt, [view.x(places.x[chosen]), view.y(places.y[chosen])], colors);
  };

  const drawLines = (context, view, model, colors) => {
    drawChosenPath(context, view, model, colors);
    drawChecks(context, view, model, colors);
  };

  return Object.freeze({ drawDoubt, drawLines, drawHunt, huntOf, wayPlaces, drawMark, doubt, planeMeters });
})();
