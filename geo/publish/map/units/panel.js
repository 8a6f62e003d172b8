// Everything known of one unit, and everything not known.
const panel = (() => {
  const { el } = dom;
  const LONG = 60; // signs that stand better below their label than beside it

  const list = (title, sentences, kind) =>
    sentences.length
      ? el("section", { class: kind }, el("h3", {}, title), el("ul", {}, sentences.map((s) => el("li", {}, s))))
      : null;

  const capital = (text) => `${text[0].toUpperCase()}${text.slice(1)}`;

  const bar = (tenths, most) => {
    const full = el("span", { class: "bar-full" });
    full.style.width = `${most ? (100 * tenths) / most : 0}%`;
    return el("span", { class: "bar", "aria-hidden": "true" }, full);
  };

  const partRow = (part, row, most) =>
    el("tr", {},
      el("th", { scope: "row" }, part.label),
      el("td", { class: "bar-cell" }, bar(part.tenths.at(row), most)),
      el("td", { class: "number" }, wording.fixed(part.tenths.at(row), 1)));

  const partsOf = (data, row, { parts: all, at }) => {
    const { score } = data;
    if (!score || !all.length || score.tenths[row] === null) return null;
    const most = Math.max(...all.map((part) => part.tenths.at(at)));
    const groups = ["likelihood", "harm", null].map((axis) => {
      const parts = all.filter((part) => (part.axis || null) === axis);
      const head = axis ? [el("tr", {}, el("th", { colspan: 3, scope: "colgroup", class: "axis" }, data.words.axes[axis]))] : [];
      return parts.length ? el("tbody", {}, head, parts.map((part) => partRow(part, at, most))) : null;
    });
    const foot = el("tfoot", {}, el("tr", {}, el("th", { scope: "row" }, "Score"), el("td"),
      el("td", { class: "number" }, wording.fixed(score.tenths[row], 1))));
    return el("section", {}, el("h3", {}, "How the score adds up"),
      el("table", { class: "parts" }, el("caption", {}, "Points out of 100"),
        el("thead", { class: "unseen" }, el("tr", {}, ["Part", "Share", "Points"].map((t) => el("th", { scope: "col" }, t)))),
        groups, foot),
      sources(all));
  };

  const sources = (parts) => {
    const told = parts.filter((part) => part.source);
    if (!told.length) return null;
    const weight = (part) => (typeof part.weight === "number" ? `Weight ${part.weight} in its group. ` : "");
    return el("details", { class: "quiet sources" }, el("summary", {}, "Sources of the weights"),
      el("dl", {}, told.map((part) => [el("dt", {}, part.label), el("dd", {}, weight(part), capital(part.source))])));
  };

  const fieldRow = (field, row, words) => {
    const value = field.text(row);
    const known = value !== null && value !== words.notKnown;
    return el("div", { class: known && value.length > LONG ? "fact long" : "fact" }, el("dt", {}, field.label),
      el("dd", { class: known ? null : "unknown" }, known ? value : words.notKnown));
  };

  // A fact about something is left out where the thing itself is not known.
  const isTold = (section, field, row) => {
    const lead = field.needs && section.fields.find((other) => other.column === field.needs);
    return !lead || lead.text(row) !== null;
  };

  // No storm that reaches it is not a storm nobody knows: where the state of it is told, that is enough.
  const isSaid = ({ fields }, { column, text }, row) => {
    if (!/_return(_blocked)?_yr$/.test(column) || text(row) !== null) return false;
    const state = fields.find((other) => other.column === column.replace("_return", "_state").replace(/_yr$/, ""));
    return Boolean(state) && state.text(row) !== null;
  };

  // Storms one after another that say the same stand in one row.
  const STORM = /(\d+)-year/;
  const joined = (fields, row) => fields.reduce((found, field) => {
    const last = found.at(-1);
    const isSame = last && STORM.test(field.label) && (last.like || last.label).replace(STORM, "") === field.label.replace(STORM, "")
      && last.text(row) === field.text(row);
    if (!isSame) return [...found, field];
    const like = last.like || last.label;
    const label = like.replace(STORM, `$1-year to ${STORM.exec(field.label)[1]}-year`);
    return [...found.slice(0, -1), { ...last, like, label }];
  }, []);

  // That nothing is due, or nobody was there, is known: it is said once.
  const NONE = [["why_due", "must_visit_by", "Visit due", "none on the visit schedule"],
    ["days_since_inspection", "last_result", "Completed visit", "none on record"]];
  const plainly = (fields, row, notKnown) => NONE.reduce((left, [first, second, label, words]) => {
    const isNull = (column) => left.some((field) => field.column === column && [null, notKnown].includes(field.text(row)));
    if (!isNull(first) || !isNull(second)) return left;
    return left.filter(({ column }) => column !== second).map((field) => (field.column === first ? { column: "", label, text: () => words } : field));
  }, fields);

  // Why a visit is owed stands among the reasons already, or a part of it does.
  const unsaid = (field, row, reasons) => {
    if (field.column !== "why_due" || field.text(row) === null) return field;
    const rest = reasons.reduce((text, reason) => text.replace(reason, ""), field.text(row)).trim();
    if (rest === field.text(row)) return field;
    return rest ? { label: "Also due because", text: () => rest } : null;
  };

  const factsOf = (data, { sections, at, reasons }, wanted) => sections.filter(wanted).map((section) =>
    el("section", {}, el("h3", {}, section.title),
      el("dl", { class: "facts" }, joined(plainly(section.fields, at, data.words.notKnown).filter((field) => isTold(section, field, at) && !isSaid(section, field, at)), at)
        .map((field) => unsaid(field, at, reasons(at))).filter((field) => field)
        .map((field) => fieldRow(field, at, data.words))),
      section.cautions.length ? el("p", { class: "small" }, section.cautions.join(" ")) : null));

  // What is owed and what past visits found stand first; the rest of the facts below.
  const LEAD = ["why_due", "must_visit_by", "days_since_inspection", "last_result"];
  const isLead = ({ fields }) => fields.some(({ column }) => LEAD.includes(column));

  const movedOf = ({ data, moved, kinds }, row) => (moved
    ? el("section", { class: "moved" }, el("h3", {}, `Since ${moved.before}`), el("p", {}, moves.sentence(moved, kinds[row], data.words.classes, row)))
    : null);

  // Between which ranks a unit stands: counted from its own in steps of its third figure.
  const bandOf = ({ rank, low, high }, row, most) => {
    if (!low || rank[row] === null || low[row] === null || high[row] === null) return [null, null];
    const step = 10 ** Math.max(0, String(rank[row]).length - 3);
    const end = (round, away) => Math.min(Math.max((round(rank[row] / step) + away) * step, 1), most);
    return [end(Math.floor, -low[row]), end(Math.ceil, high[row])];
  };

  const rankLine = (data, row) => {
    const { score } = data;
    if (!score) return null;
    const { ranked } = score;
    const rank = score.rank[row];
    const points = score.points[row];
    const [low, high] = bandOf(score, row, ranked);
    const band = low === high ? "" : ` (could be ${wording.grouped(low)} to ${wording.grouped(high)})`;
    return el("p", { class: "rank" },
      rank === null ? "Not ranked" : `Rank ${wording.grouped(rank)} of ${wording.grouped(ranked)}${band}`,
      points === null ? null : ` · score ${points} of 100`);
  };

  const show = (node, model, row, { onClose, onCenter, position }) => {
    const { data } = model;
    const details = model.details(row);
    const { at } = details;
    const kind = data.units.class[row];
    const title = el("h2", { id: "unit-title", tabindex: -1 }, data.units.id[row]);
    node.scrollTop = 0; // before there is anything new to lay out
    dom.fill(node,
      el("div", { class: "unit-head" }, el("div", {}, el("p", { class: "class-line" }, marks.picture(kind), data.words.classes[kind]), title, rankLine(data, row)), dom.button({ class: "close" }, onClose, "Close")),
      list("Why this rank", details.reasons(at), "why"),
      movedOf(model, row),
      factsOf(data, details, isLead),
      fieldPages.show(data, data.units.id[row]),
      outletPlaces.show(model.hunt(row), data.words.places),
      list("Missing information", details.gaps(at), "gaps"),
      list("Problems in its record", details.faults(at).map(capital), "gaps"),
      checksTable.show(details.checks, at),
      partsOf(data, row, details),
      factsOf(data, details, (section) => !isLead(section)),
      el("section", {}, el("h3", {}, "Position"),
        position ? el("p", {}, position, el("span", { class: "small" }, "latitude, longitude (WGS 84)")) : el("p", {}, data.words.notKnown),
        position ? dom.button({}, onCenter, "Show on map") : null));
    node.hidden = false;
    return title;
  };

  return Object.freeze({ show });
})();
