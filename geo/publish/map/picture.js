// The map as a picture with its title, legend, scale and cautions, in the light colors of paper.
const picture = (() => {
  const [SIDE, PAD, SCALE] = [270, 16, 2];

  const wrapped = (context, text, width) => {
    const lines = [""];
    for (const word of text.split(" ")) {
      const longer = lines.at(-1) ? `${lines.at(-1)} ${word}` : word;
      if (context.measureText(longer).width > width && lines.at(-1)) lines.push(word);
      else lines[lines.length - 1] = longer;
    }
    return lines;
  };

  const write = (context, colors, size, text, x, y, width, leading = 17) => {
    context.font = `${size} ${colors.font}`;
    context.fillStyle = colors.ink;
    context.textAlign = "left";
    context.textBaseline = "alphabetic";
    const lines = wrapped(context, text, width);
    lines.forEach((line, i) => context.fillText(line, x, y + i * leading));
    return y + lines.length * leading;
  };

  // What lies on the map, from the ground up, as the screen has it now.
  const drawMap = (context, map, x, y, size) => {
    const box = map.getContainer().getBoundingClientRect();
    context.save();
    context.beginPath();
    context.rect(x, y, size.x, size.y);
    context.clip();
    const height = (part) => Number(part.closest(".leaflet-pane").style.zIndex);
    const parts = [...map.getContainer().querySelectorAll(".leaflet-pictures-pane img, .leaflet-ponds-pane img, .leaflet-pane canvas")];
    for (const part of parts.sort((a, b) => height(a) - height(b))) {
      const at = part.getBoundingClientRect();
      context.globalAlpha = Number(getComputedStyle(part).opacity);
      context.imageSmoothingEnabled = getComputedStyle(part).imageRendering !== "pixelated";
      context.drawImage(part, x + at.x - box.x, y + at.y - box.y, at.width, at.height);
    }
    context.restore();
    context.imageSmoothingEnabled = true;
  };

  const drawBars = (context, map, x, y, colors) => {
    for (const { meters, said } of furniture.lengths(furniture.groundMeters(map) * 150)) {
      const width = meters / furniture.groundMeters(map);
      context.fillStyle = colors.ink;
      context.fillRect(x, y + 4, width, 2);
      context.fillRect(x, y - 2, 1.5, 8);
      context.fillRect(x + width - 1.5, y - 2, 1.5, 8);
      write(context, colors, "12px", said, x + 5, y, 150);
      y += 24;
    }
    return y;
  };

  const drawNorth = (context, x, y, colors) => {
    context.fillStyle = colors.ink;
    context.beginPath();
    [[0, 12], [7, 38], [0, 32], [-7, 38]].forEach(([dx, dy], i) => context[i ? "lineTo" : "moveTo"](x + dx, y + dy));
    context.closePath();
    context.fill();
    context.font = `700 12px ${colors.font}`;
    context.textAlign = "center";
    context.fillText("N", x, y + 8);
  };

  const drawLegend = (context, model, colors, x, y) => {
    for (const { words, paint } of legend.entries(model, colors)) {
      const indent = paint ? 40 : 0; // a heading has no sample
      context.save();
      context.translate(x, y);
      if (paint) paint(context);
      context.restore();
      y = write(context, colors, "13px", words, x + indent, y + 13, SIDE - indent - PAD, 15) - 5;
    }
    return y;
  };

  const drawn = (model, map, colors) => {
    const size = map.getSize();
    const canvas = document.createElement("canvas");
    const height = Math.max(size.y + 54 + 70, 560);
    canvas.width = (size.x + SIDE + 3 * PAD) * SCALE;
    canvas.height = height * SCALE;
    const context = canvas.getContext("2d");
    context.scale(SCALE, SCALE);
    context.fillStyle = "#ffffff";
    context.fillRect(0, 0, canvas.width, canvas.height);
    const { data } = model;
    const side = size.x + 2 * PAD;
    write(context, colors, "700 20px", data.county.name || model.paper.title, PAD, 30, size.x);
    if (data.county.invented) write(context, colors, "700 12px", document.getElementById("invented").textContent, side, 30, SIDE, 15);
    write(context, colors, "13px", model.paper.title, PAD, 48, size.x);
    context.fillStyle = colors.land;
    context.fillRect(PAD, 56, size.x, size.y);
    drawMap(context, map, PAD, 56, size);
    context.strokeStyle = colors.ink;
    context.strokeRect(PAD, 56, size.x, size.y);
    const below = drawLegend(context, model, colors, side, 58);
    drawNorth(context, side + 200, below + 8, colors);
    drawBars(context, map, side, below + 18, colors);
    let y = 56 + size.y + 18;
    for (const line of furniture.lines(model)) y = write(context, colors, "12px", line, PAD, y, size.x + SIDE, 15);
    return canvas;
  };

  const blob = (canvas) => new Promise((done) => canvas.toBlob(done, "image/png"));

  // While it is made the page has the colors of paper.
  const make = async (model, map, view) => {
    document.documentElement.classList.add("printing-colors");
    view.recolor();
    const canvas = drawn(model, map, view.colors());
    document.documentElement.classList.remove("printing-colors");
    view.recolor();
    return blob(canvas);
  };

  return Object.freeze({ make });
})();
