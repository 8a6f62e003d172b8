// What forms are made of: every field writes into its holder and tells of it.
"use strict";
const recordFields = (function () {
  let serial = 0;

  const newName = () => `f${++serial}`;

  function el(tag, props, ...children) {
    const node = document.createElement(tag);
    for (const [name, value] of Object.entries(props || {})) {
      if (name === "on") for (const [event, handler] of Object.entries(value)) node.addEventListener(event, handler);
      else if (name in node) node[name] = value;
      else node.setAttribute(name, value);
    }
    node.append(...children.filter((child) => child !== null && child !== undefined));
    return node;
  }

  function field(label, holder, key, changed, props) {
    const id = newName();
    const tag = props && props.rows ? "textarea" : "input";
    const input = el(tag, { id, value: holder[key] ?? "", autocomplete: "off", ...props });
    input.addEventListener("input", function () {
      holder[key] = input.value;
      changed();
    });
    return el("div", {}, el("label", { htmlFor: id, textContent: label }), input);
  }

  // A time of day as the clock on the wall has it, kept in UTC
  function moment(label, holder, key, changed) {
    const local = new Date(holder[key]);
    const shown = { at: new Date(local.getTime() - local.getTimezoneOffset() * 60000).toISOString().slice(0, 16) };
    return field(label, shown, "at", function () {
      const typed = new Date(shown.at);
      if (!Number.isNaN(typed.getTime())) holder[key] = typed.toISOString();
      changed();
    }, { type: "datetime-local" });
  }

  function choose(legend, holder, key, options, changed, after) {
    const name = newName();
    const box = el("fieldset", {}, el("legend", { textContent: legend }));
    const row = el("div", { className: "choices" });
    for (const [value, words] of options) {
      const input = el("input", { type: "radio", autocomplete: "off", name, value, checked: holder[key] === value });
      input.addEventListener("change", function () {
        holder[key] = value;
        changed();
        if (after) after(value);
      });
      row.append(el("label", {}, input, words));
    }
    box.append(row);
    return box;
  }

  // A list of small groups of fields, with a button for another one
  function several(title, one, rows, blank, fields, changed) {
    const box = el("div", {}, el("h2", { textContent: title })), list = el("div", {});
    function add(row) {
      const group = el("fieldset", {}, ...fields(row));
      group.append(el("button", {
        type: "button", textContent: "Delete",
        on: { click () { rows.splice(rows.indexOf(row), 1); group.remove(); changed(); } },
      }));
      list.append(group);
    }
    rows.forEach(add);
    box.append(list, el("button", {
      type: "button", textContent: `Add ${one}`,
      on: { click () { const row = blank(); rows.push(row); add(row); changed(); } },
    }));
    return box;
  }

  return { el, field, moment, choose, several, newName };
})();
