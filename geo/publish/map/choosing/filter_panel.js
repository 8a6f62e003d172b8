// The questions units can be picked by, the area drawn or chosen, and what of it is in force.
const filterPanel = (() => {
  const { el, byId } = dom;

  const tickRow = (id, isOn, label, count, onTick, between = null) => {
    const [row, many] = [el("label", { class: "tick" }, dom.tick({ checked: isOn, id }, onTick), el("span", {}, label)), el("span", { class: "how-many" }, wording.grouped(count))];
    if (between) return el("div", { class: "layer" }, row, between, many);
    row.append(many);
    return row;
  };

  const option = ({ pick }, { key, label, count }, onChange) => tickRow(`with-${key}`, pick.ticked.has(key), label, count, (on) => {
    pick.ticked[on ? "add" : "delete"](key);
    onChange();
  });

  // One question asked of several storms has one row, with the storm to choose: of those that an
  // address ticked the rarest, which holds the others.
  const years = ({ storm }) => `${storm.years}-year`;
  let last = null; // the storm that was chosen, kept while it is not asked for
  const stormOption = ({ pick, storm }, all, onChange) => {
    const now = all.findLast(({ key }) => pick.ticked.has(key))
      || all.find((each) => years(each) === (last || (storm && `${storm.years}-year`))) || all[0];
    const take = (each) => {
      for (const { key } of all) pick.ticked.delete(key);
      if (each) pick.ticked.add(each.key);
      onChange();
    };
    const words = now.storm.label;
    const select = el("select", { id: "with-storm-years", "aria-label": `${words}, which storm` },
      all.map((each) => el("option", { selected: each === now }, years(each))));
    select.addEventListener("change", () => {
      last = years(all[select.selectedIndex]);
      take(all[select.selectedIndex]);
    });
    return tickRow("with-storm", pick.ticked.has(now.key), words, now.count, (on) => take(on ? now : null), select);
  };

  const questions = (model, options, onChange) => {
    const storms = options.filter(({ storm }) => storm);
    const first = storms.length > 1 ? [stormOption(model, storms, onChange)] : [];
    return [...first, ...options.filter((each) => !first.length || !storms.includes(each)).map((each) => option(model, each, onChange))];
  };

  const areaChoice = (model, onChange) => {
    const { areas, pick } = model;
    if (!areas) return null;
    const select = el("select", { id: "area" }, el("option", { value: "" }, "All areas"),
      areas.shape.rows().sort((a, b) => areas.names(a).localeCompare(areas.names(b), "en", { numeric: true }))
        .map((row) => el("option", { value: row, selected: pick.area === row }, `${areas.names(row)} (${wording.grouped(areas.units(row))})`)));
    select.addEventListener("change", () => {
      pick.area = select.value === "" ? null : Number(select.value);
      onChange();
    });
    return el("p", {}, el("label", { class: "find-label", for: "area" }, areas.isNamed ? "Catchment" : "Grid square"), select);
  };

  const button = (id, label, onClick) => dom.button({ id }, onClick, label);

  const drawn = (model, { onDraw, onBox, onChange }) =>
    el("fieldset", { class: "classes" }, el("legend", {}, "Area on the map"),
      el("div", { class: "buttons" },
        button("draw-corners", "Mark corners", (from) => onDraw("corners", from)),
        button("draw-box", "Drag a rectangle", (from) => onDraw("box", from)),
        button("draw-shown", "Use current view", onBox),
        model.pick.ring ? button("draw-none", "Clear area", () => {
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
      model.groups.length ? el("p", { class: "small" }, "Units match any box within a heading, and all headings together.") : null,
      model.groups.map(({ title, options }) =>
        el("fieldset", { class: "classes" }, el("legend", {}, title), questions(model, options, actions.onChange))));
    told(model);
    if (focused && byId("filter-rows").contains(byId(focused))) byId(focused).focus();
  };

  // In words what is in force, so that a short list is never a riddle.
  const words = (model) => {
    const { pick } = model;
    const questions = model.groups.flatMap(({ options }) => options.filter(({ key }) => pick.ticked.has(key)).map(({ label }) => label));
    const hidden = model.classesHere.filter((kind) => !model.classesOn.has(kind)).map((kind) => `not “${model.data.words.classes[kind]}”`);
    return [...hidden, ...questions, pick.area === null || !model.areas ? null : model.areas.names(pick.area),
      pick.ring ? "inside the marked area" : null,
      pick.moves === null ? null : moves.WAYS.find(({ key }) => key === pick.moves).label].filter((t) => t);
  };

  const told = (model) => {
    const n = filtering.count(model.pick);
    byId("filter-count").textContent = n ? ` · ${n} on` : "";
    const said = words(model);
    byId("in-force").hidden = !said.length;
    byId("in-force-words").textContent = said.join("; ");
  };

  return Object.freeze({ show, told, words });
})();
