// Keeps what is typed, twice: at each change, in the browser's own stores. Says so where it cannot.
// Photos never change, so each is written once, apart from the words.
"use strict";
const keeping = (function () {
  let database = null, place = "", mine = "", waiting = Promise.resolve();
  const pictures = new Map();
  const NOTHING = "This phone keeps nothing: export before you close the page, or all of it is lost.";
  const FULL = "This phone has no room left: what was changed last is lost when the page closes. Export now.";
  const ONCE = "No room for a second copy of a photo: it is kept once. Export today.";
  const ELSEWHERE = "This page was opened once more and goes on there. Nothing typed here is kept: close it, or load it anew to go on here.";
  const NO_PHOTO = "This phone cannot keep the photo: export before you close the page, or it is lost.";

  // `me` names this opening of the page: of two that are open the later one writes
  function open(key, me) {
    place = key;
    mine = me;
    setText(`${place}:open`, me);
    return new Promise(function (resolve) {
      let request;
      try {
        request = indexedDB.open("rillmark-records", 1);
      } catch (error) {
        resolve(false);
        return;
      }
      request.onupgradeneeded = () => request.result.createObjectStore("kept");
      request.onerror = () => resolve(false);
      request.onblocked = () => resolve(false);
      request.onsuccess = function () {
        database = request.result;
        resolve(true);
      };
    });
  }

  const photoKey = (id) => `${place}:photo:${id}`;

  // Every photo the state speaks of: { id, name, note }
  function photosOf(state) {
    const lists = [...Object.values(state.visits || {}), ...(state.done || []).map((each) => each.record)];
    return lists.flatMap((each) => each.photos || []);
  }

  async function read() {
    const first = await get(place), text = textOf(place);
    let second = null;
    try {
      second = text ? JSON.parse(text) : null;
    } catch (error) { /* a copy cut short is none */ }
    const state = !second || (first && first.saved >= second.saved) ? first : second;
    for (const { id } of state ? photosOf(state) : []) {
      const one = await get(photoKey(id)), other = textOf(photoKey(id));
      if (!one && !other) continue;
      pictures.set(id, one || other);
      if (!one) await put(photoKey(id), other); // what came back empty gets its copy again
    }
    return state;
  }

  // Whether the page was opened again since; an older copy of the day must not write over a newer.
  function isElsewhere() {
    const last = textOf(`${place}:open`);
    return last !== null && last !== mine;
  }

  // Resolves to the words of what is lost, or to "" when it is safe.
  function write(state) {
    if (isElsewhere()) return Promise.resolve(ELSEWHERE);
    const copy = JSON.parse(JSON.stringify(state));
    return (waiting = waiting.then(async function () {
      const kept = await put(place, copy);
      const again = setText(place, JSON.stringify(copy)) || (dropTexts(photosOf(copy)) && setText(place, JSON.stringify(copy)));
      return kept || again ? "" : textStore() ? FULL : NOTHING;
    }));
  }

  // `spare` are photos whose visits were exported: their second copies go first where room is short.
  function keepPhoto(id, jpeg, spare) {
    pictures.set(id, jpeg);
    return (waiting = waiting.then(async function () {
      const kept = await put(photoKey(id), jpeg);
      const again = setText(photoKey(id), jpeg) || (dropTexts(spare) && setText(photoKey(id), jpeg));
      return kept && again ? "" : kept || again ? ONCE : NO_PHOTO;
    }));
  }

  function dropPhoto(id) {
    pictures.delete(id);
    dropTexts([{ id }]);
    waiting = waiting.then(() => put(photoKey(id), undefined));
  }

  // ------------------------------------------------------------------------- the first store

  function get(key) {
    return ask("readonly", (store) => store.get(key)).then((answer) => answer.value || null);
  }

  function put(key, value) {
    return ask("readwrite", (store) => (value === undefined ? store.delete(key) : store.put(value, key)))
      .then((answer) => answer.done);
  }

  function ask(mode, what) {
    return new Promise(function (resolve) {
      if (!database) {
        resolve({ done: false });
        return;
      }
      try {
        const change = database.transaction("kept", mode, { durability: "strict" });
        const request = what(change.objectStore("kept"));
        change.oncomplete = () => resolve({ done: true, value: request.result });
        change.onabort = change.onerror = () => resolve({ done: false });
      } catch (error) {
        resolve({ done: false });
      }
    });
  }

  // -------------------- the second: a store that a crash has damaged may come back empty; small

  function textStore() {
    try {
      return window.localStorage;
    } catch (error) {
      return null;
    }
  }

  function textOf(key) {
    const text = textStore();
    return text ? text.getItem(key) : null;
  }

  function setText(key, value) {
    try {
      textStore().setItem(key, value);
      return true;
    } catch (error) {
      return false;
    }
  }

  function dropTexts(photos) {
    const text = textStore();
    for (const { id } of text ? photos : []) text.removeItem(photoKey(id));
    return photos.length > 0;
  }

  return { open, isElsewhere, photosOf, read, write, keepPhoto, dropPhoto, photo: (id) => pictures.get(id) };
})();
