// Undoes what geo/publish/encode.py and phrases.py do. Knows nothing of the page.
const decode = (() => {
  const starts = (counts) => {
    const first = new Int32Array(counts.length + 1);
    for (let i = 0; i < counts.length; i += 1) first[i + 1] = first[i] + counts[i];
    return first;
  };

  // Numbers by row, null where not known.
  const numbers = (column) => {
    if (!column) return () => null;
    const least = unpack.nullOf(column);
    return (row) => {
      const number = column.at(row);
      return number === least ? null : number;
    };
  };

  // A number as its form writes it: as it is, with commas, or with leading zeros.
  const written = (number, kind) =>
    (kind < 0 ? wording.grouped(number) : kind ? String(number).padStart(kind, "0") : String(number));

  const filled = ([pieces, kinds], fill) => {
    let text = pieces[0];
    for (let i = 0; i < kinds.length; i += 1) text += written(fill(i), kinds[i]) + pieces[i + 1];
    return text;
  };

  // Texts by row: words and a position in them, or forms and the numbers that fill them.
  const texts = (coded) => {
    if (!coded) return () => null;
    if (coded.words) {
      const at = numbers(coded.at);
      return (row) => (at(row) === null ? null : coded.words[at(row)]);
    }
    const form = numbers(coded.form);
    return (row) => (form(row) === null ? null : filled(coded.forms[form(row)], (i) => coded.fills[i].at(row)));
  };

  // Sentences by row. Their numbers stand apart, form by form, in the order of the sentences; some
  // are told from a column beside them.
  const sentences = (coded, fills, columns) => {
    const slots = coded.slots.map(numbers);
    const of = new Map(coded.fills.map((fill) => [`${fill.form} ${fill.place}`, fill]));
    const number = (row, turn, form, place) => {
      const { fill, source } = of.get(`${form} ${place}`);
      const told = source === undefined ? 0 : numbers(columns[source])(row) || 0;
      return fills[fill].at(turn) + told;
    };
    // How often each form was said in the rows before; a row without a sentence has none after it.
    const saidBefore = (row) => {
      const said = new Int32Array(coded.forms.length);
      for (let before = 0; before < row; before += 1) {
        for (let k = 0, form; k < slots.length && (form = slots[k](before)) !== null; k += 1) said[form] += 1;
      }
      return said;
    };
    const told = (row) => {
      const said = saidBefore(row);
      return slots.map((form) => form(row)).filter((form) => form !== null).map((form) => {
        const turn = said[form];
        said[form] += 1;
        return filled(coded.forms[form], (place) => number(row, turn, form, place));
      });
    };
    let last = { row: -1, texts: [] };
    return (row) => {
      if (last.row !== row) last = { row, texts: told(row) };
      return last.texts;
    };
  };

  const lengthOf = (n, { decimals, unit, far }) =>
    (far && n >= far.from ? wording.measure(n - far.from, far.decimals, far.unit) : wording.measure(n, decimals, unit));

  // Measures by row in words: a number with its unit, or what was said instead of one.
  const measures = (coded) => {
    const { numbers: column, least = 0, said = [] } = coded;
    const number = numbers(column);
    return (row) => {
      const n = number(row);
      return n !== null && said.length && n < 0 ? said[-1 - n] : lengthOf(n === null ? null : n + least, coded);
    };
  };

  // Places in meters from steps; a place that is not known is NaN.
  const places = (x, y, step) => {
    const meters = (column) => {
      const least = unpack.nullOf(column);
      return Float64Array.from(column, (v) => (v === least ? NaN : v * step));
    };
    return { x: meters(x), y: meters(y) };
  };

  // Rows that rise, from their steps; null for nobody's.
  const rising = (steps) => {
    let row = 0;
    return unpack.list(steps).map((step) => (step === null ? null : (row += step)));
  };

  // Places that are told from those of their units.
  const placesFrom = (coded, unit, homes, step) => {
    const { x, y } = places(coded.x, coded.y, step);
    unit.forEach((row, i) => {
      if (row === null || Number.isNaN(homes.x[row])) return;
      x[i] += homes.x[row];
      y[i] += homes.y[row];
    });
    return { x, y };
  };

  // Runs of vertices from their differences, with the box around each row. ``home`` gives the
  // place from which a row's runs are told; without it each is told from where the last one ended.
  const shapes = (coded, home = null) => {
    const { step } = coded;
    const [x, y] = [new Float32Array(coded.x.length), new Float32Array(coded.x.length)];
    const run = starts(coded.size);
    const row = starts(coded.parts);
    const whole = (meters) => (Number.isNaN(meters) ? 0 : Math.floor(meters / step + 0.5));
    const boxes = new Float32Array(4 * coded.parts.length);
    let [atX, atY] = [0, 0];
    for (let r = 0; r < coded.parts.length; r += 1) {
      let [west, south, east, north] = [Infinity, Infinity, -Infinity, -Infinity];
      for (let part = row[r]; part < row[r + 1]; part += 1) {
        if (home) [atX, atY] = home(r).map(whole);
        for (let i = run[part]; i < run[part + 1]; i += 1) {
          atX += coded.x[i];
          atY += coded.y[i];
          x[i] = atX * step;
          y[i] = atY * step;
          west = Math.min(west, x[i]);
          east = Math.max(east, x[i]);
          south = Math.min(south, y[i]);
          north = Math.max(north, y[i]);
        }
      }
      boxes.set([west, south, east, north], 4 * r);
    }
    const box = (r) => ({ west: boxes[4 * r], south: boxes[4 * r + 1], east: boxes[4 * r + 2], north: boxes[4 * r + 3] });
    const isSeen = (r, { west, south, east, north }) =>
      boxes[4 * r] <= east && boxes[4 * r + 2] >= west && boxes[4 * r + 1] <= north && boxes[4 * r + 3] >= south;
    const count = boxes.length / 4; // and not of coded, which would be kept for it
    return { x, y, run, row, box, isSeen, count, rows: () => [...Array(count).keys()] };
  };

  return Object.freeze({ texts, numbers, measures, sentences, places, placesFrom, rising, shapes });
})();
