// Undoes what geo/publish/shares.py does: numbers written by how often each stands.
const shares = (() => {
  const [MOST, BITS, LEAST] = [2048, 15, 1 << 23];
  const MASK = (1 << BITS) - 1;

  // What stands at a place of the list that a number of another column names, null that of none.
  const listed = ({ keys, counts, numbers }) => {
    const begins = new Map();
    let [key, begin] = [0, 0];
    counts.forEach((count, i) => {
      if (i < keys.length) key += keys[i];
      begins.set(i < keys.length ? key : null, begin);
      begin += count;
    });
    return (named, place) => numbers[begins.get(named) + place];
  };

  // ``first``: where the share of each symbol begins; ``usual``: the most frequent one; ``low``: how
  // many of a number's lowest bits are told as they are.
  const table = ({ low, steps, shares: parts, lists = null }) => {
    const symbols = new Uint32Array(steps.length);
    const first = new Uint16Array(steps.length + 1);
    let [symbol, usual] = [0, 0];
    for (let i = 0; i < steps.length; i += 1) {
      symbol += steps[i];
      symbols[i] = symbol * 2 ** low;
      first[i + 1] = first[i] + parts[i];
      if (parts[i] > parts[usual]) usual = i;
    }
    return { low, symbols, first, usual, at: null, listed: lists && listed(lists) };
  };

  // Which symbol each part of the whole belongs to: worth its room where many numbers are read.
  const atOnce = (known) => {
    known.at ??= new Uint16Array(MASK + 1);
    for (let s = 0; s < known.symbols.length; s += 1) known.at.fill(s, known.first[s], known.first[s + 1]);
    return known;
  };

  // Numbers of one stream in turn: ``held`` is filled up to a place, from where it was left.
  const stream = (bytes, begin, end, held, { low, symbols, first, usual, at }) => {
    let [next, done] = [begin + 4, 0];
    let state = (bytes[begin] << 24) | (bytes[begin + 1] << 16) | (bytes[begin + 2] << 8) | bytes[begin + 3];
    const bits = (1 << low) - 1;
    return (to) => {
      if (begin === end) done = held.fill(symbols[usual]).length;
      for (; done < to; done += 1) {
        const slot = state & MASK;
        let s = 0;
        if (at) s = at[slot];
        else for (let above = symbols.length; above - s > 1; ) {
          const half = (s + above) >> 1;
          if (first[half] <= slot) s = half;
          else above = half;
        }
        state = (first[s + 1] - first[s]) * (state >> BITS) + slot - first[s];
        while (state < LEAST) state = (state << 8) | bytes[next++];
        held[done] = symbols[s] + (state & bits);
        state >>= low;
        while (state < LEAST) state = (state << 8) | bytes[next++];
      }
    };
  };

  // A number of a column by its place; ``begins`` are those of all streams, its own from the
  // ``own``-th on.
  const reader = (bytes, begins, own, count, known) => {
    const held = new Uint32Array(Math.min(count, MOST));
    let [part, fill] = [-1, null];
    if (count > 4 * MOST) atOnce(known);
    return (i) => {
      const wanted = Math.floor(i / MOST);
      if (wanted !== part) {
        fill = stream(bytes, begins[own + wanted], begins[own + wanted + 1], held, known);
        part = wanted;
        if (count > MOST) fill(Math.min(MOST, count - wanted * MOST));
      }
      if (count <= MOST) fill(i + 1);
      return held[i % MOST];
    };
  };

  return Object.freeze({ MOST, table, reader });
})();
