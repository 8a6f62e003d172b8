// Search box, class filter and the list: real buttons, so that nothing needs a mouse.
const finder = (() => {
  const { el, byId } = dom;
  const MOST = 200;

  const classTicks = (model, onChange) => {
    const counts = model.data.words.classes.map((_, kind) => model.data.units.class.filter((k) => k === kind).length);
    counts.forEach((count, kind) => {
      if (!count) return;
      const tick = dom.tick({ checked: true, "data-kind": kind }, (on) => {
        model.classesOn[on ? "add" : "delete"](kind);
        onChange();
      });
      byId("classes").append(el("label", { class: "tick" }, tick, marks.picture(kind),
        el("span", {}, model.data.words.classes[kind]), el("span", { class: "how-many" }, wording.grouped(count))));
    });
  };

  const rowButton = (model, row, onChoose) => {
    const { units, score, words } = model.data;
    const rank = score && score.rank[row] !== null ? wording.grouped(score.rank[row]) : "";
    const points = score && score.points[row] !== null ? `score ${score.points[row]}` : "";
    const note = model.moved && model.pick.moves !== null ? moves.short(model.moved, row) : model.dueInWords(row) || points;
    const button = dom.button({ "data-row": row, "aria-current": row === model.chosen && "true" }, (from) => onChoose(row, from),
      marks.picture(units.class[row]),
      el("span", { class: "unseen" }, `${words.classes[units.class[row]]}, `),
      el("span", { class: "row-id" }, units.id[row], el("span", { class: "small" }, model.address(row))),
      rank || points ? el("span", { class: "row-order" }, rank ? `rank ${rank}` : "not ranked",
        el("span", { class: "small" }, note)) : null);
    return el("li", {}, button);
  };

  const sentence = (model, found, asked, forgiven) => {
    const all = model.data.units.id.length;
    if (!all) return "No units on record.";
    if (asked) {
      if (!found.length) return "No unit has that number, address or parcel.";
      return `${wording.count(found.length, "unit")} found${forgiven ? " with a similar spelling" : ""}`;
    }
    const shown = `${wording.grouped(model.visible.length)} of ${wording.count(all, "unit")} shown`;
    if (!model.visible.length) return `${shown}. No units match.`;
    return model.inViewOnly ? `${shown}, ${wording.grouped(found.length)} on the map` : shown;
  };

  // The small areas as buttons; one chosen leaves its units.
  const listAreas = (model, onArea) => {
    const { areas, show } = model;
    byId("list-title").textContent = `Areas by ${show.by}`;
    byId("count").textContent = `${wording.count(areas.shape.count, areas.isNamed ? "catchment" : "square")}. Select one to see its units.`;
    byId("more").textContent = "";
    byId("save-list").hidden = true;
    dom.fill(byId("rows"), smallAreas.ordered(areas, show).map((row) => el("li", {}, dom.button({ "data-area": row }, () => onArea(row),
      el("span", { class: "row-id" }, areas.names(row)),
      el("span", { class: "row-order" }, smallAreas.words(areas, show, row), el("span", { class: "small" }, show.tail || "units"))))));
  };

  // The list is one stop of the Tab key; arrows move in it, so that what follows is not 200 stops away.
  const buttons = () => [...byId("rows").querySelectorAll("button")];
  const stopAt = (button) => { for (const each of buttons()) each.tabIndex = each === button ? 0 : -1; };
  const settle = () => stopAt(buttons().find((each) => each.hasAttribute("aria-current")) || buttons()[0]);
  const move = (event) => {
    const all = buttons();
    const at = all.indexOf(document.activeElement);
    const to = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: all.length - 1, PageDown: at + 10, PageUp: at - 10 }[event.key];
    if (at < 0 || to === undefined) return;
    event.preventDefault();
    all[Math.max(0, Math.min(to, all.length - 1))].focus();
  };

  const refresh = (model, onChoose, onArea) => {
    fill(model, onChoose, onArea);
    settle();
  };

  const fill = (model, onChoose, onArea) => {
    const asked = byId("search").value.trim();
    const search = asked ? searching.find(model.index(), asked) : null;
    const found = search ? search.rows
      : model.inViewOnly ? model.listed.filter((row) => choosing.isInside(model.places, row, model.box())) : model.listed;
    model.found = found;
    byId("save-list").hidden = !found.length;
    if (model.isAreas() && !asked) {
      listAreas(model, onArea);
      return;
    }
    byId("list-title").textContent = asked ? "Units found" : model.pick.moves !== null ? "Units that moved, largest change first" : "Units by rank";
    byId("count").textContent = sentence(model, found, asked, search && search.forgiven);
    dom.fill(byId("rows"), found.slice(0, MOST).map((row) => rowButton(model, row, onChoose)));
    byId("more").textContent = found.length > MOST
      ? `First ${MOST} of ${wording.grouped(found.length)}. Search or filter for more.` : "";
  };

  const mark = (model) => {
    for (const button of buttons()) {
      if (Number(button.dataset.row) === model.chosen) {
        button.setAttribute("aria-current", "true");
        byId("rows").scrollTop = button.offsetTop - byId("rows").clientHeight / 2;
      } else button.removeAttribute("aria-current");
    }
    settle();
  };

  const start = (model, { onFilter, onChoose, onArea }) => {
    classTicks(model, onFilter);
    byId("rows").addEventListener("keydown", move);
    byId("rows").addEventListener("focusin", (event) => stopAt(event.target));
    byId("search").addEventListener("focus", () => model.index()); // ready before the first letter
    byId("search").addEventListener("input", () => refresh(model, onChoose, onArea));
    byId("search").addEventListener("keydown", (event) => {
      if (event.key === "Enter" && model.found.length) onChoose(model.found[0], byId("search"));
    });
    byId("in-view").addEventListener("change", (event) => {
      model.inViewOnly = event.target.checked;
      refresh(model, onChoose, onArea);
    });
  };

  // The ticks as the model has them, after an address has changed it.
  const showClasses = (model) => {
    for (const tick of byId("classes").querySelectorAll("input")) tick.checked = model.classesOn.has(Number(tick.dataset.kind));
  };

  return Object.freeze({ start, refresh, mark, showClasses });
})();
