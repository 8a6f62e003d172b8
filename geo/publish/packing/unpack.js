// Undoes what geo/publish/pack.py does: a block of the page's data, read when it is needed.
// Numbers come as Int16Array or Int32Array; the least number of the kind stands for "not known".
const unpack = (() => {
  const [HAS_NULLS, SIGNED, BY_SHARES] = [1, 2, 4];
  const BY_LISTS = 0; // a way of telling a column from another, as those of from
  const isPossible = typeof DecompressionStream === "function";

  // The place of each sign among the 91 that packed text is written in.
  const place = new Uint8Array(128);
  for (let code = 33, i = 0; code < 127; code += 1) {
    if (!'"&<'.includes(String.fromCharCode(code))) {
      place[code] = i;
      i += 1;
    }
  }

  // Two signs are 13 bits, the lowest first; one at the end is 6.
  const bytesOf = (text) => {
    const bytes = new Uint8Array(Math.floor((Math.floor(text.length / 2) * 13 + (text.length % 2) * 6) / 8));
    let [at, held, bits] = [0, 0, 0];
    for (let i = 0; i < text.length; i += 2) {
      held |= (place[text.charCodeAt(i)] + 91 * (place[text.charCodeAt(i + 1)] || 0)) << bits;
      for (bits += 13; bits >= 8; bits -= 8) {
        bytes[at] = held; // what stands beyond the end is dropped
        at += 1;
        held >>>= 8;
      }
    }
    return bytes;
  };

  const inflated = async (bytes) => {
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  };

  const NONE = -2147483648;
  const nullOf = (column) => (column.BYTES_PER_ELEMENT === 2 ? -32768 : NONE);

  // What a column is told from: the same numbers (or against them), or tenths.
  const from = (v, over) => (over === 10 ? Math.floor((v + 5) / 10) : over * v);

  // A column as it stands in the bytes from ``start`` on: a number by its place, its lowest byte in
  // the first plane.
  const inPlanes = (bytes, start, count, width) => (i) => {
    let v = 0;
    for (let k = width - 1; k >= 0; k -= 1) v = v * 256 + bytes[start + k * count + i];
    return v;
  };

  // What such a number means; ``told`` is the column that its own is told from, if any.
  const meaning = ({ coding, over, listed }, told, least) => {
    const unknown = told && nullOf(told);
    return (written, i) => {
      const base = told ? told.at(i) : unknown;
      const v = listed ? listed(base === unknown ? null : base, written) : written;
      const counted = coding & HAS_NULLS ? v - 1 : v;
      if (counted < 0) return least;
      const n = coding & SIGNED ? (counted % 2 ? -(counted + 1) / 2 : counted / 2) : counted;
      return base === unknown || listed ? n : n + from(base, over);
    };
  };

  // The columns that heads tell of, each as a function of a place, with what its number means.
  const columnsOf = (heads, { counts, streams }, bytes, start, tables) => {
    const ends = heads.reduce((end, [, width, coding], i) => end + (coding & BY_SHARES ? 0 : width * counts[i]), start);
    const begins = [ends];
    for (const length of streams) begins.push(begins.at(-1) + length);
    let [at, stream] = [start, 0];
    return heads.map(([path, width, coding, ...rest], i) => {
      const count = counts[i];
      const [table, told, over] = coding & BY_SHARES ? rest : [null, ...rest];
      const own = { path, count, width, coding, told, over, listed: over === BY_LISTS ? tables(table).listed : null };
      if (table === null) {
        const first = at;
        at += width * count;
        return { ...own, numberAt: inPlanes(bytes, first, count, width) };
      }
      const first = stream;
      stream += Math.ceil(count / shares.MOST);
      return { ...own, numberAt: (row) => (own.read ??= shares.reader(bytes, begins, first, count, tables(table)))(row) };
    });
  };

  const put = (data, path, column) => {
    const last = path.length - 1;
    let place = data;
    for (let i = 0; i < last; i += 1) place = place[path[i]];
    place[path[last]] = column;
  };

  const whole = (made, told) => {
    const { count, width, numberAt } = made;
    const column = width === 1 && !told ? new Int16Array(count) : new Int32Array(count);
    const mean = meaning(made, told, nullOf(column));
    for (let i = 0; i < count; i += 1) column[i] = mean(numberAt(i), i);
    return column;
  };

  // The same, each number undone only when it is asked for.
  const asked = (made, told) => {
    const mean = meaning(made, told, NONE);
    return { length: made.count, at: (i) => mean(made.numberAt(i), i) };
  };

  // ``known``: heads and tables that the blocks of a table share; few rows of it are asked, and its
  // columns give a number at a time, by ``at``.
  const block = async (text, known = null) => {
    const bytes = await inflated(bytesOf(text));
    const length = new DataView(bytes.buffer).getUint32(0, true);
    const header = JSON.parse(new TextDecoder().decode(bytes.subarray(4, 4 + length)));
    const root = known ? { data: { columns: [], fills: [] } } : header;
    const read = [];
    const tables = (i) => known ? known.tables[i] : (read[i] ??= shares.table(header.tables[i]));
    for (const column of columnsOf(known ? known.heads : header.columns, header, bytes, 4 + length, tables)) {
      const told = column.told === undefined ? null : root.data.columns[column.told];
      put(root, column.path, (known ? asked : whole)(column, told));
    }
    return root.data;
  };

  // Columns as plain lists, null where not known.
  const list = (column) => {
    const least = nullOf(column);
    return Array.from(column, (v) => (v === least ? null : v));
  };

  return Object.freeze({ isPossible, block, bytesOf, list, nullOf });
})();
