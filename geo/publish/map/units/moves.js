// Who moved since an earlier assessment, and why.
const moves = (() => {
  const { el } = dom;
  const WAYS = [
    { key: "up", label: "Nearer the front" },
    { key: "down", label: "Farther back" },
    { key: "new", label: "Not there before" },
    { key: "all", label: "All that moved" },
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
    if (told.change(row) === STAYED) return "same place";
    if (!places) return "other class";
    return `${wording.grouped(Math.abs(places))} ${places > 0 ? "up" : "down"}`;
  };

  const sentence = (told, kind, classes, row) => {
    if (told.change(row) === APPEARED) return `Not on record ${told.before}.`;
    const was = told.rankBefore(row);
    const stood = [was === null ? null : `rank ${wording.grouped(was)}`, told.classBefore(row)].filter((t) => t).join(", ");
    if (told.change(row) === STAYED) return `Where it stood ${told.before}: ${stood || "not ranked"}.`;
    const places = told.places(row);
    const how = places ? `${wording.count(Math.abs(places), "place")} ${places > 0 ? "nearer the front" : "farther back"}` : "the same place in another class";
    return `${how[0].toUpperCase()}${how.slice(1)} than ${told.before} (${stood || "not ranked"}): ${told.by(row) || "others moved"}.`;
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
      el("fieldset", { class: "classes" }, el("legend", {}, `Since ${told.before.replace(/^on /, "")}`),
        radio(null, "Everybody", null), ways.map(({ key, label }) => radio(key, label, count(told.holds[key])))),
      told.gone.length ? el("details", { class: "quiet" }, el("summary", {}, `${wording.count(told.gone.length, "unit")} of then no longer there`),
        el("p", {}, told.gone.join(", "))) : null);
  };

  return Object.freeze({ WAYS, prepare, ordered, short, sentence, draw, show });
})();
