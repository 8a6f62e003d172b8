// The only way text gets into the page: as text.
const dom = (() => {
  const SVG = "http://www.w3.org/2000/svg";

  const add = (node, children) => {
    for (const child of children.flat(Infinity)) {
      if (child === null || child === undefined || child === false) continue;
      node.append(child instanceof Node ? child : document.createTextNode(String(child)));
    }
    return node;
  };

  const assign = (node, attributes) => {
    for (const [name, value] of Object.entries(attributes)) {
      if (value !== null && value !== false) node.setAttribute(name, value === true ? "" : value);
    }
    return node;
  };

  const el = (tag, attributes = {}, ...children) =>
    add(assign(document.createElement(tag), attributes), children);

  const svg = (tag, attributes = {}, ...children) =>
    add(assign(document.createElementNS(SVG, tag), attributes), children);

  // A box to tick, or one of several; ``onTick`` is told whether it is ticked now.
  const tick = (attributes, onTick) => {
    const node = el("input", { type: "checkbox", ...attributes });
    node.addEventListener("change", () => onTick(node.checked));
    return node;
  };

  const button = (attributes, onClick, ...children) => {
    const node = el("button", { type: "button", ...attributes }, children);
    node.addEventListener("click", () => onClick(node));
    return node;
  };

  const fill = (node, ...children) => {
    node.replaceChildren();
    return add(node, children);
  };

  const byId = (id) => document.getElementById(id);

  return Object.freeze({ el, svg, tick, button, fill, byId });
})();
