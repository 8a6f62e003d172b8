// Numbers as people read them. How they are rounded is decided in Python.
const wording = (() => {
  const grouped = (digits) => String(digits).replace(/\B(?=(\d{3})+$)/g, ",");

  // A whole number of last decimals as text: fixed(-1234567, 1) is "−123,456.7".
  const fixed = (whole, decimals) => {
    const digits = String(Math.abs(whole)).padStart(decimals + 1, "0");
    const cut = digits.length - decimals;
    const tail = decimals ? `.${digits.slice(cut)}` : "";
    return (whole < 0 ? "−" : "") + grouped(digits.slice(0, cut)) + tail;
  };

  const measure = (whole, decimals, unit) => {
    if (whole === null || whole === undefined) return null;
    const one = whole === 1 && decimals === 0 && unit.endsWith("s") ? unit.slice(0, -1) : unit;
    return fixed(whole, decimals).replace(/\.0+$/, "") + (one ? `\u00a0${one}` : "");
  };

  const count = (n, thing) => `${grouped(n)} ${thing}${n === 1 ? "" : "s"}`;

  return Object.freeze({ fixed, grouped, measure, count });
})();
