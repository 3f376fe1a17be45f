/* Everything the page can do by key, as one table: what presses it, what it is called, what it does.
 *
 * The help overlay, the tool bar and the tests read the same table. `keys` are KeyboardEvent.key with "Ctrl+", "Alt+"
 * and "Shift+" before it, in that order.
 */

import { chosenWheres, put, store } from "./store.js";
import { edit, fix, redo, undo } from "./edits.js";
import { find, say } from "./dom.js";
import { copyBlocks, nameOf, once } from "./gestures.js";
import { titleOf } from "./layout.js";
import { isDark, setTheme } from "./ink.js";
import { beatsText, fraction } from "./time.js";

export const SNAPS = [4, 2, 1, 1 / 2, 1 / 3, 1 / 4, 1 / 6, 1 / 12, 0];

/** The table. `page`: {view, player, panel}. */
export function commandsOf(page) {
  const { view, player } = page;
  const here = () => player.beat();
  const go = (beat) => player.goTo(Math.min(store.time.to, Math.max(store.time.from, beat)));
  const chosen = () => {
    const keys = new Set(store.chosen);
    const placings = store.show.placings
      .filter((placing) => keys.has(`${placing.where}|`))
      .map((placing) => ({ ...placing, placed: true }));
    const levels = store.show.master
      .filter((point) => keys.has(`${point.where}|`))
      .map((point) => ({ ...point, placed: true, from: point.beat, to: point.beat + 1 }));
    return once([...view.instances.filter((one) => keys.has(one.key)), ...placings, ...levels]);
  };
  const step = () => store.snap || 1;
  const change = (what, op) => {
    const blocks = chosen();
    if (!blocks.length) return say("choose a clip first");
    return edit(
      `${what} ${blocks.map(nameOf).join(", ")}`,
      blocks.map((one) => ({ where: one.where, ...op })),
    );
  };
  const bars = (by) => {
    const { bars: all } = store.show;
    const at = all.indexOf(store.time.bar(here()));
    const atLine = Math.abs(all[at].from - here()) < 0.05;
    const to = by < 0 && !atLine ? at : at + by;
    go(all[Math.min(all.length - 1, Math.max(0, to))].from);
  };

  return [
    { group: "Play" },
    { name: "play", keys: [" "], what: "play, pause", run: () => player.toggle() },
    { name: "start", keys: ["Home"], what: "to the start", run: () => go(store.time.from) },
    { name: "end", keys: ["End"], what: "to the last bar", run: () => go(store.show.bars.at(-1).from) },
    { name: "bar-back", keys: [","], what: "a bar back", run: () => bars(-1) },
    { name: "bar-on", keys: ["."], what: "a bar on", run: () => bars(1) },
    {
      name: "to-clip",
      keys: ["g"],
      what: "to the clip that is chosen",
      run: () => chosen()[0] && go(chosen()[0].from),
    },
    { name: "loop", keys: ["l"], what: "loop what is chosen, or this bar; and end it", run: () => player.toggleLoop() },
    { name: "slower", keys: ["-"], what: "slower", run: () => player.speed(-1) },
    { name: "faster", keys: ["=", "+"], what: "faster", run: () => player.speed(1) },
    { name: "clicks", keys: ["c"], what: "clicks on the beats", run: () => player.toggleClicks() },

    { group: "Clips" },
    { name: "left", keys: ["ArrowLeft"], what: "the clip before", run: () => walk(view, -1, 0) },
    { name: "right", keys: ["ArrowRight"], what: "the clip after", run: () => walk(view, 1, 0) },
    { name: "up", keys: ["ArrowUp"], what: "the stave above", run: () => walk(view, 0, -1) },
    { name: "down", keys: ["ArrowDown"], what: "the stave below", run: () => walk(view, 0, 1) },
    {
      name: "earlier",
      keys: ["Shift+ArrowLeft"],
      what: "move it earlier",
      run: () => change("move", { op: "move", by: fraction(-step()) }),
    },
    {
      name: "later",
      keys: ["Shift+ArrowRight"],
      what: "move it later",
      run: () => change("move", { op: "move", by: fraction(step()) }),
    },
    {
      name: "shorter",
      keys: ["Alt+ArrowLeft"],
      what: "end it earlier",
      run: () => change("stretch", { op: "stretch", end_by: fraction(-step()) }),
    },
    {
      name: "longer",
      keys: ["Alt+ArrowRight"],
      what: "end it later",
      run: () => change("stretch", { op: "stretch", end_by: fraction(step()) }),
    },
    {
      name: "start-earlier",
      keys: ["Alt+Shift+ArrowLeft"],
      what: "start it earlier",
      run: () => change("stretch", { op: "stretch", start_by: fraction(-step()) }),
    },
    {
      name: "start-later",
      keys: ["Alt+Shift+ArrowRight"],
      what: "start it later",
      run: () => change("stretch", { op: "stretch", start_by: fraction(step()) }),
    },
    {
      name: "copy",
      keys: ["Ctrl+d", "y"],
      what: "once more, right after it",
      run: () => {
        const blocks = chosen();
        if (!blocks.length) return say("choose a clip first");
        return copyBlocks(
          blocks,
          Math.max(...blocks.map((one) => one.to)) - Math.min(...blocks.map((one) => one.from)),
        );
      },
    },
    {
      name: "delete",
      keys: ["Delete", "Backspace"],
      what: "take it out",
      run: async () => {
        if (await change("delete", { op: "delete" })) put({ chosen: [] });
      },
    },
    { name: "add", keys: ["a"], what: "a new clip, in the range or this bar", run: () => page.panel.addClip() },
    {
      name: "phrase",
      keys: ["h"],
      what: "make a phrase of the clips chosen",
      run: () => page.panel.makePhrase(chosenWheres()),
    },
    { name: "edit", keys: ["Enter"], what: "to its parameters", run: () => page.panel.enter() },
    { name: "out", keys: ["Escape"], what: "back to the score; choose nothing", run: () => leave(view) },
    { name: "undo", keys: ["Ctrl+z"], what: "undo", run: undo },
    { name: "redo", keys: ["Ctrl+Shift+Z", "Ctrl+y"], what: "redo", run: redo },
    { name: "snap", keys: ["s"], what: "the next finer grid", run: () => nextSnap() },

    { group: "What was heard" },
    {
      name: "tap",
      keys: ["t"],
      what: "tap a label, in time with the sound",
      run: () => page.panel.tap(player.seconds()),
    },
    {
      name: "barline",
      keys: ["b"],
      what: "a bar line here",
      run: () => fix("set the bar line", { op: "barline", at: player.seconds() }),
    },
    {
      name: "nudge-back",
      keys: ["["],
      what: "all beats 5 ms earlier",
      run: () => fix("nudge the beats", { op: "nudge", ms: -5 }),
    },
    {
      name: "nudge-on",
      keys: ["]"],
      what: "all beats 5 ms later",
      run: () => fix("nudge the beats", { op: "nudge", ms: 5 }),
    },

    { group: "The page" },
    { name: "clip-tab", keys: ["1"], what: "clip", run: () => page.panel.open("clip") },
    { name: "song-tab", keys: ["2"], what: "song", run: () => page.panel.open("song") },
    { name: "audit-tab", keys: ["3"], what: "audit", run: () => page.panel.open("audit") },
    { name: "bake-tab", keys: ["4"], what: "bake", run: () => page.panel.open("bake") },
    { name: "text-tab", keys: ["5"], what: "text", run: () => page.panel.open("text") },
    { name: "next-mark", keys: ["n"], what: "to the next peak or flash", run: () => toMark(go, here(), 1) },
    { name: "last-mark", keys: ["p"], what: "to the one before", run: () => toMark(go, here(), -1) },
    { name: "staves", keys: ["v"], what: "all staves, or those in use", run: () => put({ allZones: !store.allZones }) },
    {
      name: "lines",
      keys: ["w"],
      what: "4 or 8 bars a line",
      run: () => put({ barsPerLine: store.barsPerLine === 4 ? 8 : 4 }),
    },
    {
      name: "theme",
      keys: ["d"],
      what: "paper by day or by night",
      run: () => (setTheme(isDark() ? "light" : "dark"), view.retheme()),
    },
    { name: "help", keys: ["?"], what: "these keys", run: () => find("help").showModal() },
  ];
}

