/* Making elements, without a library. */

/**
 * An element: make("button", {class: "quiet", onclick: f}, "text", child). Attributes that are null are left out, and
 * so are those that are false, but for aria-...; functions and `value`, `checked`, `disabled` are set as properties; `data` and `style` are objects.
 */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined) continue;
    if (name.startsWith("aria-")) element.setAttribute(name, value);
    else if (value === false) continue;
    else if (name === "data") Object.assign(element.dataset, value);
    else if (name === "style") Object.assign(element.style, value);
    else if (typeof value === "function" || ["value", "checked", "disabled"].includes(name)) element[name] = value;
    else if (name === "selected") element.selected = true;
    else element.setAttribute(name, value === true ? "" : value);
  }
  if (tag === "input") element.defaultValue = element.value; // what it held before someone types
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** Replace what is in an element; children that are null or false are left out. */
export function fill(element, ...children) {
  element.replaceChildren(
    ...children.flat().filter((child) => child !== null && child !== undefined && child !== false),
  );
}

export const find = (id) => document.getElementById(id);

const ICONS = {
  play: "M6 4l14 8-14 8z",
  pause: "M6 4h4v16H6zM14 4h4v16h-4z",
  start: "M5 4h2.500v16H5zM20 4v16L8 12z",
  loop: "M7 7h9V4l5 4.500-5 4.500v-3H8v3H5V9a2 2 0 012-2zM17 17H8v3l-5-4.500L8 11v3h8v-3h3v4a2 2 0 01-2 2z",
  click: "M9 3h6l4 18H5zm2 2-2.600 12h7.200L14.200 11 11 17.500 9.700 16.800 13.400 9.200 12.900 5z",
  undo: "M9 5v4h5a5 5 0 010 11H7v-2.500h7a2.500 2.500 0 000-5H9v4L3 10.700z",
  redo: "M15 5v4h-5a5 5 0 000 11h7v-2.500h-7a2.500 2.500 0 010-5h5v4l6-5.800z",
  theme: "M12 3a9 9 0 109 9 7 7 0 01-9-9z",
};

/** A small picture of a tool, drawn in the colour of the text. */
export function icon(name) {
  const space = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(space, "svg");
  svg.setAttribute("viewBox", "0 0 24 24");
  svg.setAttribute("aria-hidden", "true");
  svg.setAttribute("class", "icon");
  const path = document.createElementNS(space, "path");
  path.setAttribute("d", ICONS[name]);
  svg.append(path);
  return svg;
}

/** A line for people, above the page for some seconds; `actions`: {label: function} become buttons, and it then stays. */
export function notice(text, { kind = "", actions = {} } = {}) {
  const box = make("div", { class: `notice ${kind}` }, make("p", {}, text));
  const close = () => {
    if (box.contains(document.activeElement)) find("score").focus({ preventScroll: true });
    box.remove();
  };
  for (const [label, run] of Object.entries(actions)) {
    box.append(make("button", { onclick: () => (close(), run()) }, label));
  }
  box.append(make("button", { class: "quiet", "aria-label": "close this message", onclick: close }, "×"));
  box.close = close;
  for (const other of find("notices").children) if (other.textContent === box.textContent) other.close(); // said once
  find("notices").append(box);
  while (find("notices").children.length > 4) find("notices").firstElementChild.close();
  if (!Object.keys(actions).length) setTimeout(close, kind === "bad" ? 12_000 : 5_000);
  return close;
}

/** A line for screen readers alone. */
export function say(text) {
  find("said").textContent = text;
}
