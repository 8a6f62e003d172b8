// An area drawn on the map: corner by corner with clicks or with Enter at the middle of the map, as
// a rectangle by dragging, or as what the map shows.
const areaDrawing = (() => {
  const { byId } = dom;

  const HELP = {
    corners: "Click each corner. By keyboard, arrow keys move the map, Enter adds a corner at its center and Backspace removes the last one.",
    box: "Drag from one corner to the opposite corner.",
  };

  const closed = ([[a, b], [c, d]]) => [[a, b], [c, b], [c, d], [a, d]];

  // ``onDone`` is given the ring in meters of the plane, or null when it was given up.
  const make = (map, toPlane, { onChange, onDone }) => {
    let mode = null;
    let ring = [];
    let cameFrom = null;
    const bar = byId("drawing");

    const say = () => {
      const left = 3 - ring.length;
      byId("drawing-help").textContent = HELP[mode];
      const more = left > 0 ? `, at least ${left} more` : "";
      byId("drawing-count").textContent = mode === "corners"
        ? wording.count(ring.length, "corner") + more : "";
      byId("drawing-done").hidden = mode !== "corners";
      byId("drawing-done").disabled = ring.length < 3;
    };

    const end = (result) => {
      const from = cameFrom;
      mode = null;
      ring = [];
      bar.hidden = true;
      map.getContainer().classList.remove("is-drawing");
      map.dragging.enable();
      map.doubleClickZoom.enable();
      onDone(result);
      if (from && byId(from)) byId(from).focus();
    };

    const start = (kind, from) => {
      mode = kind;
      ring = [];
      cameFrom = from.id; // the button itself may be made anew
      bar.hidden = false;
      map.getContainer().classList.add("is-drawing");
      map.doubleClickZoom.disable();
      if (kind === "box") map.dragging.disable();
      say();
      onChange(ring);
      map.getContainer().focus();
    };

    const add = (latLng) => {
      const [x, y] = toPlane(latLng);
      const last = ring.at(-1);
      if (!last || Math.hypot(last[0] - x, last[1] - y) > 0.5) ring.push([x, y]);
      say();
      onChange(ring);
    };

    const back = () => {
      ring.pop();
      say();
      onChange(ring);
    };

    // By mouse, pen or finger alike; the click that ends the drag is no choice of a unit.
    const node = map.getContainer();
    let begun = null;
    const at = (event) => toPlane(map.mouseEventToLatLng(event));
    const swallow = (event) => event.stopPropagation();
    node.addEventListener("pointerdown", (event) => {
      if (mode !== "box" || bar.contains(event.target)) return;
      begun = at(event);
      node.setPointerCapture(event.pointerId);
    });
    node.addEventListener("pointermove", (event) => {
      if (mode !== "box" || !begun) return;
      ring = closed([begun, at(event)]);
      onChange(ring);
    });
    node.addEventListener("pointerup", (event) => {
      if (mode !== "box" || !begun) return;
      const [from, to] = [begun, at(event)];
      begun = null;
      if (from[0] === to[0] || from[1] === to[1]) return; // a click is no rectangle
      node.addEventListener("click", swallow, { capture: true });
      setTimeout(() => node.removeEventListener("click", swallow, { capture: true }), 300);
      end(closed([from, to]));
    });

    const done = () => {
      if (ring.length >= 3) end(ring);
    };
    byId("drawing-done").addEventListener("click", done);
    byId("drawing-stop").addEventListener("click", () => end(null));

    return Object.freeze({
      start, add, back,
      stop: () => end(null),
      mode: () => mode,
      boxOf: ({ west, south, east, north }) => closed([[west, south], [east, north]]),
    });
  };

  const draw = (context, view, ring, isDone, colors) => {
    if (!ring || !ring.length) return;
    context.beginPath();
    ring.forEach(([x, y], i) => context[i ? "lineTo" : "moveTo"](view.x(x), view.y(y)));
    if (isDone || ring.length > 2) context.closePath();
    context.globalAlpha = isDone ? 0.05 : 0.12;
    context.fillStyle = colors.ink;
    context.fill();
    context.globalAlpha = 1;
    marks.stroke(context, colors.halo, 5);
    marks.stroke(context, colors.ink, 2, isDone ? [10, 5] : []);
    for (const [x, y] of isDone ? [] : ring) {
      context.beginPath();
      context.rect(view.x(x) - 3.5, view.y(y) - 3.5, 7, 7);
      context.fillStyle = colors.ink;
      context.fill();
    }
  };

  return Object.freeze({ make, draw });
})();
