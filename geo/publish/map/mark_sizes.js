// How large the mark of each class is: with its number wherever there is room for it.
const markSizes = (() => {
  const NEAR = 16; // from here on every mark is large
  // What a mark with its number takes, and of the units of a class those whose marks must have that
  // room. Looked at on the sample county and on 50,000 units; no source.
  const ROOM_PX = 13;
  const FREE = 0.75;
  const NUMBERED = [7.5, 7.5, 6.5, 6.5];
  const least = (zoom) => (zoom >= 13 ? 6 : 4.5); // without a number
  const BARE = [1, 1, 0.72, 0.72]; // the routine stand back

  // Asked of the whole county, not of what is in view, so that no drag changes a mark.
  const chosen = (zoom, perMeter, { data: { extent }, places, visible, kinds }) => {
    if (zoom >= NEAR || !extent) return NUMBERED.map(() => ({ radius: 9, hasSign: true }));
    const [west, south, east, north] = extent;
    const box = { west: west - 1, south: south - 1, east: east + 1, north: north + 1 }; // it is in whole meters
    const counts = (rows) => BARE.map((_, kind) => rows.filter((row) => kinds[row] === kind).length);
    const placed = visible.filter((row) => choosing.isInside(places, row, box));
    const free = counts(choosing.thinned(places, placed, ROOM_PX / perMeter, box));
    return counts(placed).map((all, kind) => {
      const hasSign = free[kind] >= FREE * all;
      return { hasSign, radius: hasSign ? NUMBERED[kind] : BARE[kind] * least(zoom) };
    });
  };

  let last = {};
  // By class: ``radius`` in pixels, and whether its number stands in it.
  const of = ({ zoom, perMeter }, model) => {
    const { visible } = model;
    if (last.zoom !== zoom || last.visible !== visible) last = { zoom, visible, sizes: chosen(zoom, perMeter, model) };
    return last.sizes;
  };

  return Object.freeze({ of, least });
})();
