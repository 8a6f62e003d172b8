// The marks of the visit classes: a shape, a color and a number each, on canvas and in the page.
const marks = (() => {
  // Corners on a circle of radius 1; null is the circle itself. Areas are about equal.
  const SHAPES = [
    { name: "first", corners: [[-0.88, -0.88], [0.88, -0.88], [0.88, 0.88], [-0.88, 0.88]], sign: "1" },
    { name: "next", corners: [[-1.12, -0.84], [1.12, -0.84], [0, 1.2]], sign: "2", lift: -0.24 },
    { name: "routine", corners: null, sign: "3" },
    { name: "unranked", corners: [[0, -1.05], [1.05, 0], [0, 1.05], [-1.05, 0]], sign: "–" },
  ];

  const trace = (context, kind, x, y, radius) => {
    const { corners } = SHAPES[kind];
    context.beginPath();
    if (!corners) {
      context.arc(x, y, radius, 0, 2 * Math.PI);
      return;
    }
    corners.forEach(([cx, cy], i) => context[i ? "lineTo" : "moveTo"](x + cx * radius, y + cy * radius));
    context.closePath();
  };

  const stroke = (context, color, width, dash = []) => {
    context.setLineDash(dash);
    context.lineWidth = width;
    context.strokeStyle = color;
    context.lineCap = "round";
    context.stroke();
    context.setLineDash([]);
  };

  const draw = (context, kind, x, y, radius, colors, withSign) => {
    const color = colors.classes[kind];
    trace(context, kind, x, y, radius);
    context.lineJoin = "round";
    context.lineWidth = radius > 8 ? 4 : 3;
    context.strokeStyle = colors.halo;
    context.stroke();
    context.fillStyle = color.fill;
    context.fill();
    context.lineWidth = 1.25;
    context.strokeStyle = color.edge;
    context.stroke();
    if (!withSign) return;
    context.fillStyle = color.sign;
    context.font = `700 ${Math.round(radius * 1.35)}px ${colors.font}`;
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.fillText(SHAPES[kind].sign, x, y + (SHAPES[kind].lift || 0) * radius + radius * 0.08);
  };

  // The same mark for lists and the legend; it is decoration there, words stand beside it.
  const picture = (kind) => {
    const { name, corners, sign, lift } = SHAPES[kind];
    const shape = corners
      ? dom.svg("polygon", { points: corners.map((c) => c.join(",")).join(" ") })
      : dom.svg("circle", { r: 1 });
    const text = dom.svg("text", { y: 0.4 + (lift || 0), "text-anchor": "middle", "font-size": 1.25 }, sign);
    return dom.svg("svg", { class: `mark mark-${name}`, viewBox: "-1.35 -1.35 2.7 2.7", "aria-hidden": "true" }, shape, text);
  };

  const names = SHAPES.map((shape) => shape.name);
  return Object.freeze({ draw, stroke, trace, picture, names });
})();
