// What the staff map alone has to say in its legend, on paper and in pictures: units and their classes.
const unitSigns = (() => {
  const { el } = dom;
  const [x, y] = [legend.width / 2, legend.height / 2];
  const mark = (kind, colors) => (context) => marks.draw(context, kind, x, y, 8, colors, true);

  const arrow = (up, colors) => (context) => {
    context.fillStyle = colors.ink;
    context.beginPath();
    const tip = up ? -6 : 6;
    [[0, tip], [5, -tip / 2], [-5, -tip / 2]].forEach(([dx, dy], i) => context[i ? "lineTo" : "moveTo"](x + dx, y + dy));
    context.fill();
  };

  // The classes stand beside the search already; steps of areas and arrows stand here alone.
  const signs = (model) => (colors) => {
    if (model.isAreas()) {
      return [{ words: model.show.label, paint: null }, ...smallAreas.stepWords(model.areas, model.show).map((words, i) => ({ words, paint: legend.swatch(colors.steps[i]) })),
        { words: "not known", paint: legend.swatch(colors.unknown) }];
    }
    return [
      ...model.classesHere.filter((kind) => model.classesOn.has(kind))
        .map((kind) => ({ words: model.data.words.classes[kind], paint: mark(kind, colors), beside: true })),
      ...(model.moved ? [true, false].filter((up) => model.visible.some(model.moved.holds[up ? "up" : "down"])).map((up) =>
        ({ words: `moved ${up ? "up" : "down"} since ${model.moved.before}`, paint: arrow(up, colors) })) : []),
    ];
  };

  const paints = (colors) => ({
    discharge_points: (context) => unitLayer.outletSign(context, x, y, 5, colors),
    accuracy: (context) => {
      context.beginPath();
      context.arc(x, y, y - 1.5, 0, 2 * Math.PI);
      chosenLayer.doubt(context, colors.ink);
    },
    outlet_hunts: (context) => outletPlaces.sign(context, x, y, 1, colors),
    check_lines: (context) => legend.line(context, { stroke: colors.ink, width: 1.4, dash: [2, 3] }),
    chosen_path: (context) => legend.line(context, { stroke: colors.path, width: 3, dash: [9, 5] }),
    flow_paths: (context) => legend.line(context, { stroke: colors.path, width: 1.6, dash: [1, 4] }),
  });

  // What the numbers on the map mean, where they are drawn.
  const placesOf = (model) => {
    const hunt = model.isOn("outlet_hunts") && model.zoom >= 16 ? model.hunt(model.chosen) : null;
    return hunt && hunt.places.length ? el("ul", {}, el("li", {}, "Possible discharge points, from the lid:"),
      hunt.places.map(({ where, chance }, i) => el("li", {}, `${i + 1}) ${where}, ${chance}`))) : null;
  };

  // The unit that is open, in few words.
  const unitBox = (model) => {
    if (model.chosen === null || !model.hasDetails(model.chosen)) return null;
    const { data, chosen } = model;
    const details = model.details(chosen);
    const rank = data.score && data.score.rank[chosen] !== null ? `, rank ${wording.grouped(data.score.rank[chosen])}` : "";
    return el("div", { class: "paper-unit" },
      el("p", {}, el("strong", {}, data.units.id[chosen]), `: ${data.words.classes[data.units.class[chosen]]}${rank}`),
      el("ul", {}, details.reasons(details.at).slice(0, 2).map((reason) => el("li", {}, reason))),
      placesOf(model));
  };

  const shown = (model) => {
    const filters = filterPanel.words(model);
    const all = wording.count(model.data.units.id.length, "unit");
    if (model.isAreas()) return `${model.show.label}. Areas count all ${all}.`;
    return filters.length ? `${wording.grouped(model.visible.length)} of ${all}: ${filters.join("; ")}.` : `All ${all}.`;
  };

  const equip = (model) => {
    const { data } = model;
    model.signs = signs(model);
    model.paints = paints;
    model.paper = {
      audience: "staff",
      title: data.asOf ? `Inspection order as of ${data.asOf}` : "Inspection order",
      from: "unit records",
      shown: () => shown(model),
      caution: `${data.words.staffOnly} ${data.words.caution}`,
      box: () => unitBox(model),
    };
    return model;
  };

  return Object.freeze({ equip });
})();
