// One canvas over the map that is drawn again when the map has come to rest.
const canvasLayer = (() => {
  const MARGIN = 0.2; // of the map's size on each side, so that a short drag shows no empty edge
  const EQUATOR_M = 2 * Math.PI * 6378137;

  // Dots of a canvas for each pixel of the page.
  const ratioOf = () => Math.min(window.devicePixelRatio || 1, 2);

  const CanvasLayer = L.Layer.extend({
    initialize(draw, plane) {
      this._draw = draw;
      this._origin = L.CRS.EPSG3857.unproject(L.point(plane[0], plane[1]));
    },
    onAdd() {
      this._canvas = L.DomUtil.create("canvas", "leaflet-zoom-animated on-canvas");
      this._canvas.setAttribute("aria-hidden", "true");
      this.getPane().append(this._canvas);
      this.paint();
    },
    onRemove() {
      cancelAnimationFrame(this._asked);
      this._canvas.remove();
    },
    getEvents() {
      return { moveend: this.redraw, resize: this.redraw, zoom: this._follow, zoomanim: this._glide };
    },
    // However often it is asked for, once. Each pane has a frame of its own, so that none takes long.
    redraw() {
      cancelAnimationFrame(this._asked);
      let left = this.options.after;
      const turn = () => {
        if (left > 0) this._asked = requestAnimationFrame(turn);
        else this.paint();
        left -= 1;
      };
      this._asked = requestAnimationFrame(turn);
    },
    paint() {
      const map = this._map;
      if (!map) return;
      const size = map.getSize();
      const pad = size.multiplyBy(MARGIN).round();
      const corner = map.containerPointToLayerPoint(L.point(0, 0).subtract(pad));
      const [width, height] = [size.x + 2 * pad.x, size.y + 2 * pad.y];
      const ratio = ratioOf();
      this._zoom = map.getZoom();
      this._corner = map.layerPointToLatLng(corner);
      L.DomUtil.setTransform(this._canvas, corner, 1);
      this._canvas.width = Math.round(width * ratio);
      this._canvas.height = Math.round(height * ratio);
      this._canvas.style.width = `${width}px`;
      this._canvas.style.height = `${height}px`;
      const context = this._canvas.getContext("2d");
      context.scale(ratio, ratio);
      const origin = map.latLngToLayerPoint(this._origin).subtract(corner);
      const perMeter = (256 * 2 ** this._zoom) / EQUATOR_M;
      this._draw(context, {
        width,
        height,
        margin: MARGIN / (1 + 2 * MARGIN), // of these, what lies beyond each edge of the map
        zoom: this._zoom,
        perMeter,
        x: (meters) => origin.x + meters * perMeter,
        y: (meters) => origin.y - meters * perMeter,
        box: {
          west: -origin.x / perMeter,
          east: (width - origin.x) / perMeter,
          south: (origin.y - height) / perMeter,
          north: origin.y / perMeter,
        },
      });
    },
    _glide(event) {
      const scale = this._map.getZoomScale(event.zoom, this._zoom);
      const at = this._map._latLngToNewLayerPoint(this._corner, event.zoom, event.center);
      L.DomUtil.setTransform(this._canvas, at, scale);
    },
    _follow() {
      this._glide({ zoom: this._map.getZoom(), center: this._map.getCenter() });
    },
  });

  // ``after``: how many frames later than others it is drawn again.
  const make = (draw, plane, pane, after = 0) => Object.assign(new CanvasLayer(draw, plane), { options: { pane, after } });

  return Object.freeze({ make, ratio: ratioOf });
})();
