// What of the staff page's state stands in its address beyond what both pages keep there.
const unitAddress = (() => {
  const areaNamed = ({ areas }, name) => {
    if (name === null || !areas) return null;
    const row = areas.shape.rows().find((each) => areas.names(each) === name);
    return row === undefined ? null : row;
  };

  const of = (model, view) => {
    const { data, pick } = model;

    const state = () => {
      const { areas } = model;
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
      };
    };

    const take = (asked) => {
      const keys = new Set(model.groups.flatMap(({ options }) => options.map(({ key }) => key)));
      model.classesOn = new Set([...data.words.classes.keys()].filter((kind) => !asked.hidden.includes(marks.names[kind])));
      pick.ticked = new Set(asked.with.filter((key) => keys.has(key)));
      pick.ring = asked.within && asked.within.every(([lat, lng]) => Math.abs(lat) <= 85 && Math.abs(lng) <= 180)
        ? asked.within.map(([lat, lng]) => view.toPlane(L.latLng(lat, lng))) : null;
      pick.area = areaNamed(model, asked.area);
      pick.moves = model.moved && moves.WAYS.some(({ key }) => key === asked.moved) ? asked.moved : null;
      model.show = smallAreas.VIEWS.find(({ key }) => key === asked.show && model.areas && smallAreas.isTold(model.areas, key)) || smallAreas.VIEWS[0];
    };

    return Object.freeze({ state, take });
  };

  return Object.freeze({ of });
})();
