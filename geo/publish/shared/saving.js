// Files a reader takes from the page: what they are called, and how they are handed over.
const saving = (() => {
  const offer = (blob, name) => {
    const link = dom.el("a", { href: URL.createObjectURL(blob), download: name });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
  };

  const nameOf = ({ data: { county, asOf }, paper }, what, ending) =>
    `${[county.name, what, asOf, paper.audience].filter((t) => t).join(" ").toLowerCase().replace(/[^a-z0-9]+/g, "_").replace(/^_|_$/g, "")}.${ending}`;

  return Object.freeze({ offer, nameOf });
})();
