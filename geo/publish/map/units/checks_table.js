// The setback checks of one unit: what they come to, then what matters, then the rest.
const checksTable = (() => {
  const { el } = dom;

  const prepare = (raw) => ({
    ...raw,
    judged: raw.judged.map(decode.texts),
    slots: raw.slots.map((slot) => ({
      ...slot,
      kind: decode.numbers(slot.kind),
      feature: decode.texts(slot.feature),
      distance: decode.measures({ ...raw.lengths.length, numbers: slot.distance }),
      within: decode.measures({ ...raw.lengths.within, numbers: slot.within }),
      line: ["x", "y", "startX", "startY"].map((name) => decode.numbers(slot[name])),
    })),
  });

  const rowsOf = (checks, unit) => {
    const rows = checks.slots.filter(({ kind }) => kind(unit) !== null).map((slot) => {
      const [rule, state, inForce, remark] = slot.kinds[slot.kind(unit)];
      const [name, id, required, source, table] = checks.rules[rule];
      return {
        name, id, required, source, state, inForce,
        table: checks.tables[table],
        day: checks.judged[table](unit),
        remarks: checks.remarks[remark],
        feature: slot.feature(unit),
        distance: slot.distance(unit),
        within: slot.within(unit),
      };
    });
    return rows.sort((a, b) => a.state - b.state);
  };

  // The lines drawn for a unit: from its place, its discharge point or where they say, as x and y
  // of both ends in meters.
  const lines = (checks, unit, place, outlet) =>
    checks.slots.map((slot) => {
      const [x, y, startX, startY] = slot.line.map((number) => number(unit));
      if (x === null) return null;
      const start = startX !== null ? [place[0] + startX / 2, place[1] + startY / 2] : slot.fromOutlet ? outlet : place;
      return start && [...start, start[0] + x / 2, start[1] + y / 2];
    }).filter((line) => line);

  // Counted honestly: what was not judged is not clear.
  const summary = (checks, rows) => {
    const measured = rows.filter((row) => row.distance !== null).length;
    if (rows.every((row) => row.state === checks.notJudged)) {
      return `No table of setbacks is in force for this unit, so nothing was judged; ${measured} of ${wording.count(rows.length, "distance")} could be measured.`;
    }
    const judged = rows.filter((row) => row.state !== checks.notJudged);
    const told = checks.counted.map(([one, many], state) => {
      const n = judged.filter((row) => row.state === state).length;
      return n ? `${n} ${n === 1 ? one : many}` : null;
    }).filter((t) => t);
    const left = rows.length - judged.length;
    return [`Of ${wording.count(judged.length, "check")}: ${told.join(", ")}.`,
      left ? `${left} more ${left === 1 ? "is of a rule" : "are of rules"} not in force for this unit and ${left === 1 ? "was" : "were"} not judged.` : ""].join(" ").trim();
  };

  const force = ({ inForce, day }) => {
    const held = inForce === null ? "not known whether in force" : inForce ? "in force" : "not in force";
    return day ? `${held} ${day}` : held;
  };

  const required = (checks, { required: value, remarks }) => {
    if (value === null) return "none stated";
    if (value === 0 && remarks.length) return "waived";
    return wording.measure(value, checks.required.decimals, checks.required.unit).replace(".0\u00a0", "\u00a0");
  };

  const body = (checks, row, oneTable, remarked) => {
    const from = [row.id, row.source].filter((t) => t).join(": ");
    const told = [force(row), ...row.remarks.filter((remark) => remark !== remarked)].join("; ");
    return el("tbody", {},
      el("tr", {},
        el("th", { scope: "row" }, row.name, row.feature ? el("span", { class: "small" }, row.feature) : null),
        el("td", { class: "number" }, required(checks, row)),
        el("td", { class: "number" }, row.distance === null ? "not known" : row.distance,
          row.within ? el("span", { class: "small" }, `± ${row.within}`) : null),
        el("td", {}, checks.states[row.state])),
      el("tr", {}, el("td", { colspan: 4, class: "source" },
        el("span", { class: "told" }, told),
        el("span", { class: "small" }, oneTable || !row.table ? from : `${row.table}. ${from}`))));
  };

  const table = (checks, rows, name, oneTable, remarked = null) => {
    const heads = ["From, to", "Asked", "Distance", "Result"];
    return el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": name },
      el("table", { class: "checks" }, el("thead", {}, el("tr", {}, heads.map((t) => el("th", { scope: "col" }, t)))),
        rows.map((row) => body(checks, row, oneTable, remarked))));
  };

  const folded = (checks, rows, title, oneTable, remarked) =>
    rows.length
      ? el("details", { class: "quiet" }, el("summary", {}, title), table(checks, rows, title, oneTable, remarked))
      : null;

  const sentence = (text) => `${text[0].toUpperCase()}${text.slice(1)}.`;

  const show = (checks, unit) => {
    const rows = checks ? rowsOf(checks, unit) : [];
    if (!rows.length) return null;
    const matter = rows.filter((row) => row.state < checks.matter);
    const isUntold = (row) => row.state === checks.untold || row.state === checks.notKnown;
    const untold = rows.filter(isUntold);
    const others = rows.filter((row) => row.state > checks.untold && !isUntold(row) && row.state !== checks.notJudged);
    const idle = rows.filter((row) => row.state === checks.notJudged);
    const names = [...new Set(rows.map((row) => row.table).filter((t) => t))];
    const oneTable = names.length === 1;
    const reasons = [...new Set(untold.flatMap((row) => row.remarks))]; // said once, above them
    return el("section", { class: "setbacks" }, el("h3", {}, "Setback checks"),
      el("p", { class: "summary" }, summary(checks, rows)),
      el("p", { class: "small" }, oneTable ? `Table: ${names[0]}. ` : null,
        "From positions on record; ± is how far off the distance may be, 19 times in 20.",
        checks.variancesKnown ? null : " Variances are not known here."),
      matter.length ? table(checks, matter, "Checks that appear short or too close to call", oneTable) : null,
      untold.length ? el("p", { class: "untold" },
        [`${wording.count(untold.length, "check")} cannot be told.`, ...reasons.map(sentence)].join(" ")) : null,
      folded(checks, untold, `The ${untold.length} that cannot be told`, oneTable, reasons.length === 1 ? reasons[0] : null),
      folded(checks, others, others.length === rows.length ? `All ${others.length}` : `The other ${others.length}`, oneTable),
      folded(checks, idle, `The ${idle.length} not judged`, oneTable));
  };

  return Object.freeze({ prepare, lines, show });
})();
