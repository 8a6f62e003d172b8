// Positions from the phone or typed, checked against the parcel; photos made small.
"use strict";
const places = (function () {
  // "39.7, -85.8" or "39.7 N 85.8 W"; null where it is no place
  function parse(text) {
    const parts = text.trim().match(/^([+-]?\d+(?:\.\d+)?)\s*°?\s*([NS])?[\s,;]+([+-]?\d+(?:\.\d+)?)\s*°?\s*([EW])?$/i);
    if (!parts) return null;
    let lat = Number(parts[1]), lon = Number(parts[3]);
    if (/s/i.test(parts[2] || "")) lat = -Math.abs(lat);
    if (/w/i.test(parts[4] || "")) lon = -Math.abs(lon);
    return Math.abs(lat) <= 90 && Math.abs(lon) <= 180 ? { lat, lon } : null;
  }

  // metres from a place to rings of [lon, lat]; 0 inside
  function outside(place, rings) {
    const k = Math.cos((place.lat * Math.PI) / 180), m = 111195;
    let inside = false, least = Infinity;
    for (const ring of rings) {
      for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
        const ax = (ring[j][0] - place.lon) * k * m, ay = (ring[j][1] - place.lat) * m;
        const bx = (ring[i][0] - place.lon) * k * m, by = (ring[i][1] - place.lat) * m;
        if (ay > 0 !== by > 0 && ax + ((0 - ay) / (by - ay)) * (bx - ax) > 0) inside = !inside;
        const dx = bx - ax, dy = by - ay, length = dx * dx + dy * dy;
        const t = length ? Math.max(0, Math.min(1, -(ax * dx + ay * dy) / length)) : 0;
        least = Math.min(least, Math.hypot(ax + t * dx, ay + t * dy));
      }
    }
    return inside ? 0 : least;
  }

  function now() {
    return new Promise(function (resolve, reject) {
      if (!navigator.geolocation) {
        reject(new Error("This phone gives no location: type it in, or leave it."));
        return;
      }
      navigator.geolocation.getCurrentPosition(
        (fix) => resolve({ lat: fix.coords.latitude, lon: fix.coords.longitude, accuracy_m: fix.coords.accuracy }),
        () => reject(new Error("The phone refused its location: type it in, or leave it.")),
        { enableHighAccuracy: true, timeout: 30000, maximumAge: 0 });
    });
  }

  // a picture drawn anew is small and carries none of the camera's notes
  function photo(file) {
    return new Promise(function (resolve, reject) {
      const image = new Image(), address = URL.createObjectURL(file);
      image.onerror = function () {
        URL.revokeObjectURL(address);
        reject(new Error("This file is no picture."));
      };
      image.onload = function () {
        const scale = Math.min(1, 1024 / Math.max(image.naturalWidth, image.naturalHeight));
        const canvas = document.createElement("canvas");
        canvas.width = Math.max(1, Math.round(image.naturalWidth * scale));
        canvas.height = Math.max(1, Math.round(image.naturalHeight * scale));
        canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
        URL.revokeObjectURL(address);
        for (const quality of [0.7, 0.5, 0.3]) {
          const jpeg = canvas.toDataURL("image/jpeg", quality).split(",")[1];
          if (jpeg.length < 400000) {
            resolve(jpeg);
            return;
          }
        }
        reject(new Error("The picture cannot be made small enough."));
      };
      image.src = address;
    });
  }

  return { parse, outside, now, photo };
})();
