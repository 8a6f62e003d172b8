// The questions units can be picked by, the area drawn or chosen, and what of it is in force.
const filterPanel = (() => {
  const { el, byId } = dom;

  const option = (model, { key, label, count }, onChange) => {
    const tick = el("input", { type: "checkbox", checked: model.pick.ticked.has(key), id: `with-${key}` });
    tick.addEventListener("change", () => {
      if (tick.checked) model.pick.ticked.add(key);
      else model.pick.ticked.delete(key);
      onChange();
    });
    return el("label", { class: "tick" }, tick, el("span", {}, label), el("span", { class: "how-many" }, wording.grouped(String(count))));
  };

  const areaChoice = (model, onChange) => {
    const { areas, pick } = model;
    if (!areas) return null;
    const select = el("select", { id: "area" }, el("option", { value: "" }, "Anywhere"),
      [...Array(areas.shape.count).keys()].sort((a, b) => areas.names(a).localeCompare(areas.names(b), "en", { numeric: true }))
        .map((row) => el("option", { value: row, selected: pick.area === row }, `${areas.names(row)} (${wording.grouped(String(areas.units(row)))})`)));
    select.addEventListener("change", () => {
      pick.area = select.value === "" ? null : Number(select.value);
      onChange();
    });
    return el("p", {}, el("label", { class: "find-label", for: "area" }, areas.isNamed ? "Catchment" : "Square of the county"), select);
  };

  const button = (id, label, onClick) => {
    const made = el("button", { type: "button", id }, label);
    made.addEventListener("click", () => onClick(made));
    return made;
  };

  const drawn = (model, { onDraw, onBox, onChange }) =>
    el("fieldset", { class: "classes" }, el("legend", {}, "Area on the map"),
      el("div", { class: "buttons" },
        button("draw-corners", "Draw corners", (from) => onDraw("corners", from)),
        button("draw-box", "Drag a rectangle", (from) => onDraw("box", from)),
        button("draw-shown", "What the map shows", onBox),
        model.pick.ring ? button("draw-none", "Drop the area", () => {
          model.pick.ring = null;
          onChange();
          byId("draw-corners").focus();
        }) : null));

  // All again; what had the focus keeps it.
  const show = (model, actions) => {
    const focused = document.activeElement && document.activeElement.id;
    dom.fill(byId("filter-rows"),
      areaChoice(model, actions.onChange),
      drawn(model, actions), // before the long lists, which would hide it
      model.groups.length ? el("p", { class: "small" }, "Several ticks under one heading: any of them. Under different headings: all of them.") : null,
      model.groups.map(({ title, options }) =>
        el("fieldset", { class: "classes" }, el("legend", {}, title), options.map((each) => option(model, each, actions.onChange)))));
    told(model);
    if (focused && byId("filter-rows").contains(byId(focused))) byId(focused).focus();
  };

  // In words what is in force, so that a short list is never a riddle.
  const words = (model) => {
    const { pick } = model;
    const questions = model.groups.flatMap(({ options }) => options.filter(({ key }) => pick.ticked.has(key)).map(({ label }) => label));
    const hidden = model.classesHere.filter((kind) => !model.classesOn.has(kind)).map((kind) => `without “${model.data.words.classes[kind]}”`);
    return [...hidden, ...questions, pick.area === null || !model.areas ? null : model.areas.names(pick.area),
      pick.ring ? "inside the area drawn" : null,
      pick.moves === null ? null : `moved: ${moves.WAYS.find(({ key }) => key === pick.moves).label.toLowerCase()}`].filter((t) => t);
  };

  const told = (model) => {
    const n = filtering.count(model.pick);
    byId("filter-count").textContent = n ? ` · ${n} in force` : "";
    const said = words(model);
    byId("in-force").hidden = !said.length;
    byId("in-force-words").textContent = said.join("; ");
  };

  return Object.freeze({ show, told, words });
})();
