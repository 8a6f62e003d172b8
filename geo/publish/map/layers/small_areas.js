// The county in small areas: what each holds, its shade and its words on the map, and the chosen view.
const smallAreas = (() => {
  const STEPS = 5;
  const SHARES = [0.2, 0.4, 0.6, 0.8];

  const VIEWS = [
    { key: "units", label: "Individual units" },
    { key: "first", label: "By area: % to visit first", by: "% to visit first", part: "first", tail: "visit first" },
    { key: "wet", label: "By area: lids likely wet", by: "% of lids water may cover", part: "wet", tail: "lids" },
    { key: "count", label: "By area: number of units", by: "number of units" },
  ];

  const prepare = (coded) => ({
    shape: decode.shapes(coded),
    isNamed: coded.isNamed,
    names: decode.texts(coded.names),
    units: decode.numbers(coded.units),
    first: decode.numbers(coded.first),
    wet: decode.numbers(coded.wet),
    lids: decode.numbers(coded.lids),
    areaOf: decode.numbers(coded.areaOf),
    most: Math.max(1, ...unpack.list(coded.units)),
  });

  const isTold = (areas, key) =>
    key === "units" || key === "count" || areas.shape.rows().some((row) => areas[key](row) !== null);

  // Lids of which nothing is known are not dry: shares are those of the others.
  const among = (areas, part, row) => areas[part === "wet" ? "lids" : "units"](row);

  const valueOf = (areas, { part }, row) => {
    const units = among(areas, part, row);
    if (!part) return units;
    const n = areas[part](row);
    return n === null || !units ? null : n / units;
  };

  const edges = (areas, { part }) => {
    if (part) return SHARES;
    const step = Math.max(1, Math.ceil(areas.most / STEPS));
    return [1, 2, 3, 4].map((k) => k * step);
  };

  const stepOf = (areas, view, row) => {
    const value = valueOf(areas, view, row);
    return value === null ? null : edges(areas, view).filter((edge) => value >= edge).length;
  };

  const stepWords = (areas, view) => {
    const all = edges(areas, view);
    const said = all.map((edge) => wording.grouped(view.part ? Math.round(edge * 100) : edge));
    const unit = view.part ? "%" : "";
    return [`under ${said[0]}${unit}`, ...[0, 1, 2].map((i) => `${said[i]} to ${said[i + 1]}${unit}`), `${said[3]}${unit} or more`];
  };

  // Most of what the view asks for first.
  const ordered = (areas, view) =>
    areas.shape.rows().sort((a, b) => (valueOf(areas, view, b) ?? -1) - (valueOf(areas, view, a) ?? -1) || a - b);

  const words = (areas, view, row) => {
    const units = wording.grouped(areas.units(row));
    if (!view.part) return units;
    const n = areas[view.part](row);
    const known = among(areas, view.part, row);
    return n !== null && known ? `${wording.grouped(n)} of ${wording.grouped(known)}` : "not known";
  };

  const trace = (context, view, areas, row) => {
    context.beginPath();
    ground.tracePath(context, view, areas.shape, row, true);
  };
  const seen = (areas, view) => areas.shape.rows().filter((row) => areas.shape.isSeen(row, view.box));

  // The shades lie under the county's layers, the edges and words over them.
  const fill = (context, view, areas, shown, colors) => {
    context.globalAlpha = 0.78;
    for (const row of seen(areas, view)) {
      const step = stepOf(areas, shown, row);
      trace(context, view, areas, row);
      context.fillStyle = step === null ? colors.unknown : colors.steps[step];
      context.fill("evenodd");
    }
    context.globalAlpha = 1;
  };

  const name = (context, view, areas, shown, chosen, colors) => {
    for (const row of seen(areas, view)) {
      trace(context, view, areas, row);
      marks.stroke(context, colors.halo, 2.5);
      marks.stroke(context, colors.ink, row === chosen ? 3 : 0.8);
    }
    for (const row of seen(areas, view)) label(context, view, areas, shown, row, colors);
  };

  // A place well inside the largest ring of an area: the middle of the widest of some level cuts.
  const middles = new WeakMap();
  const middle = (shape, row) => {
    if (!middles.has(shape)) middles.set(shape, new Map());
    const known = middles.get(shape);
    if (!known.has(row)) known.set(row, widest(shape, row));
    return known.get(row);
  };

  const widest = (shape, row) => {
    const box = shape.box(row);
    let best = { width: -1, x: (box.west + box.east) / 2, y: (box.south + box.north) / 2 };
    for (let k = 1; k < 12; k += 1) {
      const y = box.south + ((box.north - box.south) * k) / 12;
      const cuts = [];
      for (let run = shape.row[row]; run < shape.row[row + 1]; run += 1) {
        const [from, to] = [shape.run[run], shape.run[run + 1]];
        for (let i = from, j = to - 1; i < to; j = i, i += 1) {
          if (shape.y[i] > y !== shape.y[j] > y) {
            cuts.push(shape.x[i] + ((shape.x[j] - shape.x[i]) * (y - shape.y[i])) / (shape.y[j] - shape.y[i]));
          }
        }
      }
      cuts.sort((a, b) => a - b);
      for (let c = 0; c + 1 < cuts.length; c += 2) {
        const width = cuts[c + 1] - cuts[c];
        if (width > best.width) best = { width, x: (cuts[c] + cuts[c + 1]) / 2, y };
      }
    }
    return best;
  };

  const label = (context, view, areas, shown, row, colors) => {
    const at = middle(areas.shape, row);
    const [x, y, room] = [view.x(at.x), view.y(at.y), at.width * view.perMeter];
    const said = words(areas, shown, row);
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.lineWidth = 3.5;
    context.strokeStyle = colors.halo;
    context.fillStyle = colors.ink;
    const write = (text, font, dy) => {
      context.font = font;
      if (context.measureText(text).width > room + 12) return false;
      context.strokeText(text, x, y + dy);
      context.fillText(text, x, y + dy);
      return true;
    };
    const isNamed = areas.isNamed && write(areas.names(row), `12px ${colors.font}`, -9);
    write(said, `700 14px ${colors.font}`, isNamed ? 8 : 0);
  };

  const areaAt = (areas, x, y) => {
    for (const row of areas.shape.rows()) {
      const box = areas.shape.box(row);
      if (x < box.west || x > box.east || y < box.south || y > box.north) continue;
      let inside = false;
      for (let run = areas.shape.row[row]; run < areas.shape.row[row + 1]; run += 1) {
        const ring = [];
        for (let i = areas.shape.run[run]; i < areas.shape.run[run + 1]; i += 1) ring.push([areas.shape.x[i], areas.shape.y[i]]);
        if (filtering.isWithin(ring, x, y)) inside = !inside;
      }
      if (inside) return row;
    }
    return null;
  };

  return Object.freeze({ VIEWS, prepare, isTold, ordered, words, stepWords, fill, name, areaAt });
})();
