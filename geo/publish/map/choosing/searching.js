// Which units are meant by a few words. Knows nothing of the page.
const searching = (() => {
  // Short forms of roads and directions as the United States Postal Service lists them
  // (Publication 28, appendices B and C1), from memory, and what people write besides.
  const SHORT = {
    alley: "aly", avenue: "av ave", bend: "bnd", boulevard: "blvd", bridge: "brg", circle: "cir", court: "ct", cove: "cv",
    creek: "crk", drive: "dr", extension: "ext", harbor: "hbr", heights: "hts", highway: "hwy hiway", hill: "hl", hollow: "holw",
    junction: "jct", lake: "lk", lane: "ln", mountain: "mtn", parkway: "pkwy", place: "pl", plaza: "plz", point: "pt",
    ridge: "rdg", road: "rd", route: "rt rte", square: "sq", street: "st str", terrace: "ter", township: "twp", trail: "trl",
    turnpike: "pike pk pke tpke", valley: "vly", village: "vlg", north: "n", south: "s", east: "e", west: "w",
    northeast: "ne", northwest: "nw", southeast: "se", southwest: "sw",
  };
  const FULL = new Map(Object.entries(SHORT).flatMap(([full, short]) => short.split(" ").map((word) => [word, full])));
  const LEAST_LETTERS = 4; // shorter words leave no room for a typing error

  const plain = (text) =>
    text.toLowerCase().normalize("NFD").replace(/[\u0300-\u036f]/g, "").replace(/[\s,;#.]+/g, " ").trim();
  const full = (word) => FULL.get(word) || word;
  const wordsOf = (text) => plain(text).split(" ").filter((word) => word);

  // Per unit its number as written, then every other text as full words between spaces.
  const build = (ids, ...columns) => {
    const lines = ids.map((id, row) => {
      const texts = columns.map((column) => column(row)).filter((text) => text !== null);
      return `${plain(id)}\n ${texts.flatMap(wordsOf).map(full).join(" ")} `;
    });
    return { lines, vocabulary: null };
  };

  // Words of letters alone; a number with a wrong digit is another number.
  const vocabularyOf = (index) => {
    if (!index.vocabulary) {
      const seen = new Set();
      for (const line of index.lines) {
        for (const word of line.slice(line.indexOf("\n") + 2).split(" ")) {
          if (word.length >= LEAST_LETTERS - 1 && !/\d/.test(word)) seen.add(word);
        }
      }
      index.vocabulary = [...seen];
    }
    return index.vocabulary;
  };

  // Whether one letter more, one less, another one, or two exchanged make one word of the other.
  const isOneOff = (a, b) => {
    if (Math.abs(a.length - b.length) > 1) return false;
    let start = 0;
    while (start < a.length && a[start] === b[start]) start += 1;
    let [endA, endB] = [a.length, b.length];
    while (endA > start && endB > start && a[endA - 1] === b[endB - 1]) {
      endA -= 1;
      endB -= 1;
    }
    if (endA - start <= 1 && endB - start <= 1) return true;
    return endA - start === 2 && endB - start === 2 && a[start] === b[start + 1] && a[start + 1] === b[start];
  };

  // What a line must hold for a word of the query: [anywhere, as a whole word].
  const asked = (words) =>
    words.map((word, i) => {
      const whole = ` ${full(word)} `;
      if (!FULL.has(word)) return { any: [word], whole };
      return { any: i === words.length - 1 ? [whole, ` ${word}`] : [whole], whole, inId: word };
    });

  const scan = (lines, wanted, asks) => {
    const tiers = [[], [], [], []];
    lines.forEach((line, row) => {
      const cut = line.indexOf("\n");
      const holds = ({ any, inId }) =>
        any.some((text) => line.includes(text)) || (inId && line.lastIndexOf(inId, cut - inId.length) >= 0);
      if (!asks.every(holds)) return;
      const begins = line.startsWith(wanted);
      tiers[begins ? (cut === wanted.length ? 0 : 1) : asks.every(({ whole }) => line.includes(whole)) ? 2 : 3].push(row);
    });
    return tiers.flat();
  };

  // Rows that hold every word in any order; an exact number first, then numbers that begin so, then
  // whole words, then parts of words. Only when nothing does, a typing error is forgiven.
  const find = (index, query) => {
    const words = wordsOf(query);
    if (!words.length) return { rows: [], forgiven: false };
    const found = scan(index.lines, plain(query), asked(words));
    if (found.length) return { rows: found, forgiven: false };
    const forgiven = asked(words).map((ask, i) => {
      const word = words[i];
      if (word.length < LEAST_LETTERS || /\d/.test(word)) return ask;
      const short = [...FULL.keys()].filter((other) => other.length >= LEAST_LETTERS); // pkie is meant for pike
      const near = [...vocabularyOf(index), ...short].filter((other) => isOneOff(word, other)).map((other) => ` ${full(other)} `);
      return { ...ask, any: [...ask.any, ...near] };
    });
    return { rows: scan(index.lines, plain(query), forgiven), forgiven: true };
  };

  return Object.freeze({ build, find });
})();
