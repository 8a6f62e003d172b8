// The packed blocks of the page's file: each read once, when it is asked for.
const blocks = (() => {
  const reading = new Map();
  const text = (name) => document.getElementById(`block-${name}`).textContent;

  // A block as a promise; null where the file has none of that name. Blocks that are not kept are
  // read again when needed; ``known`` is what blocks of one table share.
  const read = (name, { keep = true, known = null } = {}) => {
    if (reading.has(name)) return reading.get(name);
    const found = document.getElementById(`block-${name}`) ? unpack.block(text(name), known) : Promise.resolve(null);
    if (keep) reading.set(name, found);
    return found;
  };

  // The address of a picture that the file holds.
  const picture = (name, kind) => URL.createObjectURL(new Blob([unpack.bytesOf(text(name))], { type: kind }));

  return Object.freeze({ read, picture });
})();
