// Elements without a framework: text is only ever set as text, never parsed as HTML.

/** Make an element. `props` holds attributes, `on…` listeners, and properties in `PROPERTIES`. */
const PROPERTIES = new Set(["value", "checked", "disabled", "hidden", "selected", "textContent"]);

export function el(tag, props = {}, ...children) {
  const [name, ...classes] = tag.split(".");
  const made = document.createElement(name || "div");
  if (classes.length) made.className = classes.join(" ");
  for (const [key, value] of Object.entries(props)) {
    if (value === undefined || value === null) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (PROPERTIES.has(key)) made[key] = value;
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false) made.setAttribute(key, String(value));
  }
  made.append(...those(children));
  return made;
}

/** Children that are there: lists are opened, null and false left out. */
function those(children) {
  return children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false);
}

/** Give an element other children. */
export function fill(node, ...children) {
  node.replaceChildren(...those(children));
}

export function svg(tag, props = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [key, value] of Object.entries(props)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value !== undefined && value !== null) made.setAttribute(key, String(value));
  }
  made.append(...those(children));
  return made;
}

export function button(text, onclick, props = {}) {
  return el("button", { type: "button", onclick, ...props }, text);
}

let count = 0;

/** A label and what it is for, in one row. */
export function field(label, input, hint = "") {
  const id = input.id || `f${(count += 1)}`;
  input.id = id;
  const row = el("div.field", {}, el("label", { for: id }, label), input);
  if (hint) {
    const told = el("p.hint", { id: `${id}-hint` }, hint);
    input.setAttribute("aria-describedby", told.id);
    row.append(told);
  }
  return row;
}

export function select(options, value, onchange, props = {}) {
  const made = el("select", { onchange: (event) => onchange(event.target.value), ...props });
  for (const [key, text] of options) {
    made.append(el("option", { value: key, selected: String(key) === String(value) }, text));
  }
  return made;
}

/** Call at most once in `ms`, with the last arguments. */
export function debounced(work, ms) {
  let timer = 0;
  const later = (...given) => {
    clearTimeout(timer);
    timer = setTimeout(() => { timer = 0; work(...given); }, ms);
  };
  later.flush = (...given) => {
    if (timer) { clearTimeout(timer); timer = 0; work(...given); }
  };
  later.waits = () => timer !== 0;
  return later;
}

export function exposure(seconds) {
  if (seconds === null || !(seconds > 0)) return "exposure not known";
  if (seconds >= 0.3) return `${Number(seconds.toPrecision(2))} s`;
  return `1/${Math.round(1 / seconds)} s`;
}

export function clockTime(iso) {
  return iso ? iso.slice(11, 21) : "time not known";
}

export const typing = (event) =>
  event.target.closest("input:not([type=range]):not([type=checkbox]), select, textarea") !== null;
