// Keeps what is typed, twice and sealed: at each change, in the browser's own stores. Says so where
// it cannot. Photos never change, so each is written once, apart from the words.
"use strict";
const keeping = (function () {
  let place = "", mine = "", since = 0, marker = null, isAble = false, isElsewhere = false, isUnread = false;
  let turn = 0, words = null, sealed = null, savedThen = 0, waiting = Promise.resolve(), tell = () => {};
  const pictures = new Map(); // by id: { jpeg, first, second }: as base64, and which stores have it
  const UNSAFE = "This browser cannot save drafts safely. Export before you close the page, or everything is lost.";
  const NOTHING = "This phone saves nothing. Export before you close the page, or everything is lost.";
  const FULL = "This phone is full. Your last changes will be lost when the page closes. Export now.";
  const ONCE = "There is no room for a second copy of a photo. It is saved once. Export today.";
  const ELSEWHERE = "This page is open in another tab. Nothing typed here is saved. Close this one, or reload it to continue here.";
  const NO_PHOTO = "This phone cannot save the photo. Export before you close the page, or the photo is lost.";

  const photoName = (id) => `${place}:photo:${id}`, markerName = () => `${place}:open`;

  // `me` names this opening of the page: of two that are open the later one writes. `told` hears what
  // becomes of the first store, and "changed" where either does not hold what was written last.
  async function open(secret, county, me, told) {
    tell = told;
    isAble = await sealing.open(secret, county);
    if (isAble) {
      place = sealing.place();
      mine = me;
      const last = await openingOf(textStore.get(markerName()));
      since = Math.max(Date.now(), last ? last.since + 1 : 0);
      marker = await sealing.sealText(markerName(), JSON.stringify({ mine, since }));
      if (!textStore.put(markerName(), marker)) marker = null;
    }
    await baseStore.open(told);
  }

  async function openingOf(text) {
    const told = await sealing.unsealText(markerName(), text);
    return told && JSON.parse(told);
  }

  // Whether the page was opened again since: an older copy of the day must not write over a newer.
  // Resolves to whether the mark that says so was taken away. Nobody without the key can make one.
  async function checkOpening() {
    const text = textStore.get(markerName());
    if (marker === null || isElsewhere || text === marker) return false;
    const last = await openingOf(text);
    isElsewhere = last !== null && last.since > since;
    return !isElsewhere && textStore.put(markerName(), marker);
  }

  // ---------------------------------------------------------------------------------- reading

  // { state, missing, unreadable }: null where nothing is kept; whether a copy was not there
  async function read() {
    if (!isAble) return { state: null };
    const first = await baseStore.get(place), second = textStore.get(place);
    isUnread = !first.done && baseStore.isHeld();
    const copies = [await stateOf(first.value), await stateOf(second)];
    const [one, other] = copies;
    const state = !other || (one && one.saved >= other.saved) ? one : other;
    savedThen = state ? state.saved : 0;
    const written = [first.value, second].filter((copy) => copy !== undefined && copy !== null);
    if (!state && written.length) await putAside(written[0]);
    await readPhotos(state ? recordState.photosOf(state) : []);
    const canTell = first.done && textStore.isThere();
    return { state, missing: Boolean(state) && canTell && copies.includes(null), unreadable: !state && written.length > 0 };
  }

  async function stateOf(copy) {
    const text = await sealing.unsealText(place, copy);
    return text === null ? null : recordState.fromText(text);
  }

  // What cannot be opened is never written over
  async function putAside(copy) {
    const name = `${place}:unreadable:${Date.now()}`;
    textStore.put(name, copy);
    await baseStore.put(name, copy);
  }

  async function readPhotos(photos) {
    for (const { id } of photos) {
      if (pictures.has(id)) continue;
      const first = (await baseStore.get(photoName(id))).value, second = textStore.get(photoName(id));
      const one = await sealing.unseal(photoName(id), first), other = await sealing.unseal(photoName(id), second);
      if (!one && !other) continue;
      const picture = { jpeg: sealing.base64Of(one || other), first: Boolean(one), second: Boolean(other) };
      pictures.set(id, picture);
      if (!one && !isUnread) picture.first = (await baseStore.put(photoName(id), second)).done; // its copy again
    }
  }

  // A first store that was held when the page opened can be read again: what it has beyond the other
  async function readHeld() {
    const first = isUnread ? await baseStore.get(place) : { done: false };
    if (!first.done) return null;
    isUnread = false;
    const state = await stateOf(first.value);
    if (!state && first.value !== undefined) await putAside(first.value);
    for (const [id, picture] of pictures) if (!picture.first) await queue(() => putPhoto(id));
    if (!state || state.saved <= savedThen) return null;
    await readPhotos(recordState.photosOf(state));
    return state;
  }

  // ---------------------------------------------------------------------------------- writing

  const queue = (what) => (waiting = waiting.then(what, what));

  // Resolves to the words of what is lost, to "" when it is safe, to null when a later change says.
  async function write(state) {
    const now = ++turn, text = recordState.toText(state);
    const photos = recordState.photosOf(state);
    words = text;
    if (!isAble) return UNSAFE;
    let kept;
    try {
      kept = await queue(() => (now === turn ? save(text, photos) : null));
    } catch {
      return NOTHING; // whatever a browser refuses, it is said
    }
    if (!kept) return isElsewhere ? ELSEWHERE : null;
    return kept.second || (await kept.first).done ? "" : textStore.isThere() ? FULL : NOTHING;
  }

  // The second store first: it cannot be held, and the first is waited for by nobody else
  async function save(text, photos) {
    const last = sealed, isUnmarked = await checkOpening();
    if (isElsewhere) return null;
    const made = await sealing.sealText(place, text);
    const isOther = Boolean(last) && last.second && textStore.get(place) !== last.made;
    const second = textStore.put(place, made) || (dropTexts(photos) && textStore.put(place, made));
    const first = isUnread ? Promise.resolve({ done: false }) : baseStore.put(place, made);
    sealed = { made, second, first };
    first.then(async function ({ done, before }) {
      const wasKept = done && last && (await last.first).done;
      if (last && (isUnmarked || isOther || (wasKept && before !== last.made))) tell("changed");
    });
    return sealed;
  }

  // Forgets what the stores should hold: all of it is written again
  function forget() {
    sealed = null;
  }

  // Whether either store gives these bytes back under that name
  async function holds(name, bytes) {
    for (const copy of [(await baseStore.get(name)).value, textStore.get(name)]) {
      const found = await sealing.unseal(name, copy);
      if (found && sealing.base64Of(found) === sealing.base64Of(bytes)) return true;
    }
    return false;
  }

  // `spare` are photos whose visits were exported: their second copies go first where room is short.
  async function keepPhoto(id, jpeg, spare) {
    pictures.set(id, { jpeg, first: false, second: false });
    if (!isAble) return UNSAFE;
    await queue(() => putPhoto(id, spare));
    const { first, second } = pictures.get(id) || {};
    return first && second ? "" : first || second ? ONCE : NO_PHOTO;
  }

  async function putPhoto(id, spare = []) {
    const picture = pictures.get(id), name = photoName(id);
    if (!picture || isElsewhere) return;
    const made = await sealing.seal(name, sealing.bytesOf(picture.jpeg));
    picture.second = textStore.put(name, made) || (dropTexts(spare) && textStore.put(name, made));
    picture.first = (await baseStore.put(name, made)).done;
  }

  function dropPhoto(id) {
    pictures.delete(id);
    dropTexts([{ id }]);
    queue(() => baseStore.drop(photoName(id)));
  }

  function dropTexts(photos) {
    for (const { id } of photos) {
      textStore.drop(photoName(id));
      if (pictures.has(id)) pictures.get(id).second = false;
    }
    return photos.length > 0;
  }

  return {
    open, checkOpening, read, readHeld, readPhotos, write, save, forget, holds, keepPhoto, putPhoto, dropPhoto, queue, photoName, pictures,
    place: () => place,
    isUnread: () => isUnread,
    isElsewhere: () => isElsewhere,
    isAble: () => isAble,
    photo: (id) => (pictures.get(id) || {}).jpeg,
    written: () => ({ words, sealed }),
    ELSEWHERE,
  };
})();
