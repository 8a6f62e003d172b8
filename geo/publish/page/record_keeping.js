// Keeps what is typed: at each change, in the browser's own storage. Says so where it cannot.
"use strict";
const keeping = (function () {
  let database = null, place = "", waiting = Promise.resolve();

  function open(key) {
    place = key;
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

  function read() {
    return new Promise(function (resolve) {
      const text = textStore();
      const other = text && text.getItem(place);
      const fallback = other ? JSON.parse(other) : null;
      if (!database) {
        resolve(fallback);
        return;
      }
      const get = database.transaction("kept").objectStore("kept").get(place);
      get.onerror = () => resolve(fallback);
      get.onsuccess = function () {
        const own = get.result || null;
        resolve(own && (!fallback || own.saved >= fallback.saved) ? own : fallback);
      };
    });
  }

  // Resolves to the words of what is lost, or to "" when it is safe.
  function write(state) {
    const copy = JSON.parse(JSON.stringify(state));
    waiting = waiting.then(() => put(copy));
    return waiting;
  }

  function put(copy) {
    return new Promise(function (resolve) {
      if (!database) {
        resolve(writeText(copy));
        return;
      }
      try {
        const change = database.transaction("kept", "readwrite", { durability: "strict" });
        change.objectStore("kept").put(copy, place);
        change.oncomplete = () => resolve("");
        change.onabort = () => resolve(writeText(copy));
      } catch (error) {
        resolve(writeText(copy));
      }
    });
  }

  function writeText(copy) {
    const text = textStore();
    if (!text) return "This phone keeps nothing: export before you close the page, or all of it is lost.";
    try {
      text.setItem(place, JSON.stringify(copy));
      return "";
    } catch (error) {
      return "This phone has no room left: what was changed last is lost when the page closes. Export now.";
    }
  }

  function textStore() {
    try {
      return window.localStorage;
    } catch (error) {
      return null;
    }
  }

  return { open, read, write };
})();
