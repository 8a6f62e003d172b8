// The packed blocks of the page's file: each read once, when it is asked for.
const blocks = (() => {
  const reading = new Map();
  const text = (name) => document.getElementById(`block-${name}`).textContent;

  // A block as a promise; null where the file has none of that name. Blocks that are ``kept`` no
  // longer than they are used are read again when needed.
  const read = (name, { keep = true } = {}) => {
    if (reading.has(name)) return reading.get(name);
    const found = document.getElementById(`block-${name}`) ? unpack.block(text(name)) : Promise.resolve(null);
    if (keep) reading.set(name, found);
    return found;
  };

  const dataUri = (name, kind) => `data:${kind};base64,${text(name)}`;

  return Object.freeze({ read, dataUri });
})();
