// Drafts that version 0.1 kept in plain, taken over once: each plain copy goes when its sealed one has
// been read back. After that nothing in plain is believed, for any local page could have written it.
"use strict";
const adopting = (function () {
  const nameOf = (county) => `record:${county}`;

  // { state, mark } or null; the mark tells one such state from another
  async function find(county) {
    const first = (await baseStore.get(nameOf(county))).value, text = textStore.get(nameOf(county));
    let second = null;
    try {
      second = text ? JSON.parse(text) : null;
    } catch { /* a copy cut short is none */ }
    const told = !second || (first && first.saved >= second.saved) ? first : second;
    const state = told ? recordState.fromPlain(told) : null;
    return state && { state, mark: keeping.isAble() ? await sealing.digest(JSON.stringify(told)) : "" };
  }

  // The state, which is on the page and sealed on the device; `me`: so that an old page still open stops
  async function adopt(county, { state, mark }, me) {
    const photos = recordState.photosOf(state), name = nameOf(county);
    await keeping.readPhotos(photos); // those that were taken over before it was cut short
    for (const { id } of photos) {
      const plain = `${name}:photo:${id}`, jpeg = (await baseStore.get(plain)).value || textStore.get(plain);
      if (jpeg && !keeping.photo(id)) await keeping.keepPhoto(id, jpeg, []);
    }
    if (!keeping.isAble()) return state;
    textStore.put(`${name}:open`, me);
    state.adopted = mark;
    state.saved += 1;
    await keeping.write(state);
    await clear(county, state);
    for (const { id } of photos) if (keeping.photo(id)) await keeping.queue(() => keeping.putPhoto(id)); // there is room now
    return state;
  }

  // Takes away what is safe under seal
  async function clear(county, state) {
    const drop = async function (name) {
      textStore.drop(name);
      await baseStore.drop(name);
    };
    for (const { id } of recordState.photosOf(state)) {
      const jpeg = keeping.photo(id);
      if (jpeg && (await keeping.holds(keeping.photoName(id), sealing.bytesOf(jpeg)))) await drop(`${nameOf(county)}:photo:${id}`);
    }
    const text = new TextEncoder().encode(recordState.toText(state));
    if (await keeping.holds(keeping.place(), text)) await drop(nameOf(county));
  }

  // Whether drafts of this county under another key lie on this device
  async function isOtherKeyHere() {
    const names = [...textStore.names(), ...((await baseStore.names()).value || [])];
    return names.some((name) => typeof name === "string" && name.startsWith(sealing.homePlace()) && !name.startsWith(sealing.place()));
  }

  return { find, adopt, clear, isOtherKeyHere };
})();
