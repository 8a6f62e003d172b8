// Search box, class filter and the list: real buttons, so that nothing needs a mouse.
const finder = (() => {
  const { el, byId } = dom;
  const MOST = 200;

  const classTicks = (model, onChange) => {
    const counts = model.data.words.classes.map((_, kind) => model.data.units.class.filter((k) => k === kind).length);
    counts.forEach((count, kind) => {
      if (!count) return;
      const tick = el("input", { type: "checkbox", checked: true });
      tick.addEventListener("change", () => {
        if (tick.checked) model.classesOn.add(kind);
        else model.classesOn.delete(kind);
        onChange();
      });
      byId("classes").append(el("label", { class: "tick" }, tick, marks.picture(kind),
        el("span", {}, model.data.words.classes[kind]), el("span", { class: "how-many" }, wording.grouped(String(count)))));
    });
  };

  const rowButton = (model, row, onChoose) => {
    const { units, score, words } = model.data;
    const rank = score && score.rank[row] !== null ? wording.grouped(String(score.rank[row])) : "";
    const points = score && score.tenths[row] !== null ? wording.fixed(score.tenths[row], 1) : "";
    const button = el("button", { type: "button", "data-row": row },
      marks.picture(units.class[row]),
      el("span", { class: "unseen" }, `${words.classes[units.class[row]]}, `),
      el("span", { class: "row-id" }, units.id[row], el("span", { class: "small" }, model.address(row))),
      rank || points ? el("span", { class: "row-order" }, rank ? `rank ${rank}` : "not ranked",
        points ? el("span", { class: "small" }, `score ${points}`) : null) : null);
    if (row === model.chosen) button.setAttribute("aria-current", "true");
    button.addEventListener("click", () => onChoose(row, button));
    return el("li", {}, button);
  };

  const sentence = (model, found, asked, forgiven) => {
    const all = model.data.units.id.length;
    if (!all) return "No units on record.";
    if (asked) {
      if (!found.length) return "No unit has that number, address or parcel.";
      return `${wording.count(found.length, "unit")} found${forgiven ? ", spelled a little differently" : ""}`;
    }
    const shown = `${wording.grouped(String(model.visible.length))} of ${wording.count(all, "unit")} shown`;
    return model.inViewOnly ? `${shown}, ${wording.grouped(String(found.length))} on the map` : shown;
  };

  const refresh = (model, onChoose) => {
    const asked = byId("search").value.trim();
    const search = asked ? searching.find(model.index(), asked) : null;
    const found = search ? search.rows
      : model.inViewOnly ? model.visible.filter((row) => choosing.isInside(model.places, row, model.box())) : model.visible;
    model.found = found;
    byId("list-title").textContent = asked ? "Units found" : "Units in order of rank";
    byId("count").textContent = sentence(model, found, asked, search && search.forgiven);
    dom.fill(byId("rows"), found.slice(0, MOST).map((row) => rowButton(model, row, onChoose)));
    byId("more").textContent = found.length > MOST
      ? `The first ${MOST} of ${wording.grouped(String(found.length))}. Search or move the map for others.` : "";
  };

  const mark = (model) => {
    for (const button of byId("rows").querySelectorAll("button")) {
      if (Number(button.dataset.row) === model.chosen) {
        button.setAttribute("aria-current", "true");
        byId("rows").scrollTop = button.offsetTop - byId("rows").clientHeight / 2;
      } else button.removeAttribute("aria-current");
    }
  };

  const start = (model, { onFilter, onChoose }) => {
    classTicks(model, onFilter);
    byId("search").addEventListener("focus", () => model.index()); // ready before the first letter
    byId("search").addEventListener("input", () => refresh(model, onChoose));
    byId("search").addEventListener("keydown", (event) => {
      if (event.key === "Enter" && model.found.length) onChoose(model.found[0], byId("search"));
    });
    byId("in-view").addEventListener("change", (event) => {
      model.inViewOnly = event.target.checked;
      refresh(model, onChoose);
    });
  };

  return Object.freeze({ start, refresh, mark });
})();
