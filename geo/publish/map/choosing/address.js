// What is shown, as the part of the address after "#", and back. Only what differs from the page as
// it opens is written. Knows nothing of the page.
const address = (() => {
  const fixed = (number, decimals) => String(Number(number.toFixed(decimals)));
  const pairs = (points) => points.map(([lat, lng]) => `${fixed(lat, 5)},${fixed(lng, 5)}`).join(";");
  const list = (values) => (values && values.length ? values.join("~") : null);

  const NAMES = ["unit", "hidden", "with", "within", "area", "moved", "show", "storm", "on", "off", "screen", "at"];

  const write = (state) => {
    const told = {
      ...state,
      hidden: list(state.hidden),
      with: list(state.with),
      on: list(state.on),
      off: list(state.off),
      within: state.within ? pairs(state.within) : null,
      at: state.at ? `${pairs([state.at])},${fixed(state.at[2], 2)}` : null,
    };
    const text = NAMES.filter((name) => told[name] !== null && told[name] !== undefined)
      .map((name) => `${name}=${encodeURIComponent(told[name]).replace(/%2C/g, ",").replace(/%3B/g, ";")}`).join("&");
    return text ? `#${text}` : "";
  };

  const numbers = (text, least) => {
    const found = text === null ? [] : text.split(",").map(Number);
    return found.length >= least && found.every(Number.isFinite) && text.trim() ? found : null;
  };

  // A text that says nothing of ours gives an empty state.
  const read = (hash) => {
    const asked = new URLSearchParams(hash.replace(/^#/, "").replace(/\+/g, "%2B"));
    const words = (name) => (asked.get(name) ? asked.get(name).split("~") : []);
    const ring = (asked.get("within") || "").split(";").map((pair) => numbers(pair, 2)).filter((pair) => pair);
    return {
      ...Object.fromEntries(["unit", "area", "moved", "show", "storm", "screen"].map((name) => [name, asked.get(name)])),
      hidden: words("hidden"),
      with: words("with"),
      on: words("on"),
      off: words("off"),
      within: ring.length >= 3 ? ring.map(([lat, lng]) => [lat, lng]) : null,
      at: numbers(asked.get("at"), 3),
    };
  };

  return Object.freeze({ write, read });
})();
