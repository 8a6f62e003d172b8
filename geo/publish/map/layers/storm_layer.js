// The ponds of one storm over the map, made when they are first asked for.
const stormLayer = (() => {
  const mercator = (x, y) => L.CRS.EPSG3857.unproject(L.point(x, y));

  // ``colorsOf`` gives the color of the screen and that of paper; where they differ there are two
  // pictures, for paper cannot wait for its own.
  const make = (map, storms, colorsOf) => {
    const made = new Map();
    let shown = [];
    let wanted = null;

    const overlay = async (k, color, kind) => {
      const key = [k, color, kind].join(" ");
      if (!made.has(key)) {
        const [west, south, east, north] = storms.bounds;
        made.set(key, L.imageOverlay(await ponding.address(storms, k, color), [mercator(west, south), mercator(east, north)], {
          pane: "ponds", className: `picture picture-pond_storms ${kind}`, interactive: false, alt: "",
        }));
      }
      return made.get(key);
    };

    // ``entry.on`` and ``entry.years`` say what is wanted; what was asked for last is what stays.
    const show = async (entry) => {
      const k = entry.on ? storms.storms.indexOf(entry.years) + 1 : 0;
      const [screen, paper] = colorsOf();
      const mine = {};
      wanted = mine;
      const kinds = screen === paper ? [[screen, ""]] : [[screen, "screen-only"], [paper, "paper-only"]];
      const layers = k ? await Promise.all(kinds.map(([color, kind]) => overlay(k, color, kind))) : [];
      if (mine !== wanted) return;
      for (const layer of shown) if (!layers.includes(layer)) layer.remove();
      shown = layers;
      for (const layer of layers) layer.addTo(map);
    };

    return Object.freeze({ show });
  };

  const entryOf = (storms) => storms && {
    name: storms.name, label: storms.label, on: false, fromZoom: 0, least: storms.least, note: storms.note,
    storms: storms.storms, years: storms.storms.includes(10) ? 10 : storms.storms.at(-1),
  };

  return Object.freeze({ make, entryOf });
})();
