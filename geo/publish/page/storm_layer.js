// The ponds of one storm over the map, made when they are first asked for.
const stormLayer = (() => {
  const mercator = (x, y) => L.CRS.EPSG3857.unproject(L.point(x, y));

  const make = (map, storms, colourOf) => {
    const made = new Map();
    let shown = null;
    let wanted = null;

    const overlay = async (k, colour) => {
      const key = `${k} ${colour}`;
      if (!made.has(key)) {
        const [west, south, east, north] = storms.bounds;
        made.set(key, L.imageOverlay(await ponding.address(storms, k, colour), [mercator(west, south), mercator(east, north)], {
          pane: "ponds", className: "picture picture-pond_storms", interactive: false, alt: "",
        }));
      }
      return made.get(key);
    };

    // ``entry.on`` and ``entry.years`` say what is wanted; what was asked for last is what stays.
    const show = async (entry) => {
      const k = entry.on ? storms.storms.indexOf(entry.years) + 1 : 0;
      wanted = `${k} ${colourOf()}`;
      const mine = wanted;
      const layer = k ? await overlay(k, colourOf()) : null;
      if (mine !== wanted || layer === shown) return;
      if (shown) shown.remove();
      shown = layer;
      if (layer) layer.addTo(map);
    };

    return Object.freeze({ show });
  };

  const entryOf = (storms) => storms && {
    name: storms.name, label: storms.label, on: false, fromZoom: 0, least: storms.least,
    storms: storms.storms, years: storms.storms.includes(10) ? 10 : storms.storms.at(-1),
  };

  return Object.freeze({ make, entryOf });
})();
