// What the staff map draws under and over: layers or small areas, units and what was drawn by hand.
const unitView = (() => {
  const hands = (model, map) => ({
    ground: (context, view, colors) => {
      const covered = model.isAreas() ? [] : unitLayer.markBoxes(view, model);
      if (!model.isAreas()) {
        ground.draw(context, view, model.layers, colors, covered);
        return;
      }
      smallAreas.fill(context, view, model.areas, model.show, colors);
      ground.draw(context, view, model.layers, colors, covered, { named: false });
      smallAreas.name(context, view, model.areas, model.show, model.pick.area, colors);
    },
    units: (context, view, colors) => {
      if (model.moved && !model.isAreas()) { // under the marks, whose numbers it would hide
        moves.draw(context, view, model.moved, unitLayer.rows(view, model), model.places, unitLayer.reach(view.zoom), colors);
      }
      if (model.isAreas()) model.leftOut = 0;
      else unitLayer.draw(context, view, model, colors);
      const isDrawing = model.drawing.length > 0;
      areaDrawing.draw(context, view, isDrawing ? model.drawing : model.pick.ring, !isDrawing, colors);
      map.fire("painted");
    },
  });

  return Object.freeze({ hands });
})();
