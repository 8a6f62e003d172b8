// What is told of single units: a block of them is read when one is opened, and the last is kept.
const unitDetails = (() => {
  // What all blocks share, with the columns of one block in place of their numbers.
  const joined = (told, columns) => {
    if (Array.isArray(told)) return typeof told[0] === "object" && told[0] !== null ? told.map((each) => joined(each, columns)) : told;
    if (told === null || typeof told !== "object") return told;
    const keys = Object.keys(told);
    if (keys.length === 1 && keys[0] === "column") return columns[told.column];
    return Object.fromEntries(keys.map((key) => [key, joined(told[key], columns)]));
  };

  // Parts that add up to the score: the last one is what the others leave of it.
  const withLast = (parts, score) => {
    const others = parts.slice(0, -1);
    const left = (at) => others.reduce((rest, part) => rest - part.tenths.at(at), score(at) || 0);
    return [...others, ...parts.slice(-1).map((part) => ({ ...part, tenths: { at: left } }))];
  };

  const decoded = (shared, { columns, fills }, search, score) => {
    const raw = joined(shared, columns);
    const sections = raw.sections.map((section) => ({
      title: section.title,
      cautions: section.cautions,
      fields: section.fields.map((field) => ({
        label: field.label,
        column: field.column,
        needs: field.needs,
        text: field.searched ? search[field.column] : field.numbers ? decode.measures(field) : decode.texts(field),
      })),
    }));
    return {
      sections,
      parts: withLast(raw.parts, score),
      reasons: decode.sentences(raw.reasons, fills, columns),
      gaps: decode.sentences(raw.gaps, fills, columns),
      faults: decode.sentences(raw.faults, fills, columns),
      checks: raw.checks && checksTable.prepare(raw.checks),
    };
  };

  // ``common()`` promises what all blocks share, ``ready(row)`` the details of a unit; ``of(row)`` gives them once they are there.
  const reader = (size, search, score) => {
    let kept = { first: -1 };
    let asked = -1;
    let reading = null;
    const common = () => (reading ??= blocks.read("details", { keep: false })
      .then(({ heads, tables, ...shared }) => ({ shared, known: { heads, tables: tables.map(shares.table) } })));
    const ready = async (row) => {
      const first = row - (row % size);
      asked = first;
      if (kept.first === first) return;
      const { shared, known } = await common();
      const block = await blocks.read(`details-${first / size}`, { keep: false, known });
      if (asked !== first) return; // another unit was asked for meanwhile
      const near = Object.fromEntries(Object.entries(search).map(([name, text]) => [name, (at) => text(first + at)]));
      kept = { first, ...decoded(shared, block, near, (at) => score && score.tenths[first + at]) };
    };
    const has = (row) => kept.first === row - (row % size);
    const of = (row) => ({ ...kept, at: row - kept.first });
    return Object.freeze({ common, ready, has, of });
  };

  return Object.freeze({ reader });
})();
