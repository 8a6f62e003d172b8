// Positions from the phone or typed, checked against the parcel.
"use strict";
const places = (function () {
  const ANGLE = String.raw`([+-]?\d+(?:\.\d+)?)\s*°?(?:\s*(\d+(?:\.\d+)?)\s*['′’])?(?:\s*(\d+(?:\.\d+)?)\s*["″”])?`;
  const PLACE = new RegExp(`^${ANGLE}\\s*([NS])?[\\s,;]+${ANGLE}\\s*([EW])?$`, "i");

  // "39.7, -85.8", "39.7 N 85.8 W" or "39° 42.07' N 85° 48.07' W"; null where it is no place
  function parse(text) {
    const parts = text.trim().replace(/[−–]/g, "-").match(PLACE);
    if (!parts) return null;
    const lat = angle(parts.slice(1, 5)), lon = angle(parts.slice(5, 9));
    return Math.abs(lat) <= 90 && Math.abs(lon) <= 180 ? { lat, lon } : null;
  }

  function angle([degrees, minutes, seconds, side]) {
    if (Number(minutes || 0) >= 60 || Number(seconds || 0) >= 60) return NaN;
    const size = Math.abs(Number(degrees)) + Number(minutes || 0) / 60 + Number(seconds || 0) / 3600;
    return /^[sw]$/i.test(side || "") || degrees.startsWith("-") ? -size : size;
  }

  // meters from a place to rings of [lon, lat]; 0 inside
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

  // meters between two places, near enough to doubt one
  function apart(a, b) {
    const k = Math.cos((a.lat * Math.PI) / 180), m = 111195;
    return Math.hypot((a.lon - b.lon) * k * m, (a.lat - b.lat) * m);
  }

  function now() {
    return new Promise(function (resolve, reject) {
      if (!navigator.geolocation) {
        reject(new Error("This phone gives no location. Type it or skip."));
        return;
      }
      navigator.geolocation.getCurrentPosition(
        (fix) => resolve({ lat: fix.coords.latitude, lon: fix.coords.longitude, accuracy_m: fix.coords.accuracy }),
        () => reject(new Error("Location is off. Type it or skip.")),
        { enableHighAccuracy: true, timeout: 30000, maximumAge: 0 });
    });
  }

  return { parse, outside, apart, now };
})();
