// Which units a choice leaves: by class, by questions, by area. Knows nothing of the page.
const filtering = (() => {
  // The questions of a block ``filters``, each with its answer by row.
  const prepare = (coded) =>
    (coded ? coded.groups : []).map(({ title, options }) => ({
      title,
      options: options.map(({ key, label, storm, count, column, bit }) => ({
        key, label, storm, count, holds: (row) => Boolean((coded.flags[column][row] >> bit) & 1),
      })),
    }));

  // Whether a place lies in a ring of places, by how often a ray to the east crosses it.
  const isWithin = (ring, x, y) => {
    let inside = false;
    for (let i = 0, j = ring.length - 1; i < ring.length; j = i, i += 1) {
      const [[xi, yi], [xj, yj]] = [ring[i], ring[j]];
      if (yi > y !== yj > y && x < ((xj - xi) * (y - yi)) / (yj - yi) + xi) inside = !inside;
    }
    return inside;
  };

  // Any of the ticked questions of a group, and so in every group that has a tick.
  const testOf = (groups, ticked) => {
    const asked = groups.map(({ options }) => options.filter(({ key }) => ticked.has(key))).filter((options) => options.length);
    return (row) => asked.every((options) => options.some(({ holds }) => holds(row)));
  };

  const boxOf = (ring) => ({
    west: Math.min(...ring.map(([x]) => x)), east: Math.max(...ring.map(([x]) => x)),
    south: Math.min(...ring.map(([, y]) => y)), north: Math.max(...ring.map(([, y]) => y)),
  });

  const inRing = (ring, places) => {
    const box = boxOf(ring);
    return (row) => choosing.isInside(places, row, box) && isWithin(ring, places.x[row], places.y[row]);
  };

  const emptyPick = () => ({ ticked: new Set(), ring: null, area: null, moves: null });
  const count = ({ ticked, ring, area, moves }) => ticked.size + Boolean(ring) + (area !== null) + (moves !== null);

  return Object.freeze({ prepare, isWithin, testOf, inRing, emptyPick, count });
})();
