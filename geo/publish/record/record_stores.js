// The browser's two stores. Any other local page may empty, change or hold them, so no answer is
// waited for without end, and what happens to them is told.
"use strict";
const textStore = (function () {
  function held() {
    try {
      return window.localStorage;
    } catch {
      return null;
    }
  }

  function get(name) {
    const store = held();
    return store ? store.getItem(name) : null;
  }

  // Whether it is there now, read back
  function put(name, text) {
    try {
      held().setItem(name, text);
      return get(name) === text;
    } catch {
      return false;
    }
  }

  function drop(name) {
    const store = held();
    if (store) store.removeItem(name);
  }

  return { get, put, drop, isThere: () => held() !== null, names: () => Object.keys(held() || {}) };
})();

const baseStore = (function () {
  const BASE = "rillmark-records", KEPT = "kept", PATIENCE_MS = 3000;
  let database = null, isHeld = false, opening = null, tell = () => {};

  // `told` hears "deleted", "held" and "back"; resolves to whether the store can be used
  function open(told) {
    tell = told;
    return connect();
  }

  function connect() {
    opening = opening || within(new Promise(function (resolve) {
      request(resolve);
    })).then(function (isOpen) {
      opening = null;
      return isOpen === true;
    });
    return opening;
  }

  function request(resolve, version) {
    let asked;
    try {
      asked = version ? indexedDB.open(BASE, version) : indexedDB.open(BASE);
    } catch {
      resolve(false);
      return;
    }
    asked.onupgradeneeded = function () {
      if (!asked.result.objectStoreNames.contains(KEPT)) asked.result.createObjectStore(KEPT);
    };
    asked.onerror = () => resolve(false);
    asked.onsuccess = function () {
      const opened = asked.result;
      if (!opened.objectStoreNames.contains(KEPT)) { // somebody else made it anew, and otherwise
        const next = opened.version + 1;
        opened.close();
        request(resolve, next);
        return;
      }
      opened.onversionchange = function (event) {
        if (event.newVersion !== null) return; // another shape of it: not while this page is open
        opened.close();
        gone();
      };
      opened.onclose = gone;
      database = opened;
      free();
      resolve(true);
    };
  }

  function gone() {
    database = null;
    tell("deleted");
  }

  function free() {
    if (!isHeld) return;
    isHeld = false;
    tell("back");
  }

  // The answer, or undefined where none comes in time: then nothing more is asked until one does
  function within(promise) {
    return new Promise(function (resolve) {
      const timer = setTimeout(function () {
        if (!isHeld) {
          isHeld = true;
          tell("held");
        }
        resolve(undefined);
      }, PATIENCE_MS);
      promise.then(function (answer) {
        clearTimeout(timer);
        resolve(answer);
      });
    });
  }

  function ask(mode, what) {
    if (!database || isHeld) return Promise.resolve({ done: false });
    const asked = new Promise(function (resolve) {
      const end = function (answer) {
        free();
        resolve(answer);
      };
      try {
        const change = database.transaction(KEPT, mode, { durability: "strict" });
        const made = what(change.objectStore(KEPT));
        change.oncomplete = () => end({ done: true, value: made.result });
        change.onabort = change.onerror = () => end({ done: false });
      } catch {
        resolve({ done: false });
      }
    });
    return within(asked).then((answer) => answer || { done: false });
  }

  // Each resolves to { done, value }; where it is not done nothing is known
  return {
    open, connect,
    isThere: () => database !== null,
    isHeld: () => isHeld,
    get: (name) => ask("readonly", (store) => store.get(name)),
    names: () => ask("readonly", (store) => store.getAllKeys()),
    async put(name, value) { // with what was there before
      let before;
      const { done } = await ask("readwrite", function (store) {
        before = store.get(name);
        return store.put(value, name);
      });
      return { done, before: done ? before.result : undefined };
    },
    drop: (name) => ask("readwrite", (store) => store.delete(name)),
  };
})();
