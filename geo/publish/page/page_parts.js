// How the parts of the page tell each other that something has changed.
const pageParts = (() => {
  const { byId, el } = dom;

  const make = (model, map, view) => {
    const { data } = model;
    const share = sharing.make(model, map, view);
    const units = unitChoice.make(model, map, view, share.remember);
    const storm = data.storms ? stormLayer.make(map, data.storms, () => view.colours().pond) : null;

    const refresh = () => finder.refresh(model, units.choose, chooseArea);
    const rested = () => {
      model.zoom = map.getZoom();
      legend.zoomed(byId("legend-rows"), model.zoom);
      if (model.inViewOnly && !byId("search").value.trim()) refresh();
    };
    const showLegend = () => {
      legend.show(byId("legend-rows"), model, view.colours(), toggle, closer);
      rested();
    };
    const refilter = () => {
      model.filter();
      view.redrawUnits();
      view.redrawGround();
      filterPanel.told(model);
      refresh();
      rested();
      share.remember();
    };
    const closer = (entry) => {
      map.setZoom(entry.fromZoom, { animate: false });
      byId(`show-${entry.name}`).focus();
    };
    const showLayer = (entry) => {
      if (entry === model.storm) storm.show(entry);
      else if (model.pictures.includes(entry)) view.showPicture(entry);
      else if (model.extras.includes(entry)) view.redrawUnits();
      else view.redrawGround();
    };
    const toggle = (entry, on, focusOn = `show-${entry.name}`) => {
      entry.on = on;
      showLayer(entry);
      showLegend();
      share.remember();
      const tick = byId(focusOn);
      tick.focus();
      tick.closest(".layer").scrollIntoView({ block: "nearest" });
      let step = tick.closest(".layer").nextElementSibling; // what its colours mean must be seen too
      for (; step && step.classList.contains("step"); step = step.nextElementSibling) step.scrollIntoView({ block: "nearest" });
    };
    const beside = () => (byId("legend").open && map.getSize().x > 900 ? byId("legend").offsetWidth + 10 : 0);

    // What is picked: questions, an area, who moved.
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
        byId("said").textContent = ring ? `Area drawn: ${wording.count(model.visible.length, "unit")} in it.` : "No area was drawn.";
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

    // Units one by one, or small areas.
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
      map.fitBounds([view.fromPlane([box.west, box.south]), view.fromPlane([box.east, box.north])], { animate: false });
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
    const recall = async () => {
      const other = share.onlyUnit();
      if (other) return other.row < 0 ? units.drop() : units.choose(other.row, byId("search"), { focus: false });
      const { row, look } = share.recall();
      model.filter();
      finder.showClasses(model);
      showMoves();
      byId("show-as").value = model.show.key;
      filterPanel.show(model, filterActions);
      model.pictures.forEach(view.showPicture);
      if (storm) storm.show(model.storm);
      showScreen();
      showLegend();
      view.recolour();
      refresh();
      if (row >= 0) await units.choose(row, byId("search"), { focus: false, move: !look });
      else units.drop();
      if (look) look();
      return share.remember();
    };

    const showScreen = () => {
      byId("screen").textContent = screens.now() === "dark" ? "Light screen" : "Dark screen";
    };
    const rescreen = () => {
      showScreen();
      view.recolour();
      if (storm) storm.show(model.storm);
      showLegend();
    };
    const copyAddress = async () => {
      const isCopied = await share.copy();
      byId("address-box").hidden = isCopied;
      byId("address").value = location.href;
      byId("said").textContent = isCopied ? "The address of this view is copied." : "Copy the address from the box.";
      byId("copied").hidden = !isCopied;
      if (!isCopied) byId("address").select();
    };
    const savePicture = async () =>
      listFile.offer(await picture.make(model, map, view), listFile.nameOf(data, "map", "png"));

    const listen = () => {
      map.on("moveend", rested);
      map.on("painted", () => { byId("left-out").hidden = !model.leftOut; });
      unitChoice.listen(model, map, view, units, drawing, chooseArea);
      printing.listen(model, map, view, showLegend);
      screens.listen(rescreen);
      window.addEventListener("hashchange", recall);
      byId("whole").addEventListener("click", () => mapView.lookAtAll(map, data, beside()));
      byId("show-as").addEventListener("change", (event) => showAs(event.target.value));
      byId("clear").addEventListener("click", clear);
      byId("covered").addEventListener("toggle", showCurve, { once: true });
      byId("save-list").addEventListener("click", () => listFile.save(model, view));
      byId("copy").addEventListener("click", copyAddress);
      byId("print").addEventListener("click", () => window.print());
      byId("save-picture").addEventListener("click", savePicture);
      byId("screen").addEventListener("click", () => {
        screens.choose(screens.now() === "dark" ? "light" : "dark");
        rescreen();
        share.remember();
      });
      byId("copy").hidden = !sharing.isOurs();
    };

    return Object.freeze({ units, refresh, refilter, chooseArea, showLegend, showChoices, recall, beside, listen });
  };

  return Object.freeze({ make });
})();
