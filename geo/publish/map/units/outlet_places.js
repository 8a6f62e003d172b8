// Possible discharge points of a unit that has none on record: in words, and drawn for the one chosen.
const outletPlaces = (() => {
  const { el } = dom;
  const NAMES = ["outlet_hunts", "layer-outlet_candidates"];

  const prepare = (hunts, layer) => ({
    shape: decode.shapes(hunts),
    row: new Map([...hunts.unit].map((unit, i) => [unit, i])),
    first: hunts.first,
    places: hunts.places,
    said: decode.texts(hunts.said),
    rest: decode.texts(hunts.rest),
    where: decode.texts(hunts.where),
    chance: decode.texts(hunts.chance),
    why: decode.texts(hunts.why),
    at: layer ? decode.places(layer.x, layer.y, layer.step) : { x: [], y: [] },
  });

  // ``ready()`` promises that ``of(row)`` can tell of every unit; it gives null for one with an outlet.
  const reader = (data) => {
    let told = null;
    let reading = null;
    const ready = () => {
      if (!data.blocks.includes(NAMES[0])) return Promise.resolve();
      reading ??= Promise.all(NAMES.map((name) => blocks.read(name, { keep: false }))).then((held) => { told = prepare(...held); });
      return reading;
    };
    const of = (unit) => {
      const hunt = told ? told.row.get(unit) : undefined;
      if (hunt === undefined) return null;
      const rows = Array.from({ length: told.places[hunt] }, (_, i) => told.first[hunt] + i);
      return {
        said: told.said(hunt), rest: told.rest(hunt), shape: told.shape, hunt,
        places: rows.map((row) => ({
          where: told.where(row), chance: told.chance(row), why: told.why(row), x: told.at.x[row], y: told.at.y[row],
        })),
      };
    };
    return Object.freeze({ ready, of });
  };

  const show = (found, caution) => {
    if (!found) return null;
    const { said, places, rest } = found;
    return el("section", { class: "places" }, el("h3", {}, "Possible discharge points"), el("p", {}, said),
      places.length ? [
        el("ol", {}, places.map(({ where, chance, why }) =>
          el("li", {}, el("strong", {}, where), `. Chance: ${chance}. `, el("span", { class: "small" }, why)))),
        el("p", {}, `Chance of none of these: ${rest}.`),
        el("p", { class: "small" }, "Distances and bearings (true north) are from the lid. The map numbers the places. The dashed line is the area searched."),
      ] : null,
      el("p", { class: "small" }, caution));
  };

  // A diamond as discharge points have, broken and with its number: a circle would be a unit's mark.
  const sign = (context, x, y, n, colors) => {
    context.beginPath();
    ground.diamond(context, x, y, 11);
    context.fillStyle = colors.halo;
    context.fill();
    marks.stroke(context, colors.ink, 1.5, [3, 3]);
    context.font = `700 10.5px ${colors.font}`;
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.fillStyle = colors.ink;
    context.fillText(String(n), x, y + 0.5);
  };

  // Not where two of them, or the unit's mark, would cover each other: there the likeliest stands.
  const draw = (context, view, { shape, hunt, places }, mark, colors) => {
    context.beginPath();
    ground.tracePath(context, view, shape, hunt, true);
    marks.stroke(context, colors.halo, 3.5);
    marks.stroke(context, colors.ink, 1.2, [7, 5]);
    const taken = [mark];
    places.forEach((place, i) => {
      const at = [view.x(place.x), view.y(place.y)];
      if (taken.some(([x, y]) => Math.hypot(at[0] - x, at[1] - y) < 18)) return;
      taken.push(at);
      sign(context, ...at, i + 1, colors);
    });
  };

  return Object.freeze({ reader, show, draw, sign });
})();
