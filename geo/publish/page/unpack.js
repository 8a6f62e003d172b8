// Undoes what geo/publish/pack.py does: a block of the page's data, read when it is needed.
// Numbers come as Int16Array or Int32Array; the least number of the kind stands for "not known".
const unpack = (() => {
  const [HAS_NULLS, SIGNED] = [1, 2];
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

  const nullOf = (column) => (column.BYTES_PER_ELEMENT === 2 ? -32768 : -2147483648);

  // What a column is told from: the same numbers (or against them), tenths, or lengths with one decimal more.
  const from = (v, over) => {
    if (over === 1 || over === -1) return over * v;
    return over === 10 || v < (over / 9) * 10 ? Math.floor((v + 5) / 10) : v - over;
  };

  // One column from its bytes; ``told`` is the column that it is told from, if any.
  const columnOf = (bytes, start, count, width, coding, told, over) => {
    const column = width === 1 && !told ? new Int16Array(count) : new Int32Array(count);
    for (let k = Math.min(width, 3) - 1; k >= 0; k -= 1) {
      const plane = start + k * count;
      for (let i = 0; i < count; i += 1) column[i] = (column[i] << 8) | bytes[plane + i];
    }
    const beyond = (i) => { // numbers of more than 24 bits are rare
      let more = 0;
      for (let k = width - 1; k >= 3; k -= 1) more = more * 256 + bytes[start + k * count + i];
      return more * 2 ** 24;
    };
    const nulls = coding & HAS_NULLS;
    const signed = coding & SIGNED;
    if (!nulls && !signed && !told && width <= 3) return column;
    const least = nullOf(column);
    const unknown = told && nullOf(told);
    for (let i = 0; i < count; i += 1) {
      let v = width > 3 ? column[i] + beyond(i) : column[i];
      if (nulls) {
        if (v === 0) {
          column[i] = least;
          continue;
        }
        v -= 1;
      }
      if (signed) v = v % 2 ? -(v + 1) / 2 : v / 2;
      if (told && told[i] !== unknown) v += from(told[i], over);
      column[i] = v;
    }
    return column;
  };

  const put = (data, path, column) => {
    const last = path.length - 1;
    let place = data;
    for (let i = 0; i < last; i += 1) place = place[path[i]];
    place[path[last]] = column;
  };

  const block = async (text) => {
    const bytes = await inflated(bytesOf(text));
    const length = new DataView(bytes.buffer).getUint32(0, true);
    const { data, columns } = JSON.parse(new TextDecoder().decode(bytes.subarray(4, 4 + length)));
    let start = 4 + length;
    for (const [path, count, width, coding, from, over] of columns) {
      const told = from === undefined ? null : data.columns[from];
      put(data, path, columnOf(bytes, start, count, width, coding, told, over));
      start += width * count;
    }
    return data;
  };

  // Columns as plain lists, null where not known.
  const list = (column) => {
    const least = nullOf(column);
    return Array.from(column, (v) => (v === least ? null : v));
  };

  return Object.freeze({ isPossible, block, bytesOf, list, nullOf });
})();
