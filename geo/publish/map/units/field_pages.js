// Pages for the field about one unit: where other commands write them beside the map. A page cannot
// ask whether a file is there, so the command that writes it stands below the link.
const fieldPages = (() => {
  const { el } = dom;

  // By the rule of the commands (geo/publish/file_names.py): what no file name can hold becomes "_", and 80 signs are the most.
  const nameOf = (data, id) => new Map(data.fileNames).get(id)
    || id.replace(/[^A-Za-z0-9._-]+/g, "_").replace(/^[._]+|[._]+$/g, "").slice(0, 80).replace(/[._]+$/, "");

  // An id as one word of a command line, where it needs no quotes of any shell.
  const asWord = (id) => (/^[A-Za-z0-9._-]+$/.test(id) ? id : "UNIT");

  const link = (href, words, command) =>
    el("p", {}, el("a", { href, target: "_blank", rel: "noopener" }, words),
      el("span", { class: "small" }, "If missing, run in this folder: ", el("code", {}, command)));

  const show = (data, id) => {
    const safety = el("p", { class: "small" }, data.words.safety);
    if (!sharing.isOurs()) return el("section", {}, safety); // in a notebook nothing is beside the map
    return el("section", { class: "pages" }, el("h3", {}, "Before you go"),
      link(`visits/visit_${nameOf(data, id)}_staff.html`, `Visit sheet for ${id}`, `rillmark visit . ${asWord(id)}`),
      link(`down_${nameOf(data, id)}_staff.html`, `Downstream contacts for ${id}`, `rillmark trace down . ${asWord(id)} --beside`), safety);
  };

  return Object.freeze({ show, nameOf });
})();
