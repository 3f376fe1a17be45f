/* The mouse and the finger on the sheet: choose, move, stretch, copy; a range on an empty stave; a place to play from. */

import { edit, fix } from "./edits.js";
import { make } from "./dom.js";
import { SIZES, beatAt, systemAt, titleOf, xOf } from "./layout.js";
import { put, store } from "./store.js";
import { beatsText, fraction } from "./time.js";

const GRIP = 7; // pixels at a block's ends that stretch it
const EDGE = 40; // pixels from the window's edge where a drag scrolls
const STILL = 4; // pixels below which a press is a click

export function listenToPointer(view, { goTo }) {
  const sheet = view.sheet;
  let press = null;

  sheet.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || event.target.closest(".mark")) return;
    const target = event.target.closest(".block, .placing, .level, .section-name");
    const spot = spotOf(view, event);
    if (!spot) return;
    const editable = !store.viewOnly && (event.pointerType !== "touch" || target?.classList.contains("chosen"));
    const section = target?.classList.contains("section-name");
    if (target && !section) choose(view, target, event);
    press = {
      event,
      spot,
      editable,
      target,
      kind: section ? "section" : target ? grip(target, event) : "range",
      instances: section ? [sectionAt(Number(target.dataset.from))] : target ? movable(view) : [],
      started: false,
    };
    if (event.pointerType !== "touch") event.preventDefault();
    (target ?? view.scroller).focus({ preventScroll: true }); // also takes the focus out of a field, which writes it
  });

  addEventListener("pointermove", (event) => {
    if (!press || event.pointerId !== press.event.pointerId) return;
    const away = Math.hypot(event.clientX - press.event.clientX, event.clientY - press.event.clientY);
    if (!press.started && away < STILL) return;
    if (!press.editable) return;
    if (!press.started) sheet.setPointerCapture?.(event.pointerId);
    press.started = true;
    scrollAtEdge(view.scroller, event.clientY);
    const spot = spotOf(view, event);
    if (spot) drag(view, press, spot, event);
  });

  const finish = (event) => {
    if (!press || event.pointerId !== press.event.pointerId) return;
    const done = press;
    press = null;
    clearGhosts(view);
    document.body.classList.remove("dragging");
    if (event.type === "pointercancel") return;
    if (done.started) drop(done);
    else if (done.kind === "section") goTo(done.instances[0].from);
    else if (!done.target) {
      put({ chosen: [], range: null });
      goTo(done.spot.beat);
    }
  };
  addEventListener("pointerup", finish);
  addEventListener("pointercancel", finish);
  addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !press) return;
    press = null;
    clearGhosts(view);
    document.body.classList.remove("dragging");
  });

  sheet.addEventListener("click", (event) => {
    // Enter and the space bar on a block, which bring no pointer with them.
    const target = event.target.closest(".block, .placing, .level");
    if (target && event.detail === 0) choose(view, target, event);
  });
}

/** A drag that comes to the window's edge brings up what lies beyond it. */
function scrollAtEdge(scroller, y) {
  const { top, bottom } = scroller.getBoundingClientRect();
  if (y < top + EDGE) scroller.scrollBy(0, y - top - EDGE);
  else if (y > bottom - EDGE) scroller.scrollBy(0, y - bottom + EDGE);
}

/** Where the pointer is: {system, beat, stave or null}. */
function spotOf(view, event) {
  const { systems } = view.layout;
  if (!systems.length) return null;
  const box = view.holder.getBoundingClientRect();
  const y = event.clientY - box.top;
  if (y < 0 || y > view.layout.height) return null;
  const system = systemAt(systems, y);
  const within = y - system.top;
  const stave = system.staves.find((one) => within >= one.top - 3 && within <= one.top + one.height + 3) ?? null;
  return { system, stave, beat: beatAt(system, event.clientX - box.left) };
}

export function choose(view, target, { shiftKey = false } = {}) {
  const { key } = target.dataset;
  if (shiftKey) {
    const had = store.chosen.includes(key);
    put({ chosen: had ? store.chosen.filter((one) => one !== key) : [...store.chosen, key], range: null });
  } else if (!store.chosen.includes(key)) put({ chosen: [key], range: null, tab: "clip" });
}

function grip(target, event) {
  const box = target.getBoundingClientRect();
  if (!target.classList.contains("block") || box.width < 3 * GRIP) return "move";
  if (target.classList.contains("begins") && event.clientX - box.left < GRIP) return "start";
  if (target.classList.contains("ends") && box.right - event.clientX < GRIP) return "end";
  return "move";
}

/** What is chosen as spans that a drag moves: instances and placings of phrases. */
function movable(view) {
  const chosen = new Set(store.chosen);
  const placings = store.show.placings
    .filter((placing) => chosen.has(`${placing.where}|`))
    .map((placing) => ({ ...placing, key: `${placing.where}|`, zone: null, placed: true }));
  const levels = store.show.master
    .filter((point) => chosen.has(`${point.where}|`))
    .map((point) => ({
      ...point,
      key: `${point.where}|`,
      zone: null,
      placed: true,
      from: point.beat,
      to: point.beat + 0.1,
    }));
  return [...view.instances.filter((one) => chosen.has(one.key)), ...placings, ...levels];
}

function sectionAt(beat) {
  const section = store.show.sections.find((one) => one.from === beat);
  return { ...section, key: "section", zone: null, placed: true, to: section.from + 0.1 };
}

