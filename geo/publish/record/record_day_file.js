// A day file: the same records, in whatever order, give the same bytes (see layers/records).
"use strict";
const dayFile = (function () {
  const table = new Uint32Array(256);
  for (let n = 0; n < 256; n++) {
    let c = n;
    for (let k = 0; k < 8; k++) c = c & 1 ? 0xedb88320 ^ (c >>> 1) : c >>> 1;
    table[n] = c >>> 0;
  }

  // CRC-32 of IEEE 802.3, as 8 hexadecimal digits
  function crc32(bytes) {
    let c = 0xffffffff;
    for (const byte of bytes) c = table[(c ^ byte) & 255] ^ (c >>> 8);
    return ((c ^ 0xffffffff) >>> 0).toString(16).padStart(8, "0");
  }

  // JSON with sorted keys, without what is empty
  function line(value) {
    if (Array.isArray(value)) return `[${value.map(line).join(",")}]`;
    if (value && typeof value === "object") {
      const keys = Object.keys(value).filter((k) => value[k] !== undefined && value[k] !== null).sort();
      return "{" + keys.map((k) => `${JSON.stringify(k)}:${line(value[k])}`).join(",") + "}";
    }
    return JSON.stringify(value);
  }

  function make(county, day, by, records) {
    const ordered = records.slice().sort((a, b) =>
      a.at < b.at ? -1 : a.at > b.at ? 1 : a.record_id < b.record_id ? -1 : a.record_id > b.record_id ? 1 : 0);
    const lines = [line({ by, county, day, day_file: 1 }), ...ordered.map(line)];
    const encoder = new TextEncoder();
    const body = encoder.encode(lines.join("\n") + "\n");
    const foot = encoder.encode(`{"crc32":"${crc32(body)}","records":${ordered.length}}\n`);
    const all = new Uint8Array(body.length + foot.length);
    all.set(body);
    all.set(foot, body.length);
    return all;
  }

  function name(day, by) {
    const plain = by.normalize("NFKD").replace(/[^A-Za-z0-9]+/g, "-").toLowerCase().replace(/^-+|-+$/g, "");
    return `${day}_${plain || "somebody"}.jsonl`;
  }

  return { crc32, line, make, name };
})();
