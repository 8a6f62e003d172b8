// Units, their discharge points and flow paths.
const unitLayer = (() => {
  const { stroke } = marks;
  const THIN_BELOW = 14;
  const DETAILS_FROM = 16; // pipes, discharge points and flow paths of all units
  const reach = (zoom) => (zoom >= DETAILS_FROM ? 9 : 7); // of a mark from its middle, in pixels

  const drawPaths = (context, view, model, colors) => {
    const paths = view.zoom < DETAILS_FROM || !model.isOn("flow_paths") ? null : model.flowPaths();
    if (!paths) return;
    const { unit, shape } = paths;
    context.beginPath();
    for (let row = 0; row < shape.count; row += 1) {
      if (!shape.isSeen(row, view.box)) continue;
      if (unit[row] !== model.chosen && model.isShown(unit[row])) ground.tracePath(context, view, shape, row, false);
    }
    stroke(context, colors.path, 1.1, [1, 4]);
  };

  const outletSign = (context, x, y, size, colors) => {
    context.beginPath();
    ground.diamond(context, x, y, size);
    context.fillStyle = colors.halo;
    context.fill();
    stroke(context, colors.path, 1.8);
  };

  const drawOutlets = (context, view, model, colors) => {
    const { places } = model;
    const all = model.isOn("discharge_points") && view.zoom >= DETAILS_FROM;
    const outlets = all || model.chosen !== null ? model.dischargePoints() : null;
    if (!outlets) return;
    outlets.unit.forEach((unit, i) => {
      const isChosen = unit !== null && unit === model.chosen;
      if (!isChosen && !(all && model.isShown(unit) && choosing.isInside(outlets.at, i, view.box))) return;
      const [x, y] = [view.x(outlets.at.x[i]), view.y(outlets.at.y[i])];
      if (unit !== null && (isChosen || view.zoom >= DETAILS_FROM)) {
        context.beginPath();
        context.moveTo(view.x(places.x[unit]), view.y(places.y[unit]));
        context.lineTo(x, y);
        if (isChosen) stroke(context, colors.halo, 4.5);
        stroke(context, colors.ink, isChosen ? 2 : 0.8, isChosen ? [6, 4] : []);
      }
      outletSign(context, x, y, isChosen ? 6 : 4, colors);
    });
  };

  // The rows whose marks are drawn; marks that would cover each other are left out from afar.
  let last = {}; // both canvases ask for the same

  const kept = (view, model) => {
    const { places, visible } = model;
    const key = [view.zoom, ...Object.values(view.box)].join(" ");
    if (last.key === key && last.visible === visible) return last;
    last = { key, visible, ...thinnedOut(view, places, visible) };
    return last;
  };

  const thinnedOut = (view, places, visible) => {
    const seen = visible.filter((row) => choosing.isInside(places, row, view.box));
    const rows = view.zoom < THIN_BELOW ? choosing.thinned(places, seen, (1.8 * markSizes.least(view.zoom)) / view.perMeter, view.box) : seen;
    return { rows, leftOut: seen.length - rows.length };
  };

  const drawUnits = (context, view, model, colors) => {
    const { places, kinds } = model;
    const { rows, leftOut } = kept(view, model);
    model.leftOut = leftOut;
    const sprites = new Map();
    const sprite = (kind) => {
      if (!sprites.has(kind)) sprites.set(kind, stamp(kind, markSizes.of(view, model)[kind], colors));
      return sprites.get(kind);
    };
    for (let i = rows.length - 1; i >= 0; i -= 1) { // the most urgent last, on top
      const { canvas, half } = sprite(kinds[rows[i]]);
      // on whole pixels, as they were drawn: nothing to blend
      context.drawImage(canvas, Math.round(view.x(places.x[rows[i]])) - half, Math.round(view.y(places.y[rows[i]])) - half, 2 * half, 2 * half);
    }
  };

  const stamp = (kind, { radius, hasSign }, colors) => {
    const half = Math.ceil(radius * 1.3 + 3);
    const canvas = document.createElement("canvas");
    const ratio = canvasLayer.ratio();
    canvas.width = canvas.height = Math.round(2 * half * ratio);
    const context = canvas.getContext("2d");
    context.scale(ratio, ratio);
    marks.draw(context, kind, half, half, radius, colors, hasSign);
    return { canvas, half };
  };

  const draw = (context, view, model, colors) => {
    chosenLayer.drawDoubt(context, view, model, colors);
    drawPaths(context, view, model, colors);
    chosenLayer.drawLines(context, view, model, colors);
    drawOutlets(context, view, model, colors);
    drawUnits(context, view, model, colors);
    chosenLayer.drawHunt(context, view, model, colors);
    chosenLayer.drawMark(context, view, model, colors);
  };

  // The places of the marks on the screen, so that names can stand beside them.
  const markBoxes = (view, model) => {
    const boxes = ({ x, y }, rows, half) => rows.map((row) => placeNames.boxOf(view.x(x[row]), view.y(y[row]), half));
    const hunt = chosenLayer.huntOf(view, model);
    return [...boxes(model.places, kept(view, model).rows, reach(view.zoom)),
      ...(hunt ? hunt.places.map(({ x, y }) => placeNames.boxOf(view.x(x), view.y(y), 11)) : []),
      ...chosenLayer.wayPlaces(model).map(([x, y]) => placeNames.boxOf(view.x(x), view.y(y), 5))];
  };

  return Object.freeze({ draw, reach, outletSign, markBoxes, rows: (view, model) => kept(view, model).rows });
})();
