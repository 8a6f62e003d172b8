// Undoes what geo/publish/encode.py does. Knows nothing of the page.
const decode = (() => {
  const starts = (counts) => {
    const first = new Int32Array(counts.length + 1);
    for (let i = 0; i < counts.length; i += 1) first[i + 1] = first[i] + counts[i];
    return first;
  };

  // Numbers by row as short as they fit; what is not known is kept apart as the least of its kind.
  const numbers = (column) => {
    const least = column.reduce((most, v) => Math.max(most, Math.abs(v)), 0) < 32767 ? -32768 : -2147483648;
    const kept = (least === -32768 ? Int16Array : Int32Array).from(column, (v) => (v === null ? least : v));
    return (row) => (kept[row] === least ? null : kept[row]);
  };

  // Texts by row: written out, or words and a position in them.
  const texts = (column) => {
    if (!column) return () => null;
    if (column.texts) {
      const { texts: all } = column;
      return (row) => all[row];
    }
    const at = numbers(column.at);
    const { words } = column;
    return (row) => (at(row) === null ? null : words[at(row)]);
  };

  // Sentences by row, put together again from their forms and numbers.
  const sentences = (coded) => {
    const first = starts(coded.count);
    const seen = new Int32Array(coded.forms.length);
    const turn = Int32Array.from(coded.form, (form) => (seen[form] += 1) - 1);
    const sentence = (i) => {
      const [pieces, fills] = coded.forms[coded.form[i]];
      return pieces.map((piece, p) => (p ? fills[p - 1][turn[i]] : "") + piece).join("");
    };
    return (row) => {
      const found = [];
      for (let i = first[row]; i < first[row + 1]; i += 1) found.push(sentence(i));
      return found;
    };
  };

  // Measures by row in words: a number with its unit, or what was said instead of one.
  const measures = ({ numbers: column, least = 0, said = [], decimals, unit }) => {
    const number = numbers(column);
    return (row) => {
      const n = number(row);
      return n !== null && said.length && n < 0 ? said[-1 - n] : wording.measure(n === null ? null : n + least, decimals, unit);
    };
  };

  // Single places; a place that is not known is NaN.
  const places = (x, y, step) => ({
    x: Float64Array.from(x, (v) => (v === null ? NaN : v * step)),
    y: Float64Array.from(y, (v) => (v === null ? NaN : v * step)),
  });

  const pairs = (xy, step) => {
    const count = xy.length / 2;
    const x = new Float64Array(count);
    const y = new Float64Array(count);
    for (let i = 0; i < count; i += 1) {
      x[i] = xy[2 * i] * step;
      y[i] = xy[2 * i + 1] * step;
    }
    return { x, y };
  };

  // Runs of vertices from their differences, with the box around each row.
  const shapes = (coded) => {
    const count = coded.xy.length / 2;
    const x = new Float32Array(count);
    const y = new Float32Array(count);
    let atX = 0;
    let atY = 0;
    for (let i = 0; i < count; i += 1) {
      atX += coded.xy[2 * i];
      atY += coded.xy[2 * i + 1];
      x[i] = atX * coded.step;
      y[i] = atY * coded.step;
    }
    const run = starts(coded.size);
    const row = starts(coded.parts);
    const boxes = coded.parts.map((_, r) => {
      const box = { west: Infinity, south: Infinity, east: -Infinity, north: -Infinity };
      for (let i = run[row[r]]; i < run[row[r + 1]]; i += 1) {
        box.west = Math.min(box.west, x[i]);
        box.east = Math.max(box.east, x[i]);
        box.south = Math.min(box.south, y[i]);
        box.north = Math.max(box.north, y[i]);
      }
      return box;
    });
    return { x, y, run, row, boxes, count: coded.parts.length };
  };

  return Object.freeze({ starts, texts, numbers, measures, sentences, places, pairs, shapes });
})();
