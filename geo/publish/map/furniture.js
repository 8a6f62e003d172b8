// What a map on paper needs: a scale bar in feet and meters, the north, what it is and what it rests on.
const furniture = (() => {
  const { el, svg } = dom;
  const FOOT_M = 0.3048;
  const MILE_FT = 5280;

  // The greatest 1, 2 or 5 times a power of ten that is not over ``most``.
  const roundDown = (most) => {
    const power = 10 ** Math.floor(Math.log10(most));
    return [5, 2, 1].find((k) => k * power <= most) * power;
  };

  // Lengths for a bar of at most so many meters: in meters and in feet or miles, each a round number.
  const lengths = (mostM) => {
    const meters = roundDown(mostM);
    const feet = mostM / FOOT_M;
    const miles = feet >= MILE_FT ? roundDown(feet / MILE_FT) : null;
    return [
      { meters: miles ? miles * MILE_FT * FOOT_M : roundDown(feet) * FOOT_M,
        said: miles ? `${miles} mi` : `${wording.grouped(roundDown(feet))} ft` },
      { meters, said: meters >= 1000 ? `${meters / 1000} km` : `${meters} m` },
    ];
  };

  const FACTOR = Math.PI / 180;
  // Meters on the ground for one pixel in the middle of the map, on the sphere of EPSG:3857.
  const groundMeters = (map) => (2 * Math.PI * 6378137 * Math.cos(map.getCenter().lat * FACTOR)) / (256 * 2 ** map.getZoom());

  const scaleBar = (map, pixels = 170) =>
    el("div", { class: "bars" }, lengths(groundMeters(map) * pixels).map(({ meters, said }) => {
      const bar = el("span", { class: "bar-length" }, said);
      bar.style.width = `${meters / groundMeters(map)}px`;
      return bar;
    }));

  // North is up in this plane everywhere.
  const north = () =>
    svg("svg", { class: "north", viewBox: "0 0 24 40", role: "img", "aria-label": "North is up" },
      svg("polygon", { points: "12,12 19,38 12,32 5,38" }), svg("text", { x: 12, y: 9, "text-anchor": "middle" }, "N"));

  // What is drawn, not what would be from nearer.
  const sources = (model) => {
    const { paper, layers, pictures, storm } = model;
    const drawn = [...layers, ...pictures].filter((entry) => legend.isDrawn(model, entry))
      .map((entry) => entry.label.replace(/ \(.*/, "").toLowerCase());
    const ponds = storm && storm.on ? [`calculated ponding after a ${storm.years}-year storm`] : [];
    return `Made from ${[paper.from, ...drawn, ...ponds].join(", ")}.`;
  };

  const lines = (model) => [
    model.paper.shown(),
    `${sources(model)} ${model.data.madeBy}. Web Mercator (EPSG:3857). The scale bar is exact at the center of the map.`,
    model.paper.caution,
  ];

  return Object.freeze({ lengths, groundMeters, scaleBar, north, lines, roundDown });
})();
