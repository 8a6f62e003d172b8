// The ponds of one storm, taken out of the one picture that holds them all.
const ponding = (() => {
  const decoded = async (storms) => {
    const picture = new Image();
    picture.src = blocks.picture(`picture-${storms.name}`, storms.kind);
    await picture.decode();
    return picture;
  };

  const channels = (color) => [1, 3, 5].map((i) => parseInt(color.slice(i, i + 2), 16));

  // The address of a picture of what the ``k``-th storm puts under water, in a color "#rrggbb".
  const address = async (storms, k, color) => {
    const picture = await decoded(storms);
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [picture.naturalWidth, picture.naturalHeight];
    const context = canvas.getContext("2d", { willReadFrequently: true });
    context.drawImage(picture, 0, 0);
    const image = context.getImageData(0, 0, canvas.width, canvas.height);
    const pixels = new Uint32Array(image.data.buffer);
    const [red, green, blue] = channels(color);
    const ink = ((255 << 24) | (blue << 16) | (green << 8) | red) >>> 0; // bytes stand lowest first
    for (let i = 0; i < pixels.length; i += 1) {
      const first = pixels[i] & 255;
      pixels[i] = first && first <= k ? ink : 0;
    }
    context.putImageData(image, 0, 0);
    const blob = await new Promise((done) => canvas.toBlob(done));
    return URL.createObjectURL(blob);
  };

  return Object.freeze({ address });
})();
