// Names of the county's layers, where there is room for them.
const placeNames = (() => {
  const FROM = { roads: 15, wells: 18, outlet_candidates: 18 };

  const boxOf = (x, y, half) => ({ west: x - half, east: x + half, south: y - half, north: y + half });
  const overlaps = (a, b) => a.west <= b.east && a.east >= b.west && a.south <= b.north && a.north >= b.south;

  // A name once, along its shape or beside its point where no other name stands and no mark.
  const draw = (context, view, layer, rows, colors, taken, marked) => {
    context.font = `italic 12px ${colors.font}`;
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.lineWidth = 3;
    context.strokeStyle = colors.halo;
    context.fillStyle = layer.name === "roads" || layer.kind === "point" ? colors.name : colors.waterName;
    const said = new Set();
    for (const row of rows) {
      const name = layer.names(row);
      if (!name || said.has(name) || taken.length > 60) continue;
      const half = context.measureText(name).width / 2 + 4;
      const free = spots(layer, row, view, half).map(([x, y]) => ({ x, y, west: x - half, east: x + half, south: y - 8, north: y + 8 }))
        .find((box) => !taken.some((other) => overlaps(other, box)) && !marked(box));
      if (!free) continue;
      taken.push(free);
      said.add(name);
      context.strokeText(name, free.x, free.y);
      context.fillText(name, free.x, free.y);
    }
  };

  // Where no name may stand: under what lies over the map, and where the edge of what is seen would
  // cut it; the canvas reaches beyond.
  const kept = ({ width, height, margin }) => {
    const [x, y] = [width * margin, height * margin];
    const over = [...document.querySelectorAll("#legend, .map-acts")].map(({ offsetLeft: left, offsetTop: top, offsetWidth, offsetHeight }) =>
      [x + left, x + left + offsetWidth, y + top, y + top + offsetHeight]);
    return [...over, [x, x], [width - x, width - x], [-Infinity, Infinity, y, y], [-Infinity, Infinity, height - y, height - y]]
      .map(([west, east, south = -Infinity, north = Infinity]) => ({ west, east, south, north }));
  };

  // Whether a box covers any of some small boxes; those are kept in strips, so that few are asked.
  const STRIP = 32;
  const crowd = (boxes) => {
    const strips = new Map();
    for (const box of boxes) {
      const at = Math.floor((box.south + box.north) / 2 / STRIP);
      if (!strips.has(at)) strips.set(at, []);
      strips.get(at).push(box);
    }
    return (box) => {
      for (let at = Math.floor(box.south / STRIP) - 1; at <= Math.floor(box.north / STRIP) + 1; at += 1) {
        if ((strips.get(at) || []).some((other) => overlaps(box, other))) return true;
      }
      return false;
    };
  };

  // Where a name may stand, best first.
  const spots = (layer, row, view, half) => {
    if (layer.kind === "point") {
      const [x, y] = [view.x(layer.at.x[row]), view.y(layer.at.y[row])];
      return [[x, y + 15], [x, y - 16], [x + half + 8, y], [x - half - 8, y]];
    }
    const { shape } = layer;
    if (layer.kind === "area") {
      const box = shape.box(row);
      const [x, y] = [view.x((box.west + box.east) / 2), view.y((box.south + box.north) / 2)];
      return [0, -14, 14, -28, 28].map((dy) => [x, y + dy]);
    }
    const seen = [];
    for (let i = shape.run[shape.row[row]]; i < shape.run[shape.row[row + 1]]; i += 1) {
      if (choosing.isInside(shape, i, view.box)) seen.push(i);
    }
    return [0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9].map((share) => seen[Math.floor(share * seen.length)])
      .filter((i) => i !== undefined).flatMap((i) => {
        const [x, y] = [view.x(shape.x[i]), view.y(shape.y[i])];
        return [[x, y], [x, y - 12], [x, y + 12]];
      });
  };

  return Object.freeze({ from: (layer) => FROM[layer] || 13, draw, crowd, boxOf, kept });
})();