/** How a key press is written in the table. */
export function pressed(event) {
  const parts = [];
  if (event.ctrlKey || event.metaKey) parts.push("Ctrl");
  if (event.altKey) parts.push("Alt");
  // Shift is part of the sign for signs such as "?".
  const letter = /^[a-z]$/i.test(event.key);
  if (event.shiftKey && (event.key.length > 1 || letter)) parts.push("Shift");
  // Caps Lock turns letters round: what counts is whether Shift is down.
  const key = letter ? event.key[event.shiftKey ? "toUpperCase" : "toLowerCase"]() : event.key;
  return [...parts, key].join("+");
}

/** Listen for the table's keys, wherever they are not text that someone types. */
export function listenToKeys(commands) {
  const byKey = new Map(commands.flatMap((command) => (command.keys ?? []).map((key) => [key, command])));
  addEventListener("keydown", (event) => {
    const command = byKey.get(pressed(event));
    if (!command || event.defaultPrevented || find("help").open) return;
    const { target } = event;
    const typing = target.closest?.("input:not([type=checkbox]), textarea, select, [contenteditable]");
    if (typing && event.key !== "Escape") return;
    // The space bar and Enter press the buttons of the panel and of the bar; on the sheet they are ours.
    const onButton = target.closest?.("button, summary, a, input") && !target.closest("#sheet");
    if (onButton && [" ", "Enter"].includes(event.key)) return;
    if (target.closest?.("[role=tablist]") && event.key.startsWith("Arrow")) return;
    event.preventDefault();
    if (store.show || command.name === "help") command.run();
  });
}

