// A list as comma-separated text by the rules of the program's own tables: text that a spreadsheet
// would take for a formula gets an apostrophe, line breaks are line feeds.
const commaTable = (() => {
  const plain = (value) => {
    if (value === null || value === undefined) return "";
    if (typeof value === "number") return String(value);
    const text = String(value);
    return (/^[=+\-@\t\r]/.test(text) ? `'${text}` : text).replace(/\r\n?/g, "\n");
  };

  const cell = (value) => {
    const text = plain(value);
    return /[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  };

  const text = (rows) => rows.map((row) => `${row.map(cell).join(",")}\n`).join("");

  return Object.freeze({ text });
})();
