// How much of the county's whole the first N visits of the order cover: a drawing, a sentence and a
// table that say the same.
const curve = (() => {
  const { el, svg } = dom;
  const [WIDTH, HEIGHT, LEFT, BOTTOM, TOP, RIGHT] = [264, 190, 38, 34, 10, 10];

  const prepare = (coded) => ({
    visits: unpack.list(coded.visits),
    score: unpack.list(coded.score),
    first: unpack.list(coded.first),
  });

  // Where the order has come to after ``n`` visits: the last row that is not past it.
  const at = (told, n) => {
    let row = -1;
    while (row + 1 < told.visits.length && told.visits[row + 1] <= n) row += 1;
    return row;
  };

  const percent = (thousandths) => (thousandths === null ? "not known" : `${Math.round(thousandths / 10)}%`);

  // A few round numbers of visits, and all of them.
  const stops = (told) => {
    const all = told.visits.at(-1);
    const round = [10, 25, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000].filter((n) => n < all * 0.8);
    return [...round.slice(-4), all];
  };

  const line = (told, part, x, y, name) =>
    svg("polyline", { class: `curve-line ${name}`, points: [[0, 0], ...told.visits.map((n, i) => [n, told[part][i] ?? 0])]
      .map(([n, share]) => `${x(n).toFixed(1)},${y(share).toFixed(1)}`).join(" ") });

  const drawing = (told) => {
    const all = told.visits.at(-1);
    const x = (n) => LEFT + (n / all) * (WIDTH - LEFT - RIGHT);
    const y = (share) => HEIGHT - BOTTOM - (share / 1000) * (HEIGHT - BOTTOM - TOP);
    const rules = [0, 250, 500, 750, 1000].map((share) => [
      svg("line", { class: "curve-rule", x1: LEFT, x2: WIDTH - RIGHT, y1: y(share), y2: y(share) }),
      svg("text", { x: LEFT - 4, y: y(share) + 4, "text-anchor": "end" }, `${share / 10}`),
    ]);
    const ticks = [0, 0.5, 1].map((share) =>
      svg("text", { x: x(share * all), y: HEIGHT - 18, "text-anchor": share === 1 ? "end" : share ? "middle" : "start" },
        wording.grouped(Math.round(share * all))));
    return svg("svg", { class: "curve", viewBox: `0 0 ${WIDTH} ${HEIGHT}`, "aria-hidden": "true" }, rules, ticks,
      svg("text", { x: (LEFT + WIDTH) / 2, y: HEIGHT - 3, "text-anchor": "middle" }, "visits, in order of rank"),
      svg("text", { x: 9, y: (HEIGHT - BOTTOM + TOP) / 2, "text-anchor": "middle", transform: `rotate(-90 9 ${(HEIGHT - BOTTOM + TOP) / 2})` }, "% covered"),
      svg("line", { class: "curve-even", x1: x(0), y1: y(0), x2: x(all), y2: y(1000) }),
      told.first.some((share) => share !== null) ? line(told, "first", x, y, "curve-first") : null,
      line(told, "score", x, y, "curve-score"));
  };

  const table = (told) => {
    const hasFirst = told.first.some((share) => share !== null);
    const heads = ["Visits", "% of total score", ...(hasFirst ? ["% of units to visit first"] : [])];
    return el("table", {}, el("thead", {}, el("tr", {}, heads.map((t) => el("th", { scope: "col" }, t)))),
      el("tbody", {}, stops(told).map((n) => {
        const row = at(told, n);
        return el("tr", {}, el("th", { scope: "row" }, wording.grouped(n)),
          el("td", {}, percent(told.score[row])), hasFirst ? el("td", {}, percent(told.first[row])) : null);
      })));
  };

  const show = (node, told) => dom.fill(node,
    drawing(told),
    el("p", { class: "small curve-key" }, [["solid", "total score"], ["dashed", "units to visit first"], ["thin", "visits in random order"]]
      .map(([kind, words]) => el("span", {}, el("span", { class: `curve-swatch ${kind}` }), words))),
    table(told));

  return Object.freeze({ prepare, show });
})();
