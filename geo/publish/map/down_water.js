// The way on down the streams from where a flow path ends, along the lines as the map holds them:
// each runs as it is told, and goes on into the line that its end touches.
const downWater = (() => {
  const JOIN_M = 12; // on the plane: simplified lines miss each other by a few meters
  const REACH_M = 90; // how far from a line the flow path may end
  const MOST_LINES = 60;

  // The place on a run of vertices nearest to a point: distance and the vertex after it.
  const nearestOn = (shape, run, x, y) => {
    let best = { far: Infinity };
    for (let i = shape.run[run]; i < shape.run[run + 1] - 1; i += 1) {
      const [dx, dy] = [shape.x[i + 1] - shape.x[i], shape.y[i + 1] - shape.y[i]];
      const length = dx * dx + dy * dy;
      const t = length ? Math.max(0, Math.min(1, ((x - shape.x[i]) * dx + (y - shape.y[i]) * dy) / length)) : 0;
      const at = [shape.x[i] + t * dx, shape.y[i] + t * dy];
      const far = Math.hypot(at[0] - x, at[1] - y);
      if (far < best.far) best = { far, at, after: i + 1, run };
    }
    return best;
  };

  const rowOf = (shape, run) => {
    let row = 0;
    while (shape.row[row + 1] <= run) row += 1;
    return row;
  };

  const nearest = (shape, x, y, within, skipped) => {
    let best = { far: within };
    for (let row = 0; row < shape.count; row += 1) {
      const box = shape.box(row);
      if (x < box.west - within || x > box.east + within || y < box.south - within || y > box.north + within) continue;
      for (let run = shape.row[row]; run < shape.row[row + 1]; run += 1) {
        if (skipped.has(run)) continue;
        const found = nearestOn(shape, run, x, y);
        const isItsEnd = Math.hypot(shape.x[shape.run[run + 1] - 1] - x, shape.y[shape.run[run + 1] - 1] - y) <= within && skipped.size;
        if (found.far < best.far && !isItsEnd) best = found;
      }
    }
    return best.run === undefined ? null : best;
  };

  // Places from the end of the path down to where no line goes on, and the rows of the lines.
  const follow = (shape, x, y) => {
    const [way, lines, gone] = [[[x, y]], [], new Set()];
    let at = nearest(shape, x, y, REACH_M, gone);
    while (at && lines.length < MOST_LINES) {
      gone.add(at.run);
      lines.push(rowOf(shape, at.run));
      way.push(at.at);
      const end = shape.run[at.run + 1];
      for (let i = at.after; i < end; i += 1) way.push([shape.x[i], shape.y[i]]);
      at = nearest(shape, shape.x[end - 1], shape.y[end - 1], JOIN_M, gone);
    }
    return { way: lines.length ? way : [], lines };
  };

  return Object.freeze({ follow });
})();
