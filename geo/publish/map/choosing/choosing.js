// Which units are meant: by place. Knows nothing of the page.
const choosing = (() => {
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

  return Object.freeze({ isInside, nearest, thinned });
})();
