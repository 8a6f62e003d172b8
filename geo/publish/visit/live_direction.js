// Distance and direction to the place of the sheet, where the phone gives its own. Silent where not.
"use strict";
(function () {
  if (!navigator.geolocation) return;
  const rad = Math.PI / 180;
  const points = ["north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest"];

  function between(lat1, lon1, lat2, lon2) {
    const dLat = (lat2 - lat1) * rad, dLon = (lon2 - lon1) * rad;
    const h = Math.sin(dLat / 2) ** 2 + Math.cos(lat1 * rad) * Math.cos(lat2 * rad) * Math.sin(dLon / 2) ** 2;
    const meters = 2 * 6371008.8 * Math.asin(Math.min(1, Math.sqrt(h)));
    const y = Math.sin(dLon) * Math.cos(lat2 * rad);
    const x = Math.cos(lat1 * rad) * Math.sin(lat2 * rad) - Math.sin(lat1 * rad) * Math.cos(lat2 * rad) * Math.cos(dLon);
    return { meters, degrees: (Math.atan2(y, x) / rad + 360) % 360 };
  }

  for (const sheet of document.querySelectorAll(".sheet")) {
    const button = sheet.querySelector(".find"), live = sheet.querySelector(".live");
    const lat = Number(sheet.dataset.lat), lon = Number(sheet.dataset.lon);
    button.hidden = false;
    button.addEventListener("click", function () {
      navigator.geolocation.watchPosition(function (fix) {
        const way = between(fix.coords.latitude, fix.coords.longitude, lat, lon);
        const feet = way.meters / 0.3048, step = feet < 100 ? 1 : 10; // a phone knows no better
        const off = Math.round(fix.coords.accuracy / 0.3048);
        live.hidden = false;
        button.hidden = true;
        live.textContent = `${Math.round(feet / step) * step} ft (${Math.round(way.meters)} m) `
          + `${points[Math.round(way.degrees / 45) % 8]}, ${Math.round(way.degrees)}° true. Phone position: give or take ${off} ft.`;
      }, function () { button.hidden = true; }, { enableHighAccuracy: true, maximumAge: 2000 });
    });
  }
})();
