// The map itself: its panes and canvases, and the ways between the ground and the screen.
const mapView = (() => {
  const EQUATOR_M = 2 * Math.PI * 6378137;
  const PLAIN = ["halo", "ink", "name", "path", "water", "stream", "flood", "parcel", "building", "road", "drain",
    "culvert", "well", "protected", "font"];

  // Colors live in the style sheet, for canvas too.
  const readColors = () => {
    const style = getComputedStyle(document.documentElement);
    const value = (name) => style.getPropertyValue(`--${name}`).trim();
    return {
      ...Object.fromEntries(PLAIN.map((name) => [name, value(name)])),
      waterName: value("water-name"),
      shadeLight: value("shade-light"),
      shadeDark: value("shade-dark"),
      pond: value("pond"),
      paperPond: value("paper-pond"),
      land: value("land"),
      unknown: value("unranked"),
      steps: [1, 2, 3, 4, 5].map((k) => value(`area-${k}`)),
      classes: marks.names.map((name) => ({ fill: value(name), edge: value(`${name}-edge`), sign: value(`${name}-sign`) })),
    };
  };

  const mercator = (x, y) => L.CRS.EPSG3857.unproject(L.point(x, y));

  // What there is to look at: the units, else the county's layers, else the United States.
  const extentOf = ({ plane, extent }) => {
    if (!extent) return L.latLngBounds([[24, -125], [50, -66]]);
    const [west, south, east, north] = extent;
    return L.latLngBounds(mercator(plane[0] + west, plane[1] + south), mercator(plane[0] + east, plane[1] + north)).pad(0.05);
  };

  // The whole county, with room left on the right for what lies over the map.
  const lookAtAll = (map, data, rightOf = 0) =>
    map.fitBounds(extentOf(data), { paddingBottomRight: [rightOf, 0], animate: false });

  // A picture is put together when it is first shown.
  const pictureLayer = (picture) => {
    const [west, south, east, north] = picture.bounds;
    return L.imageOverlay(blocks.picture(`picture-${picture.name}`, picture.kind), [mercator(west, south), mercator(east, north)], {
      pane: "pictures", className: `picture picture-${picture.name}`, interactive: false, alt: "",
    });
  };

  // The panes of the map, from the ground up, and its pictures.
  const panes = (map) => {
    const pictures = new Map();
    for (const [name, height] of [["pictures", 210], ["ponds", 215], ["ground", 220], ["units", 230]]) {
      const pane = map.createPane(name);
      pane.style.zIndex = String(height);
      pane.style.pointerEvents = "none";
    }
    const showPicture = (picture) => {
      if (picture.on && !pictures.has(picture)) pictures.set(picture, pictureLayer(picture));
      if (picture.on) pictures.get(picture).addTo(map);
      else if (pictures.has(picture)) pictures.get(picture).remove();
    };
    return Object.freeze({ showPicture });
  };

  // ``hands`` draw: ``ground`` what lies under, ``units`` what lies over, each (context, view, colors).
  const make = (model, map, hands) => {
    const { data: { plane }, places } = model;
    let colors = readColors();
    const { showPicture } = panes(map);
    const groundCanvas = canvasLayer.make((c, v) => hands.ground(c, v, colors), plane, "ground", 1);
    const unitCanvas = canvasLayer.make((c, v) => hands.units(c, v, colors), plane, "units");

    const toPlane = (latLng) => {
      const at = L.CRS.EPSG3857.project(latLng);
      return [at.x - plane[0], at.y - plane[1]];
    };
    const fromPlane = ([x, y]) => mercator(plane[0] + x, plane[1] + y);
    const latLngOf = (row) => mercator(plane[0] + places.x[row], plane[1] + places.y[row]);
    const nearest = (latLng, pixels) =>
      choosing.nearest(places, model.visible, ...toPlane(latLng), (pixels * EQUATOR_M) / (256 * 2 ** map.getZoom()));
    const box = () => {
      const [west, south] = toPlane(map.getBounds().getSouthWest());
      const [east, north] = toPlane(map.getBounds().getNorthEast());
      return { west, south, east, north };
    };

    // Under the county's layers, but over the shades of small areas, which would hide them.
    const liftPonds = () => { map.getPane("ponds").style.zIndex = model.isAreas() ? "225" : "215"; };

    const center = (row) => map.setView(latLngOf(row), Math.max(map.getZoom(), 18), { animate: false });
    const keepInSight = (row) => map.panInside(latLngOf(row), { padding: [40, 40], animate: false });

    const drawFirst = () => {
      model.pictures.forEach(showPicture);
      L.control.scale({
        position: "bottomleft", maxWidth: 140, metric: model.data.measures === "si", imperial: model.data.measures !== "si",
      }).addTo(map);
      groundCanvas.addTo(map);
      unitCanvas.addTo(map);
    };
    const recolor = () => {
      colors = readColors();
      groundCanvas.redraw();
      unitCanvas.redraw();
    };
    // At once, for what takes the page as it stands: paper and pictures.
    const paint = () => {
      colors = readColors();
      groundCanvas.paint();
      unitCanvas.paint();
    };

    return Object.freeze({
      latLngOf, nearest, box, toPlane, fromPlane, center, keepInSight, drawFirst, showPicture, liftPonds, recolor, paint,
      colors: () => colors,
      redrawUnits: () => unitCanvas.redraw(),
      redrawGround: () => groundCanvas.redraw(),
    });
  };

  // The map at once, so that others can add to it; ``fill`` puts in what it shows as soon as that is
  // unpacked. Nothing glides where the system asks for less motion.
  const begin = (nodeId, data, maxZoom, fill) => {
    const glides = !window.matchMedia("(prefers-reduced-motion: reduce)").matches;
    const map = L.map(nodeId, { attributionControl: false, zoomSnap: 0.25, maxZoom, minZoom: 3, inertia: glides, zoomAnimation: glides });
    const panBy = map.panBy;
    if (!glides) map.panBy = (offset, options) => panBy.call(map, offset, { ...options, animate: false });
    baseMap.offer(map, data.baseMap, document.getElementById("legend"));
    lookAtAll(map, data);
    if (unpack.isPossible) fill(map, data);
    else document.getElementById("cannot").hidden = false;
    return map;
  };

  return Object.freeze({ make, extentOf, lookAtAll, begin });
})();
