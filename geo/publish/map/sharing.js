// The whole state of the page in its address, so that a view is shared by it, and back again.
const sharing = (() => {
  const isOurs = () => /^(file|https?):$/.test(location.protocol); // a frame in a notebook has none

  // ``own`` is what one page has beyond layers, storm, screen and place: ``own.state()`` gives it
  // by the names of `address.js`, ``own.take(asked)`` puts it back.
  const make = (model, map, own) => {
    const switched = [...model.layers, ...model.extras, ...model.pictures];
    const first = new Map(switched.map((entry) => [entry, entry.on]));
    let isMoved = false;
    let last = null;

    const state = () => {
      const { storm } = model;
      const center = map.getCenter();
      const turned = (on) => switched.filter((entry) => entry.on !== first.get(entry) && entry.on === on).map(({ name }) => name);
      return {
        ...own.state(),
        storm: storm && storm.on ? storm.years : null,
        on: turned(true),
        off: turned(false),
        screen: screens.chosen(),
        at: isMoved ? [center.lat, center.lng, map.getZoom()] : null,
      };
    };

    const remember = () => {
      if (!isOurs()) return;
      if (last !== null && location.hash !== last) return; // another address was typed and is heard next
      history.replaceState(null, "", address.write(state()) || location.href.split("#")[0]);
      last = location.hash;
    };

    // What the address in the bar asks for, where it differs from what is shown by one name alone.
    const onlyOther = (name) => {
      if (last === null) return null;
      const asked = address.read(location.hash);
      const rest = (state) => address.write({ ...state, [name]: null, at: asked.at && state.at });
      if (rest(asked) !== rest(address.read(last))) return null;
      last = location.hash;
      return asked;
    };

    // Puts the model into the state of the address; gives what was asked, and what moves the map
    // there once the page has its shape.
    const recall = () => {
      const asked = address.read(location.hash);
      last = location.hash;
      const { storm } = model;
      own.take(asked);
      for (const entry of switched) {
        entry.on = (first.get(entry) || asked.on.includes(entry.name)) && !asked.off.includes(entry.name);
      }
      if (storm) {
        storm.on = storm.storms.includes(Number(asked.storm));
        if (storm.on) storm.years = Number(asked.storm);
      }
      if (asked.screen) screens.choose(asked.screen);
      let look = null;
      if (asked.at) {
        const [lat, lng, zoom] = asked.at;
        isMoved = true;
        if (Math.abs(lat) <= 85 && Math.abs(lng) <= 180 && zoom >= 0 && zoom <= 24) look = () => map.setView([lat, lng], zoom, { animate: false });
      }
      return { asked, look };
    };

    map.on("moveend", () => {
      if (map.isReady) {
        isMoved = true;
        remember();
      }
    });

    // The address as text, on the clipboard where the browser allows it.
    const copy = async () => {
      isMoved = true;
      remember();
      try {
        await navigator.clipboard.writeText(location.href);
        return true;
      } catch {
        return false;
      }
    };

    return Object.freeze({ remember, recall, onlyOther, copy });
  };

  return Object.freeze({ make, isOurs });
})();
