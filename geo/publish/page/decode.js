// Undoes what geo/publish/encode.py does. Knows nothing of the page.
const decode = (() => {
  const starts = (counts) => {
    const first = new Int32Array(counts.length + 1);
    for (let i = 0; i < counts.length; i += 1) first[i + 1] = first[i] + counts[i];
    return first;
  };

  // Texts by row: written out, or words and a position in them.
  const texts = (column) => {
    if (!column) return () => null;
    if (column.texts) return (row) => column.texts[row];
    return (row) => (column.at[row] === null ? null : column.words[column.at[row]]);
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

  return Object.freeze({ starts, texts, sentences, places, pairs, shapes });
})();
