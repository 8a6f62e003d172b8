// How the parts of the page tell each other that something has changed.
const pageParts = (() => {
  const { byId, el } = dom;

  const make = (model, map, view) => {
    const { data } = model;
    const share = sharing.make(model, map, unitAddress.of(model, view));
    const units = unitChoice.make(model, map, view, () => {
      showLegend();
      share.remember();
    });

    const refresh = () => finder.refresh(model, units.choose, chooseArea);
    const rested = () => {
      if (model.inViewOnly && !byId("search").value.trim()) refresh();
    };
    const layers = layerChoices.make(model, map, view, { remember: share.remember, rested });
    const { showLegend, beside } = layers;
    const refilter = () => {
      model.filter();
      view.redrawUnits();
      view.redrawGround();
      filterPanel.told(model);
      showLegend(); // of what is shown
      refresh();
      share.remember();
    };

    // What is picked: questions, an area, rank changes.
    const filterChanged = () => {
      filterPanel.show(model, filterActions);
      refilter();
    };
    const drawing = areaDrawing.make(map, view.toPlane, {
      onChange: (ring) => {
        model.drawing = ring;
        view.redrawUnits();
      },
      onDone: (ring) => {
        model.drawing = [];
        if (ring) model.pick.ring = ring;
        filterChanged();
        byId("said").textContent = ring ? `${wording.count(model.visible.length, "unit")} in the area.` : "No area marked.";
      },
    });
    const filterActions = {
      onChange: filterChanged,
      onDraw: (kind) => drawing.start(kind, byId(kind === "box" ? "draw-box" : "draw-corners")),
      onBox: () => {
        model.pick.ring = drawing.boxOf(view.box());
        filterChanged();
      },
    };
    const clear = () => {
      model.pick = filtering.emptyPick();
      model.classesOn = new Set(data.words.classes.keys());
      finder.showClasses(model);
      showMoves();
      filterChanged();
      showLegend();
      byId("filters").querySelector("summary").focus();
    };
    const chooseMoves = (way) => {
      model.pick.moves = way;
      filterChanged();
    };
    const showMoves = () => {
      byId("compared").hidden = !model.moved;
      if (!model.moved) return;
      const count = (holds) => [...data.units.id.keys()].filter(holds).length;
      moves.show(byId("moved-rows"), model.moved, count, model.pick.moves, chooseMoves);
    };

    // Individual units, or small areas.
    const showAs = (key) => {
      model.show = smallAreas.VIEWS.find((each) => each.key === key);
      byId("show-as").value = key;
      showLegend();
      refilter();
    };
    const chooseArea = (row) => {
      model.pick.area = row;
      showAs("units");
      filterChanged();
      const box = model.areas.shape.box(row);
      map.fitBounds([view.fromPlane([box.west, box.south]), view.fromPlane([box.east, box.north])], { animate: false, paddingBottomRight: [layers.beside(), 0] });
      byId("said").textContent = `${model.areas.names(row)}: ${wording.count(model.visible.length, "unit")}.`;
      byId("list-title").focus();
    };

    const showChoices = async () => {
      const views = model.areas ? smallAreas.VIEWS.filter(({ key }) => smallAreas.isTold(model.areas, key)) : [];
      byId("show-as-box").hidden = views.length < 2;
      dom.fill(byId("show-as"), views.map(({ key, label }) => el("option", { value: key }, label)));
      filterPanel.show(model, filterActions);
      showMoves();
      if (model.moved) showLegend();
      byId("covered").hidden = !data.blocks.includes("first_visits");
    };
    const showCurve = async () => {
      const told = await blocks.read("first_visits");
      if (told) curve.show(byId("covered-body"), curve.prepare(told));
    };

    // Everything as the address has it.
    const rowOf = ({ unit }) => data.units.id.indexOf(unit);
    const recall = async () => {
      const other = share.onlyOther("unit");
      if (other) return rowOf(other) < 0 ? units.drop() : units.choose(rowOf(other), byId("search"), { focus: false });
      const { asked, look } = share.recall();
      const row = rowOf(asked);
      model.filter();
      finder.showClasses(model);
      showMoves();
      byId("show-as").value = model.show.key;
      filterPanel.show(model, filterActions);
      viewActs.showScreen();
      view.recolor();
      layers.showAll();
      refresh();
      if (row >= 0) await units.choose(row, byId("search"), { focus: false, move: !look });
      else units.drop();
      if (look) look();
      return share.remember();
    };

    const listen = () => {
      map.on("moveend", () => {
        layers.zoomed();
        rested();
      });
      map.on("painted", () => { byId("left-out").hidden = !model.leftOut; });
      unitChoice.listen(model, map, view, units, drawing, chooseArea);
      viewActs.listen(model, map, view, share, layers);
      window.addEventListener("hashchange", recall);
      byId("show-as").addEventListener("change", (event) => showAs(event.target.value));
      byId("clear").addEventListener("click", clear);
      byId("filters").addEventListener("toggle", ({ target }) => target.open && target.scrollIntoView());
      byId("covered").addEventListener("toggle", showCurve, { once: true });
      byId("save-list").addEventListener("click", () => listFile.save(model, view));
    };

    return Object.freeze({ units, refresh, refilter, chooseArea, showLegend, showChoices, recall, beside, listen });
  };

  return Object.freeze({ make });
})();
