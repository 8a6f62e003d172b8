// The list as a file: the units that are shown, in their order, with their reasons.
const listFile = (() => {
  const HEADS = ["unit", "class", "rank", "score", "address", "parcel", "latitude", "longitude", "owed_by", "owed_because", "reasons", "not_known"];

  const fact = ({ sections, at }, column) => {
    for (const { fields } of sections) {
      const found = fields.find((field) => field.column === column);
      if (found) return found.text(at);
    }
    return null;
  };

  const rowOf = (model, view, row) => {
    const { data } = model;
    const details = model.details(row);
    const place = model.hasPlace(row) ? view.latLngOf(row) : null;
    return [
      data.units.id[row], data.words.classes[data.units.class[row]],
      data.score ? data.score.rank[row] : null,
      data.score && data.score.tenths[row] !== null ? data.score.tenths[row] / 10 : null,
      model.address(row), model.parcel(row),
      place && Number(place.lat.toFixed(6)), place && Number(place.lng.toFixed(6)),
      fact(details, "must_visit_by"), fact(details, "why_due"),
      details.reasons(details.at).join(" "), details.gaps(details.at).join(" "),
      ...(model.moved ? [moves.sentence(model.moved, data.units.class[row], data.words.classes, row)] : []),
    ];
  };

  // Details are read block by block, so the rows go up and then into the order of the list.
  const text = async (model, view) => {
    const lines = new Map();
    for (const row of [...model.found].sort((a, b) => a - b)) {
      await model.readDetails(row);
      lines.set(row, rowOf(model, view, row));
    }
    return commaTable.text([[...HEADS, ...(model.moved ? ["moved"] : [])], ...model.found.map((row) => lines.get(row))]);
  };

  const save = async (model, view) => {
    const chosen = model.chosen;
    const content = await text(model, view);
    saving.offer(new Blob([content], { type: "text/csv;charset=utf-8" }), saving.nameOf(model, "units", "csv"));
    if (chosen !== null) await model.readDetails(chosen);
  };

  return Object.freeze({ save });
})();