// ---- single commands ----------------------------------------------------------------------------------------------

/** Choose the neighbour of what is chosen: along its stave, or on the next one. */
function walk(view, along, across) {
  const { instances } = view;
  if (!instances.length) return;
  const zones = store.show.zones.filter((zone) => instances.some((one) => one.zone === zone));
  const from = instances.find((one) => one.key === store.chosen.at(-1));
  let to;
  if (!from) {
    const beat = store.at;
    to = nearest(instances, beat);
  } else if (along) {
    const row = instances.filter((one) => one.zone === from.zone).sort((a, b) => a.from - b.from || a.to - b.to);
    to = row[row.indexOf(from) + along];
  } else {
    const zone = zones[zones.indexOf(from.zone) + across];
    to = nearest(
      instances.filter((one) => one.zone === zone),
      from.from,
    );
  }
  if (!to) return;
  put({ chosen: [to.key], range: null, tab: "clip" });
  view.reveal(to.from);
  view.focusBlock(to.key);
  say(`${titleOf(to.clip)} on ${to.zone}, ${store.time.address(to.from)}`);
}

function nearest(instances, beat) {
  const away = (one) =>
    one.from <= beat && beat < one.to ? 0 : Math.min(Math.abs(one.from - beat), Math.abs(one.to - beat));
  return instances.reduce((best, one) => (best && away(best) <= away(one) ? best : one), null);
}

function leave(view) {
  if (!document.activeElement?.closest("#sheet") && store.chosen.length) {
    if (view.focusBlock(store.chosen[0])) return;
  }
  put({ chosen: [], range: null });
  find("score").focus({ preventScroll: true });
}

function nextSnap() {
  const at = SNAPS.findIndex((snap) => Math.abs(snap - store.snap) < 1e-9);
  put({ snap: SNAPS[(at + 1) % SNAPS.length] });
  say(store.snap ? `grid of ${beatsText(store.snap)}` : "no grid");
}

function toMark(go, beat, way) {
  const beats = (store.audit?.marks ?? []).map((mark) => mark.from).sort((a, b) => a - b);
  const to = way > 0 ? beats.find((one) => one > beat + 0.01) : beats.filter((one) => one < beat - 0.01).at(-1);
  if (to !== undefined) go(to);
}
