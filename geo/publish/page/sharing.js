// The whole state of the page in its address, so that a view is shared by it, and back again.
const sharing = (() => {
  const isOurs = () => /^(file|https?):$/.test(location.protocol); // a frame in a notebook has none

  const make = (model, map, view) => {
    const switched = [...model.layers, ...model.extras, ...model.pictures];
    const first = new Map(switched.map((entry) => [entry, entry.on]));
    let isMoved = false;
    let last = null;

    const state = () => {
      const { pick, data, areas, storm } = model;
      const centre = map.getCenter();
      const turned = (on) => switched.filter((entry) => entry.on !== first.get(entry) && entry.on === on).map(({ name }) => name);
      const latLng = (place) => {
        const { lat, lng } = view.fromPlane(place);
        return [lat, lng];
      };
      return {
        unit: model.chosen === null ? null : data.units.id[model.chosen],
        hidden: model.classesHere.filter((kind) => !model.classesOn.has(kind)).map((kind) => marks.names[kind]),
        with: [...pick.ticked],
        within: pick.ring && pick.ring.map(latLng),
        area: pick.area === null || !areas ? null : areas.names(pick.area),
        moved: pick.moves,
        show: model.show.key === "units" ? null : model.show.key,
        storm: storm && storm.on ? storm.years : null,
        on: turned(true),
        off: turned(false),
        screen: screens.chosen(),
        at: isMoved ? [centre.lat, centre.lng, map.getZoom()] : null,
      };
    };

    const remember = () => {
      if (!isOurs()) return;
      const hash = address.write(state());
      if (hash === last) return;
      last = hash;
      history.replaceState(null, "", hash || location.href.split("#")[0]);
    };

    const areaNamed = (name) => {
      if (name === null || !model.areas) return null;
      const row = [...Array(model.areas.shape.count).keys()].find((each) => model.areas.names(each) === name);
      return row === undefined ? null : row;
    };

    // Whether another unit is all that the address in the bar asks for beyond what is shown.
    const onlyUnit = () => {
      if (last === null) return null;
      const asked = address.read(location.hash);
      const rest = (state) => address.write({ ...state, unit: null, at: asked.at && state.at });
      if (rest(asked) !== rest(address.read(last))) return null;
      last = location.hash;
      return { row: model.data.units.id.indexOf(asked.unit) };
    };

    // Puts the model into the state of the address; gives the row of its unit, -1 for none.
    const recall = () => {
      const asked = address.read(location.hash);
      last = location.hash;
      const { data, pick, storm } = model;
      const keys = new Set(model.groups.flatMap(({ options }) => options.map(({ key }) => key)));
      model.classesOn = new Set([...data.words.classes.keys()].filter((kind) => !asked.hidden.includes(marks.names[kind])));
      pick.ticked = new Set(asked.with.filter((key) => keys.has(key)));
      pick.ring = asked.within && asked.within.every(([lat, lng]) => Math.abs(lat) <= 85 && Math.abs(lng) <= 180)
        ? asked.within.map(([lat, lng]) => view.toPlane(L.latLng(lat, lng))) : null;
      pick.area = areaNamed(asked.area);
      pick.moves = model.moved && moves.WAYS.some(({ key }) => key === asked.moved) ? asked.moved : null;
      model.show = smallAreas.VIEWS.find(({ key }) => key === asked.show && model.areas && smallAreas.isTold(model.areas, key)) || smallAreas.VIEWS[0];
      for (const entry of switched) {
        entry.on = (first.get(entry) || asked.on.includes(entry.name)) && !asked.off.includes(entry.name);
      }
      if (storm) {
        storm.on = storm.storms.includes(Number(asked.storm));
        if (storm.on) storm.years = Number(asked.storm);
      }
      if (asked.screen) screens.choose(asked.screen);
      let look = null; // once the page has its shape
      if (asked.at) {
        const [lat, lng, zoom] = asked.at;
        isMoved = true;
        if (Math.abs(lat) <= 85 && Math.abs(lng) <= 180 && zoom >= 0 && zoom <= 24) look = () => map.setView([lat, lng], zoom, { animate: false });
      }
      return { row: data.units.id.indexOf(asked.unit), look };
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

    return Object.freeze({ remember, recall, onlyUnit, copy });
  };

  return Object.freeze({ make, isOurs });
})();
