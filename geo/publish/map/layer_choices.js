// The legend and its switches: a layer, the storm or a picture goes on and off on the map.
const layerChoices = (() => {
  const { byId } = dom;

  // ``remember`` is called when anything was switched, ``rested`` when the legend was made again.
  const make = (model, map, view, { remember, rested = () => {} }) => {
    const { storms } = model.data;
    const storm = storms ? stormLayer.make(map, storms, () => [view.colors().pond, view.colors().paperPond]) : null;

    const zoomed = () => {
      model.zoom = map.getZoom();
      legend.rested(byId("legend-rows"), model);
    };
    const showLegend = () => {
      view.liftPonds();
      legend.show(byId("legend-rows"), model, view.colors(), toggle, closer);
      zoomed();
      rested();
    };
    const closer = (entry) => {
      map.setZoom(entry.fromZoom, { animate: false });
      byId(`show-${entry.name}`).focus();
    };
    const showLayer = (entry) => {
      if (entry === model.storm) storm.show(entry);
      else if (model.pictures.includes(entry)) view.showPicture(entry);
      else if (model.extras.includes(entry)) view.redrawUnits();
      else model.redrawLayers();
    };
    const toggle = (entry, on, focusOn = `show-${entry.name}`) => {
      entry.on = on;
      showLayer(entry);
      showLegend();
      remember();
      const tick = byId(focusOn);
      tick.focus();
      tick.closest(".layer").scrollIntoView({ block: "nearest" });
      let step = tick.closest(".layer").nextElementSibling; // what its colors mean must be seen too
      for (; step && step.classList.contains("step"); step = step.nextElementSibling) step.scrollIntoView({ block: "nearest" });
    };
    const showAll = () => {
      model.pictures.forEach(view.showPicture);
      if (storm) storm.show(model.storm);
      showLegend();
    };

    return Object.freeze({ showLegend, showAll, zoomed, beside: () =>
      (byId("legend").open && map.getSize().x > 900 ? byId("legend").offsetWidth + 10 : 0) });
  };

  return Object.freeze({ make });
})();
