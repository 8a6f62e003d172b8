// Which units are meant: by words, by class, by place. Knows nothing of the page.
const choosing = (() => {
  const plain = (text) => text.toLowerCase().replace(/\s+/g, " ").trim();

  // One lower-case line per unit: its id first, then whatever else may be searched.
  const searchLines = (ids, ...columns) =>
    ids.map((id, row) =>
      plain([id, ...columns.map((column) => column(row))].filter((t) => t !== null).join("\n")));

  // Rows whose id or other text holds every word; an exact id comes first, then ids that begin so.
  const search = (ids, lines, query) => {
    const wanted = plain(query);
    if (!wanted) return [];
    const asked = wanted.split(" ");
    const tiers = [[], [], []];
    lines.forEach((line, row) => {
      if (!asked.every((word) => line.includes(word))) return;
      const id = plain(ids[row]);
      tiers[id === wanted ? 0 : id.startsWith(wanted) ? 1 : 2].push(row);
    });
    return tiers.flat();
  };

  const isInside = (places, row, box) =>
    places.x[row] >= box.west && places.x[row] <= box.east &&
    places.y[row] >= box.south && places.y[row] <= box.north;

  // The nearest of the rows within reach; among equals the one first in order.
  const nearest = (places, rows, x, y, reach) => {
    let best = -1;
    let least = reach * reach;
    for (const row of rows) {
      const dx = places.x[row] - x;
      const dy = places.y[row] - y;
      const d = dx * dx + dy * dy;
      if (d < least || (best === -1 && d === least)) {
        least = d;
        best = row;
      }
    }
    return best;
  };

  // Rows inside the box, one in each cell of a grid; the first in order stay.
  const thinned = (places, rows, spacing, box) => {
    // cells of a grid that is fixed to the ground, so that a drag changes nothing
    const [west, south] = [Math.floor(box.west / spacing), Math.floor(box.south / spacing)];
    const across = Math.floor(box.east / spacing) - west + 1;
    const taken = new Uint8Array(across * (Math.floor(box.north / spacing) - south + 1));
    return rows.filter((row) => {
      const cell = (Math.floor(places.y[row] / spacing) - south) * across + Math.floor(places.x[row] / spacing) - west;
      if (taken[cell]) return false;
      taken[cell] = 1;
      return true;
    });
  };

  return Object.freeze({ searchLines, search, isInside, nearest, thinned });
})();
