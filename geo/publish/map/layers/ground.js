// The county's own layers, quiet under the units: one canvas, names where there is room.
const ground = (() => {
  const tracePath = (context, view, shape, row, closed) => {
    for (let run = shape.row[row]; run < shape.row[row + 1]; run += 1) {
      for (let i = shape.run[run]; i < shape.run[run + 1]; i += 1) {
        const [x, y] = [view.x(shape.x[i]), view.y(shape.y[i])];
        if (i === shape.run[run]) context.moveTo(x, y);
        else context.lineTo(x, y);
      }
      if (closed) context.closePath();
    }
  };

  const hatch = (context, color) => {
    const tile = document.createElement("canvas");
    tile.width = 8;
    tile.height = 8;
    const ink = tile.getContext("2d");
    ink.strokeStyle = color;
    ink.lineWidth = 1;
    ink.beginPath();
    for (const shift of [-8, 0, 8]) {
      ink.moveTo(shift, 8);
      ink.lineTo(shift + 8, 0);
    }
    ink.stroke();
    return context.createPattern(tile, "repeat");
  };

  const areaStyles = {
    floodplain: (context, c) => ({ fill: hatch(context, c.flood), stroke: c.flood, width: 1 }),
    water_bodies: (_, c) => ({ fill: c.water, stroke: c.stream, width: 1 }),
    parcels: (_, c) => ({ fill: null, stroke: c.parcel, width: 0.8 }),
    buildings: (_, c) => ({ fill: c.building, stroke: null, width: 0 }),
  };
  const lineStyles = {
    roads: (c, zoom) => ({ stroke: c.road, width: zoom < 13 ? 0.9 : zoom < 16 ? 1.8 : 3.2, dash: [] }),
    drains: (c) => ({ stroke: c.drain, width: 1.4, dash: [7, 3, 1.5, 3] }),
    streams: (c, zoom) => ({ stroke: c.stream, width: zoom < 13 ? 1 : 1.8, dash: [] }),
    culverts: (c) => ({ stroke: c.culvert, width: 4, dash: [] }),
    terrain_cuts: (c) => ({ stroke: c.path, width: 1.8, dash: [] }),
  };

  const drawRows = (context, view, layer, rows, closed, paint) => {
    context.beginPath();
    for (const row of rows) tracePath(context, view, layer.shape, row, closed);
    paint();
  };

  const drawShapes = (context, view, layer, colors) => {
    const rows = [];
    for (let row = 0; row < layer.shape.count; row += 1) {
      if (layer.shape.isSeen(row, view.box)) rows.push(row);
    }
    const closed = layer.kind === "area";
    const style = closed
      ? areaStyles[layer.name](context, colors)
      : lineStyles[layer.name](colors, view.zoom);
    const paint = (dash) => () => {
      context.setLineDash(dash);
      context.lineJoin = "round";
      if (style.fill) {
        context.fillStyle = style.fill;
        context.fill("evenodd");
      }
      if (style.stroke) {
        context.lineWidth = style.width;
        context.strokeStyle = style.stroke;
        context.stroke();
      }
      context.setLineDash([]);
    };
    const isDashed = (row) => layer.dashed && layer.dashed[row];
    drawRows(context, view, layer, rows.filter((row) => !isDashed(row)), closed, paint(style.dash || []));
    if (layer.dashed) drawRows(context, view, layer, rows.filter(isDashed), closed, paint([5, 3]));
    return rows;
  };

  const drawPoints = (context, view, layer, colors) => {
    const rows = [];
    for (let row = 0; row < layer.at.x.length; row += 1) {
      if (!choosing.isInside(layer.at, row, view.box)) continue;
      rows.push(row);
      pointSign(context, layer.name, view.x(layer.at.x[row]), view.y(layer.at.y[row]), colors);
    }
    return rows;
  };

  const diamond = (context, x, y, size) => {
    context.moveTo(x, y - size);
    context.lineTo(x + size, y);
    context.lineTo(x, y + size);
    context.lineTo(x - size, y);
    context.closePath();
  };

  const pointSign = (context, name, x, y, colors) => {
    context.lineWidth = 1.4;
    context.fillStyle = colors.halo;
    context.beginPath();
    if (name === "wells") {
      context.strokeStyle = colors.well;
      context.arc(x, y, 4.5, 0, 2 * Math.PI);
      context.fill();
      context.moveTo(x - 4.5, y);
      context.lineTo(x + 4.5, y);
      context.moveTo(x, y - 4.5);
      context.lineTo(x, y + 4.5);
    } else if (name === "outlet_candidates") {
      context.strokeStyle = colors.name;
      context.setLineDash([2, 2]);
      diamond(context, x, y, 7);
      context.fill();
    } else {
      context.strokeStyle = colors.protected;
      context.fillStyle = colors.protected;
      context.moveTo(x - 3, y + 7);
      context.lineTo(x - 3, y - 8);
      context.lineTo(x + 7, y - 4.5);
      context.lineTo(x - 3, y - 1);
      context.fill();
    }
    context.stroke();
    context.setLineDash([]);
  };

  const prepare = (layer, coded) => ({
    dashed: coded.dashed || null,
    names: coded.names ? decode.texts(coded.names) : null,
    shape: layer.shape === "point" ? null : decode.shapes(coded),
    at: layer.shape === "point" ? decode.places(coded.x, coded.y, coded.step) : null,
  });

  // Layers that are shown and here; what is not here yet is asked for, and drawn when it has come.
  const draw = (context, view, layers, colors, marked, { named = true } = {}) => {
    const taken = placeNames.kept(view);
    const wanted = layers.filter((layer) => layer.on && view.zoom >= layer.fromZoom)
      .map((layer) => ({ ...layer, ...layer.shapes(), held: layer }));
    for (const { held } of wanted) held.seen = undefined; // not known while its shapes are on the way
    const shown = wanted.filter((layer) => layer.shape || layer.at);
    const drawn = shown.map((layer) =>
      (layer.kind === "point" ? drawPoints : drawShapes)(context, view, layer, colors));
    const signs = shown.flatMap(({ kind, at }, i) => (kind === "point" ? drawn[i].map((row) => placeNames.boxOf(view.x(at.x[row]), view.y(at.y[row]), 6)) : []));
    const covered = placeNames.crowd([...marked, ...signs]);
    shown.forEach((layer, i) => {
      layer.held.seen = drawn[i].length; // for a legend of what is there
      if (named && layer.names && view.zoom >= placeNames.from(layer.name)) {
        placeNames.draw(context, view, layer, drawn[i], colors, taken, covered);
      }
    });
  };

  return Object.freeze({ prepare, draw, tracePath, areaStyles, lineStyles, pointSign, diamond });
})();
