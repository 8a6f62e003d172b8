// Keeps what is typed, twice: at each change, in the browser's own stores. Says so where it cannot.
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
      const second = readText();
      if (!database) {
        resolve(second);
        return;
      }
      const get = database.transaction("kept").objectStore("kept").get(place);
      get.onerror = () => resolve(second);
      get.onsuccess = function () {
        const first = get.result || null;
        resolve(!second || (first && first.saved >= second.saved) ? first : withPhotos(second, first));
      };
    });
  }

  // The second copy holds no photos: those of the first are put back where it has the visit.
  function withPhotos(second, first) {
    for (const [unit, visit] of Object.entries(second.visits || {})) {
      const same = first && first.visits[unit];
      if (same && same.record_id === visit.record_id && !visit.photos.length) visit.photos = same.photos;
    }
    return second;
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
        change.oncomplete = function () {
          writeText(copy); // a second copy: a store that a crash has damaged may come back empty
          resolve("");
        };
        change.onabort = () => resolve(writeText(copy));
      } catch (error) {
        resolve(writeText(copy));
      }
    });
  }

  function readText() {
    const text = textStore();
    try {
      return text ? JSON.parse(text.getItem(place)) : null;
    } catch (error) {
      return null;
    }
  }

  // Photos are left out where the first copy has them: there is little room.
  function writeText(copy) {
    const text = textStore();
    if (!text) return "This phone keeps nothing: export before you close the page, or all of it is lost.";
    const light = (name, value) => (name === "photos" && database ? [] : value);
    try {
      text.setItem(place, JSON.stringify(copy, light));
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
