// The public page's data as the shared scripts take it: areas of many units, no unit anywhere.
const publicModel = (() => {
  const stepOf = ({ cells }, kind, row) => decode.numbers(cells[kind])(row);

  // Words of a shade, and the hand that paints its sample; the same shades stand beside the map.
  const signs = (model, data) => (colors) => [
    { words: data.kinds.get(model.kind), paint: null, beside: true },
    ...data.stepWords.map((words, i) => ({ words, paint: legend.swatch(colors.steps[i]), beside: true })),
    { words: "not known", paint: legend.swatch(colors.unknown), beside: true },
  ];

  const build = async (data, arrived) => {
    const cells = await blocks.read("cells");
    const model = {
      data,
      cells,
      shape: decode.shapes(cells),
      kind: "first",
      layers: unitModel.layersOf(data, arrived),
      pictures: data.pictures,
      extras: [],
      storm: stormLayer.entryOf(data.storms),
      paints: () => ({}),
      isAreas: () => true,
    };
    model.signs = signs(model, data);
    model.paper = {
      audience: "public",
      title: data.asOf ? `Public edition, areas as of ${data.asOf}` : "Public edition, areas",
      from: "areas of many units and public layers",
      shown: () => `${data.kinds.get(model.kind)}. ${wording.count(model.shape.count, "area")}, numbered as in this map's table. ${data.notes[0]}`,
      caution: data.caution,
      box: () => null,
    };
    return model;
  };

  return Object.freeze({ build, stepOf });
})();
