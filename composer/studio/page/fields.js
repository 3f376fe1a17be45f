/* Fields for the values of a score: made from the table of effects, written back as a person would write them. */

import { make } from "./dom.js";
import { store } from "./store.js";

const PLAIN_HEX = /^#[0-9a-f]{6}$/i;

/**
 * A row for one parameter. param: a row of the effects table. value: as written, or undefined if it is left out.
 * write(value): null takes the key out. prefix: of the control's id.
 */
export function parameter(param, value, write, prefix = "p") {
  const id = `${prefix}-${param.key}`;
  const written = value !== undefined;
  const control = controlOf(param, value, write, id);
  return make(
    "div",
    { class: `field ${written ? "written" : ""}`, title: param.help },
    make("label", { for: id }, param.key),
    control,
    written && !param.required
      ? make(
          "button",
          {
            class: "quiet clear",
            "aria-label": `leave ${param.key} out`,
            title: `leave it out: ${text(param.default) || "nothing"}`,
            onclick: () => write(null),
          },
          "×",
        )
      : make("span"),
    make("small", {}, param.help),
  );
}

function controlOf(param, value, write, id) {
  switch (param.kind) {
    case "choice":
      return choice(param.choices, value, write, { id, left: param.default });
    case "flag":
      return make("input", {
        type: "checkbox",
        id,
        checked: value ?? param.default ?? false,
        onchange: (event) => write(event.target.checked),
      });
    case "colours":
      return colours(param, value, write, id);
    case "zone":
      return choice(
        param.required ? store.show.zones : ["", ...store.show.zones],
        value,
        (zone) => write(zone || null),
        { id, left: "" },
      );
    case "event":
      return line(param, value, write, id, store.effects.events);
    default:
      return line(param, value, write, id);
  }
}

export function choice(choices, value, write, { id, left, label } = {}) {
  const known = value === undefined || choices.includes(value) ? choices : [value, ...choices];
  return make(
    "select",
    { id, "aria-label": label, onchange: (event) => write(event.target.value) },
    known.map((one) => make("option", { value: one, selected: one === (value ?? left) }, one)),
  );
}

/** A value typed: numbers as numbers, lists as lists, all else as text. */
function line(param, value, write, id, choices = null) {
  const number = ["number", "whole"].includes(param.kind);
  const input = make("input", {
    id,
    type: "text",
    inputmode: number ? "decimal" : null,
    autocomplete: "off",
    spellcheck: "false",
    value: text(value),
    placeholder: text(param.default),
    onchange: (event) => {
      const typed = event.target.value.trim();
      if (typed === text(value)) return;
      write(typed === "" ? null : read(typed, number));
    },
  });
  if (choices) {
    input.setAttribute("list", `${id}-choices`);
    return make(
      "span",
      {},
      input,
      make(
        "datalist",
        { id: `${id}-choices` },
        choices.map((one) => make("option", { value: one })),
      ),
    );
  }
  input.addEventListener("keydown", (event) => {
    if (!number || !["ArrowUp", "ArrowDown"].includes(event.key)) return;
    event.preventDefault();
    const step = param.kind === "whole" ? 1 : 0.05;
    const now = Number(input.value || param.default || 0);
    if (Number.isNaN(now)) return;
    const next = now + (event.key === "ArrowUp" ? step : -step);
    input.value = String(Number(Math.min(param.high ?? Infinity, Math.max(param.low ?? -Infinity, next)).toFixed(4)));
  });
  return input;
}

/** What was typed as a value: 0.5, true, [[...]] and {...} by themselves, the rest as text. */
export function read(typed, number = false) {
  if (number || /^[[{]/.test(typed)) {
    try {
      return JSON.parse(typed);
    } catch {
      return typed; // the server says what is wrong with it
    }
  }
  return typed;
}

/** A value as one types it. */
export function text(value) {
  if (value === undefined || value === null) return "";
  return typeof value === "string" ? value : JSON.stringify(value);
}

// ---- colours ------------------------------------------------------------------------------------------------------

function colours(param, value, write, id) {
  const list = value === undefined ? [] : Array.isArray(value) ? [...value] : [value];
  const shown = list.length ? list : [param.default].flat();
  const put = (next) => write(next.length === 0 ? null : next.length === 1 ? next[0] : next);
  const set = (at, colour) => put(shown.map((one, number) => (number === at ? colour : one)));
  const names = Object.keys(store.show?.colours ?? {});
  return make(
    "div",
    { class: `colours ${list.length ? "" : "left-out"}`, id, role: "group", "aria-label": param.key },
    shown.map((colour, at) =>
      make(
        "span",
        { class: "colour" },
        make("input", {
          type: "color",
          "aria-label": `colour ${at + 1}, chosen by eye`,
          value: hex(colour),
          onchange: (event) => set(at, event.target.value),
        }),
        make("input", {
          type: "text",
          class: "colour-name",
          list: "colour-names",
          "aria-label": `colour ${at + 1}`,
          value: colour,
          spellcheck: "false",
          onchange: (event) => set(at, event.target.value.trim()),
        }),
        shown.length > 1
          ? make(
              "button",
              {
                class: "quiet",
                "aria-label": `without colour ${at + 1}`,
                onclick: () => put(shown.filter((_, number) => number !== at)),
              },
              "×",
            )
          : null,
      ),
    ),
    make(
      "button",
      { class: "quiet", "aria-label": "one more colour", onclick: () => put([...shown, shown.at(-1)]) },
      "+",
    ),
    make(
      "datalist",
      { id: "colour-names" },
      names.map((name) => make("option", { value: name })),
    ),
  );
}

/** What stands for a colour in a browser's own field, which knows six digits alone. Names of the score come resolved. */
function hex(colour) {
  const named = store.show?.colours?.[colour];
  const first = named ? named.screen[0] : colour;
  if (PLAIN_HEX.test(first)) return first;
  const context = document.createElement("canvas").getContext("2d");
  context.fillStyle = first; // the browser knows CSS names; what it does not know leaves black
  return context.fillStyle;
}

/** A small patch of each colour that a name stands for. */
export function swatches(list) {
  return make(
    "span",
    { class: "swatches" },
    list.map((colour) => make("i", { style: { background: colour } })),
  );
}
