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

  // Counted honestly: a rule that does not apply is not clear.
  const summary = (checks, rows) => {
    const measured = rows.filter((row) => row.distance !== null).length;
    if (rows.every((row) => row.state === checks.notJudged)) {
      return `No setback rule applies to this unit. ${measured} of ${wording.count(rows.length, "distance")} could be calculated.`;
    }
    const judged = rows.filter((row) => row.state !== checks.notJudged);
    const told = checks.counted.map(([one, many], state) => {
      const n = judged.filter((row) => row.state === state).length;
      return n ? `${n} ${n === 1 ? one : many}` : null;
    }).filter((t) => t);
    const left = rows.length - judged.length;
    const listed = told.length > 1 ? `${told.slice(0, -1).join(", ")} and ${told.at(-1)}` : told[0];
    return [`Of ${wording.count(judged.length, "check")}, ${listed}.`,
      left ? `${wording.count(left, "rule")} ${left === 1 ? "does" : "do"} not apply to this unit.` : ""].join(" ").trim();
  };

  const force = ({ inForce, day }) => {
    if (inForce === null) return "Not known if this rule applies";
    if (!day) return inForce ? "This rule applies" : "This rule does not apply";
    return `${inForce ? "Rule" : "Not the rule"} for ${day}`;
  };

  const required = (checks, { required: value, remarks }) => {
    if (value === null) return "not stated";
    return value === checks.nought && remarks.length ? "waived" : value;
  };

  const distance = (checks, { distance: value, state }) =>
    value ?? (state === checks.noneOnRecord ? "none" : "not known");

  const body = (checks, row, oneTable, remarked) => {
    const from = [row.id, row.source].filter((t) => t).join(": ");
    const told = [force(row), ...row.remarks.filter((remark) => remark !== remarked)].map((text) => `${text}.`).join(" ");
    return el("tbody", {},
      el("tr", {},
        el("th", { scope: "row" }, row.name, row.feature ? el("span", { class: "small" }, row.feature) : null),
        el("td", { class: "number" }, required(checks, row)),
        el("td", { class: "number" }, distance(checks, row),
          row.within ? el("span", { class: "small" }, `give or take ${row.within}`) : null),
        el("td", {}, checks.states[row.state])),
      el("tr", {}, el("td", { colspan: 4, class: "source" },
        el("span", { class: "told" }, told),
        el("span", { class: "small" }, oneTable || !row.table ? from : `${row.table}. ${from}`))));
  };

  const table = (checks, rows, name, oneTable, remarked = null) => {
    const heads = ["Between", "Required", "Distance", "Result"];
    return el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": name },
      el("table", { class: "checks" }, el("thead", {}, el("tr", {}, heads.map((t) => el("th", { scope: "col" }, t)))),
        rows.map((row) => body(checks, row, oneTable, remarked))));
  };

  const folded = (checks, rows, title, oneTable, remarked) =>
    rows.length
      ? el("details", { class: "quiet" }, el("summary", {}, title), table(checks, rows, title, oneTable, remarked))
      : null;

  const show = (checks, unit) => {
    const rows = checks ? rowsOf(checks, unit) : [];
    if (!rows.length) return null;
    const matter = rows.filter((row) => row.state < checks.matter);
    const untold = rows.filter((row) => row.state === checks.notKnown);
    const others = rows.filter((row) => row.state > checks.notKnown && row.state !== checks.notJudged);
    const idle = rows.filter((row) => row.state === checks.notJudged);
    const names = [...new Set(rows.map((row) => row.table).filter((t) => t))];
    const oneTable = names.length === 1;
    const reasons = [...new Set(untold.flatMap((row) => row.remarks))]; // said once, above them
    return el("section", { class: "setbacks" }, el("h3", {}, "Setback checks"),
      el("p", { class: "summary" }, summary(checks, rows)),
      el("p", { class: "small" }, oneTable ? `Table: ${names[0]}. ` : null,
        "From mapped positions. Give or take holds 19 times in 20. ",
        checks.variancesKnown ? null : "Variances are not on record. ", checks.measureFirst),
      matter.length ? table(checks, matter, "Setbacks to check", oneTable) : null,
      untold.length ? el("p", { class: "untold" },
        [`${wording.count(untold.length, "check")} ${untold.length === 1 ? "is" : "are"} not known.`, ...reasons.map((reason) => `${reason}.`)].join(" ")) : null,
      folded(checks, untold, `${wording.count(untold.length, "check")} not known`, oneTable, reasons.length === 1 ? reasons[0] : null),
      folded(checks, others, `${others.length === rows.length ? "All " : ""}${wording.count(others.length, others.length === rows.length ? "check" : "other check")}`, oneTable),
      folded(checks, idle, `${wording.count(idle.length, "rule")} that ${idle.length === 1 ? "does" : "do"} not apply`, oneTable));
  };

  return Object.freeze({ prepare, lines, show });
})();
