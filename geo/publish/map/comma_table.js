// A list as comma-separated text by the rules of the program's own tables: text that a spreadsheet
// would take for a formula (a sign, also behind what shows nothing, or a wide or small one) gets an
// apostrophe, line breaks are line feeds.
const commaTable = (() => {
  const plain = (value) => {
    const text = String(value ?? "");
    return (typeof value !== "number"
      && /^[\t\r]|^[\p{Z}\p{C}]*[=+\-@−＝﹦＋﹢﬩－﹣＠﹫⩵⩶⁺-⁼₊-₌]/u.test(text) ? `'${text}` : text)
      .replace(/\r\n?/g, "\n");
  };

  const cell = (value) => {
    const text = plain(value);
    return /[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  };

  const text = (rows) => rows.map((row) => `${row.map(cell).join(",")}\n`).join("");

  return Object.freeze({ text });
})();