// ---- while it is dragged ------------------------------------------------------------------------------------------

function drag(view, press, spot, event) {
  if (press.kind === "range") return dragRange(press, spot);
  document.body.classList.add("dragging");
  const lead = press.instances.find((one) => one.key === press.target.dataset.key) ?? press.instances[0];
  if (!lead) return null;
  const edge = press.kind === "end" ? lead.to : lead.from;
  const step = press.kind === "section" ? store.show.beats_per_bar : event.shiftKey ? 0 : store.snap;
  const by = store.time.snap(edge + spot.beat - press.spot.beat, step) - edge;
  press.by = Math.abs(by) < 1e-9 ? 0 : by;
  press.copies = event.altKey || event.ctrlKey || event.metaKey;
  press.zone =
    press.kind === "move" && spot.stave && !lead.placed && press.instances.length === 1 ? spot.stave.zone : null;
  clearGhosts(view);
  const ghosts = press.instances.map((one) => ({
    from: one.from + (press.kind === "end" ? 0 : press.by),
    to: one.to + (press.kind === "start" ? 0 : press.by),
    zone: press.zone ?? one.zone,
    lead: one === lead,
  }));
  for (const ghost of ghosts) showGhost(view, ghost, press);
  return null;
}

function dragRange(press, spot) {
  const step = store.snap || 1;
  const { time } = store;
  const [low, high] = [press.spot.beat, spot.beat].sort((a, b) => a - b);
  const bar = time.bar(low);
  const from = bar.from + Math.floor((low - bar.from) / step + 1e-6) * step;
  const last = time.bar(high);
  const to = last.from + Math.ceil((high - last.from) / step - 1e-6) * step;
  put({
    chosen: [],
    range: { from, to: Math.max(to, from + step), zone: press.spot.stave?.zone ?? null },
    tab: "clip",
  });
}

function showGhost(view, ghost, press) {
  for (const [index, { blocks }] of view.drawn) {
    const system = view.layout.systems[index];
    if (ghost.to <= system.from || ghost.from >= system.to) continue;
    const stave = system.staves.find((one) => one.zone === ghost.zone);
    const x = xOf(system, Math.max(ghost.from, system.from));
    const width = xOf(system, Math.min(ghost.to, system.to)) - x;
    const top = stave ? stave.top : SIZES.names;
    const height = stave ? stave.height : SIZES.placing;
    const style = { left: `${x}px`, top: `${top}px`, width: `${Math.max(2, width)}px`, height: `${height}px` };
    const label = ghost.lead && ghost.from >= system.from ? says(press, ghost) : "";
    blocks.append(make("div", { class: `ghost ${press.copies ? "copy" : ""}`, style }, make("span", {}, label)));
  }
}

function says(press, ghost) {
  const { time } = store;
  if (["move", "section"].includes(press.kind)) return time.address(ghost.from);
  return `${time.address(ghost.from)}, ${beatsText(ghost.to - ghost.from)}`;
}

function clearGhosts(view) {
  for (const ghost of view.holder.querySelectorAll(".ghost")) ghost.remove();
}

// ---- and when it is let go ----------------------------------------------------------------------------------------

function drop(press) {
  if (press.kind === "range" || press.by === undefined) return;
  const { by, zone, copies, kind } = press;
  if (kind === "section") {
    moveSection(press.instances[0], by);
    return;
  }
  const moved = once(press.instances);
  const names = moved.map((one) => nameOf(one)).join(", ");
  if (kind !== "move") {
    if (by === 0) return;
    const field = kind === "start" ? "start_by" : "end_by";
    edit(
      `stretch ${names}`,
      moved.map((one) => ({ op: "stretch", where: one.where, [field]: fraction(by) })),
    );
    return;
  }
  const rezoned = zone && zone !== moved[0]?.zone ? zone : null;
  if (by === 0 && !rezoned && !copies) return;
  if (copies) {
    copyBlocks(moved, by, rezoned);
    return;
  }
  const ops = moved.filter(() => by !== 0).map((one) => ({ op: "move", where: one.where, by: fraction(by) }));
  if (rezoned) ops.push({ op: "set", where: moved[0].where, key: zoneKey(moved[0]), value: rezoned });
  edit(`move ${names}`, ops);
}

function moveSection(moved, by) {
  if (by === 0) return;
  const list = store.show.sections.map(({ from, name }) => ({ from: from === moved.from ? from + by : from, name }));
  list.sort((a, b) => a.from - b.from);
  fix("move a section", {
    op: "sections",
    list: list.map(({ from, name }) => ({ at: { beat: fraction(from) }, name })),
  });
}

/** A phrase's clip may be chosen at several placings: it is one block. */
export function once(instances) {
  return [...new Map(instances.map((one) => [one.where, one])).values()];
}

export function nameOf(one) {
  if (one.clip) return titleOf(one.clip);
  return one.phrase ?? one.where;
}

function zoneKey(one) {
  return one.clip?.kind === "trigger" ? "clip.zone" : "zone";
}

export async function copyBlocks(blocks, by, zone) {
  const ops = blocks.map((one) => {
    const values = zone ? { [zoneKey(one)]: zone } : undefined;
    return { op: "copy", where: one.where, by: fraction(by), ...(values ? { values } : {}) };
  });
  const answer = await edit(`copy ${blocks.map((one) => nameOf(one)).join(", ")}`, ops);
  if (answer?.added) put({ chosen: answer.added.map((where) => `${where}|`) });
}
