// Photos made small, and bare of all that is no picture.
"use strict";
const photos = (function () {
  const MOST_BYTES = 300000;
  const [SCAN, END, REMARK] = [0xda, 0xd9, 0xfe]; // markers of JPEG (ITU-T T.81, table B.1)
  const isTold = (marker) => marker === REMARK || (marker > 0xe0 && marker <= 0xef); // all but JFIF's
  const isInScan = (marker) => marker === 0 || (marker >= 0xd0 && marker <= 0xd7);

  // The JPEG without remarks, without what programs add (EXIF, places, profiles) and without what
  // follows its end; null where it is none
  function bare(bytes) {
    const kept = [bytes.subarray(0, 2)];
    for (let at = 2, next = 2; bytes[0] === 0xff && bytes[1] === 0xd8 && bytes[at] === 0xff; at = next) {
      const marker = bytes[at + 1];
      if (marker === END) return joined([...kept, bytes.subarray(at, at + 2)]);
      next = at + 2 + bytes[at + 2] * 256 + bytes[at + 3];
      while (marker === SCAN && next < bytes.length && (bytes[next] !== 0xff || isInScan(bytes[next + 1]))) next += 1;
      if (!isTold(marker)) kept.push(bytes.subarray(at, next));
    }
    return null;
  }

  function joined(parts) {
    const all = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0));
    parts.reduce((at, part) => (all.set(part, at), at + part.length), 0);
    return all;
  }

  // As base64: a picture drawn anew is small and carries none of the camera's notes
  function small(file) {
    return new Promise(function (resolve, reject) {
      const image = new Image(), address = URL.createObjectURL(file);
      image.onerror = function () {
        URL.revokeObjectURL(address);
        reject(new Error("This file is not a picture."));
      };
      image.onload = function () {
        const scale = Math.min(1, 1024 / Math.max(image.naturalWidth, image.naturalHeight));
        const canvas = document.createElement("canvas");
        canvas.width = Math.max(1, Math.round(image.naturalWidth * scale));
        canvas.height = Math.max(1, Math.round(image.naturalHeight * scale));
        canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
        URL.revokeObjectURL(address);
        for (const quality of [0.7, 0.5, 0.3]) {
          const jpeg = bare(sealing.bytesOf(canvas.toDataURL("image/jpeg", quality).split(",")[1]));
          if (jpeg && jpeg.length < MOST_BYTES) {
            resolve(sealing.base64Of(jpeg));
            return;
          }
        }
        reject(new Error("This picture cannot be made small enough."));
      };
      image.src = address;
    });
  }

  return { bare, small };
})();
