// What changed rank since an earlier assessment, and why.
const moves = (() => {
  const { el } = dom;
  const WAYS = [
    { key: "up", label: "Moved up" },
    { key: "down", label: "Moved down" },
    { key: "new", label: "New" },
    { key: "all", label: "All changes" },
  ];
  const [STAYED, MOVED, APPEARED] = [0, 1, 2];

  const prepare = (coded, classes) => {
    const change = decode.numbers(coded.change);
    const places = decode.numbers(coded.places);
    const holds = {
      up: (row) => change(row) === MOVED && places(row) > 0,
      down: (row) => change(row) === MOVED && places(row) < 0,
      new: (row) => change(row) === APPEARED,
      all: (row) => change(row) !== STAYED,
    };
    return {
      change, places, holds, before: coded.before,
      rankBefore: decode.numbers(coded.rank),
      classBefore: (row) => {
        const kind = decode.numbers(coded.class)(row);
        return kind === null ? null : classes[kind];
      },
      by: decode.texts(coded.by),
      gone: coded.gone,
    };
  };

  // Those that moved farthest first; those that are new before them.
  const ordered = (told, rows) => {
    const far = (row) => (told.change(row) === APPEARED ? Infinity : Math.abs(told.places(row) || 0));
    return rows.slice().sort((a, b) => far(b) - far(a) || a - b);
  };

  const short = (told, row) => {
    if (told.change(row) === APPEARED) return "new";
    const places = told.places(row);
    if (told.change(row) === STAYED) return "same rank";
    if (!places) return "new class";
    return `${wording.grouped(Math.abs(places))} ${places > 0 ? "up" : "down"}`;
  };

  const sentence = (told, kind, classes, row) => {
    if (told.change(row) === APPEARED) return `New since ${told.before}.`;
    const was = told.rankBefore(row);
    const past = [was === null ? null : `rank ${wording.grouped(was)}`, told.classBefore(row)].filter((t) => t).join(", ");
    if (told.change(row) === STAYED) return `No change since ${told.before} (${past || "not ranked"}).`;
    const places = told.places(row);
    const how = places ? `${places > 0 ? "Up" : "Down"} ${wording.count(Math.abs(places), "rank")}` : "Same rank in a new class";
    return `${how} since ${told.before} (was ${past || "not ranked"}). Main reason: ${told.by(row) || "other units moved"}.`;
  };

  // An arrow beside the marks of those that moved, up or down with their place.
  const draw = (context, view, told, rows, places, radius, colors) => {
    for (const row of rows) {
      if (told.change(row) === STAYED) continue;
      const [x, y] = [view.x(places.x[row]) + radius + 5, view.y(places.y[row])];
      const by = told.change(row) === APPEARED ? null : told.places(row);
      context.beginPath();
      if (by === null || !by) {
        context.arc(x, y, 3, 0, 2 * Math.PI);
      } else {
        const tip = by > 0 ? -6 : 6;
        context.moveTo(x, y + tip);
        context.lineTo(x + 4, y - tip / 2);
        context.lineTo(x - 4, y - tip / 2);
        context.closePath();
      }
      context.lineJoin = "round";
      context.lineWidth = 3;
      context.strokeStyle = colors.halo;
      context.stroke();
      context.fillStyle = colors.ink;
      context.fill();
    }
  };

  // The choice of who to show; ``onChoose`` is given a way or null.
  const show = (node, told, count, chosen, onChoose) => {
    const radio = (key, label, n) => {
      const input = dom.tick({ type: "radio", name: "moved", value: key ?? "", checked: chosen === key }, () => onChoose(key));
      return el("label", { class: "tick" }, input, el("span", {}, label), n === null ? null : el("span", { class: "how-many" }, wording.grouped(n)));
    };
    const ways = WAYS.filter(({ key }) => count(told.holds[key]));
    dom.fill(node,
      el("fieldset", { class: "classes" }, el("legend", {}, `Since ${told.before}`),
        radio(null, "All units", null), ways.map(({ key, label }) => radio(key, label, count(told.holds[key])))),
      told.gone.length ? el("details", { class: "quiet" }, el("summary", {}, `${wording.count(told.gone.length, "unit")} no longer on record`),
        el("p", {}, told.gone.join(", "))) : null);
  };

  return Object.freeze({ WAYS, prepare, ordered, short, sentence, draw, show });
})();
