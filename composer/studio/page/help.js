/* The overlay that says what the keys do, made from the table of commands. */

import { fill, find, make } from "./dom.js";

const SIGNS = {
  " ": "space",
  ArrowLeft: "←",
  ArrowRight: "→",
  ArrowUp: "↑",
  ArrowDown: "↓",
  Delete: "Del",
  Escape: "Esc",
};

export function fillHelp(commands) {
  const groups = [];
  for (const command of commands) {
    if (command.group) groups.push({ name: command.group, rows: [] });
    else groups.at(-1).rows.push(command);
  }
  fill(
    find("help"),
    make(
      "header",
      {},
      make("h2", { id: "help-title" }, "Keys"),
      make("form", { method: "dialog" }, make("button", { autofocus: true }, "close")),
    ),
    make(
      "div",
      { class: "groups" },
      groups.map(({ name, rows }) =>
        make(
          "section",
          {},
          make("h3", {}, name),
          make(
            "dl",
            {},
            rows.flatMap(({ keys, what }) => [
              make(
                "dt",
                {},
                keys.slice(0, 1).map((key) => make("kbd", {}, written(key))),
              ),
              make("dd", {}, what),
            ]),
          ),
        ),
      ),
      make(
        "section",
        {},
        make("h3", {}, "By mouse"),
        make(
          "dl",
          {},
          [
            ["drag", "move a clip, in time or to another stave"],
            ["its ends", "stretch it"],
            ["Alt", "while dragging: a copy"],
            ["Shift", "while dragging: off the grid; with a click: choose several"],
            ["empty stave", "drag: the range for a new clip or a loop"],
          ].flatMap(([keys, what]) => [make("dt", {}, make("kbd", {}, keys)), make("dd", {}, what)]),
        ),
      ),
    ),
  );
}

function written(key) {
  return key
    .split("+")
    .map((part) => SIGNS[part] ?? (part.length === 1 ? part.toUpperCase() : part))
    .join(" ");
}
