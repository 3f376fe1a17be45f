/* One system drawn: its ruling as an engraver would, the sound, the light of its clips, the amperes. */

import { SIZES, numberWidth, numbered, placedNames, titleOf, xOf } from "./layout.js";
import { inks } from "./ink.js";

/**
 * Draw a system onto a canvas context whose unit is a CSS pixel.
 * from: {show, time, song, peaks, rig, pieces (in order), cache (Pieces), first (the song's first system?), last}
 */
export function drawSystem(context, system, from) {
  const pens = inks();
  context.clearRect(0, 0, context.canvas.width, context.canvas.height);
  const bars = from.pieces.filter((piece) => piece.from < system.to - 1e-6 && piece.to > system.from + 1e-6);
  ruling(context, system, from, pens);
  if (from.peaks) waveform(context, system, from, pens);
  if (from.song) onsets(context, system, from, pens);
  if (system.levelTop !== null) master(context, system, from.show, pens);
  tags(context, system, labelsOf(from.show, system), pens);
  for (const stave of system.staves) clips(context, system, stave, bars, from, pens);
  amperes(context, system, bars, from, pens);
}

// ---- ruling -------------------------------------------------------------------------------------------------------

function ruling(context, system, { show, last }, pens) {
  const { left } = SIZES;
  const { right } = system;
  context.lineWidth = 1;
  context.strokeStyle = pens.pale;
  for (const stave of system.staves) {
    for (let y = stave.top + stave.lane / 2; y < stave.top + stave.height; y += stave.lane)
      line(context, left, y, right, y);
  }
  for (let third = 0; third < 3; third++) {
    const y = bandY(system, third);
    line(context, left, y, right, y);
  }
  const top = system.waveTop + 4;
  const bottom = system.bottom;
  for (const bar of system.bars) {
    context.strokeStyle = pens.faint;
    for (let beat = Math.ceil(bar.from + 1e-6); beat < bar.to - 1e-6; beat++) {
      line(context, xOf(system, beat), top, xOf(system, beat), bottom);
    }
  }
  context.strokeStyle = pens.ink;
  const opens = new Set(system.sections.map((section) => section.stands.toFixed(3)));
  const named = new Set(numbered(system));
  for (const bar of system.bars) {
    const x = xOf(system, bar.from);
    line(context, x, top, x, bottom);
    if (opens.has(bar.from.toFixed(3)) && bar !== system.bars[0]) line(context, x - 3, top, x - 3, bottom);
    if (!named.has(bar)) continue;
    context.fillStyle = pens.ink;
    context.font = `italic ${bar === system.bars[0] ? 13 : 11}px ${pens.serif}`;
    context.textAlign = "left";
    context.textBaseline = "alphabetic";
    context.fillText(bar.bar, x + 1, system.numbersTop + SIZES.numbers - 3);
  }
  line(context, right, top, right, bottom);
  if (last) {
    context.fillStyle = pens.ink;
    context.fillRect(right + 2, top, 3.5, bottom - top);
  }
  bracket(context, left - 7, system.staves, pens);
  names(context, system, pens);
}

/** The thick bracket that holds the zones' staves together. */
function bracket(context, x, staves, pens) {
  if (!staves.length) return;
  const top = staves[0].top - 3;
  const bottom = staves[staves.length - 1].top + staves[staves.length - 1].height + 3;
  context.fillStyle = pens.ink;
  context.fillRect(x - 1.5, top, 3, bottom - top);
  context.strokeStyle = pens.ink;
  context.lineWidth = 1.4;
  for (const [y, way] of [
    [top, -1],
    [bottom, 1],
  ]) {
    context.beginPath();
    context.moveTo(x - 1.5, y);
    context.quadraticCurveTo(x + 3, y + way * 1, x + 7, y + way * 5);
    context.stroke();
  }
  context.lineWidth = 1;
}

function names(context, system, pens) {
  context.textAlign = "right";
  context.textBaseline = "middle";
  context.fillStyle = pens.ink;
  context.font = `12.5px ${pens.serif}`;
  for (const stave of system.staves) {
    context.fillText(shortened(context, stave.zone, SIZES.left - 24), SIZES.left - 17, stave.top + stave.height / 2);
  }
  context.fillStyle = pens.label;
  context.font = `italic 11px ${pens.serif}`;
  ["high", "mid", "low"].forEach((band, third) => context.fillText(band, SIZES.left - 8, bandY(system, third)));
}

function shortened(context, text, width) {
  if (context.measureText(text).width <= width) return text;
  let length = text.length;
  while (length > 1 && context.measureText(`${text.slice(0, length)}…`).width > width) length--;
  return `${text.slice(0, length)}…`;
}

// ---- the sound ----------------------------------------------------------------------------------------------------

function bandY(system, third) {
  return system.waveTop + SIZES.wave * (0.2 + 0.3 * third);
}

function waveform(context, system, { time, peaks }, pens) {
  const { low, high } = peaks.data;
  const middle = system.waveTop + SIZES.wave / 2;
  const scale = SIZES.wave / 2 / 127;
  context.fillStyle = pens.wash;
  for (let x = SIZES.left; x < system.right; x++) {
    const beat = system.from + (x - SIZES.left) / system.perBeat;
    const first = Math.max(0, Math.floor((time.us(beat) / 1e6) * peaks.per_s));
    const end = Math.max(first + 1, Math.floor((time.us(beat + 1 / system.perBeat) / 1e6) * peaks.per_s));
    let least = 0;
    let most = 0;
    for (let at = first; at < end && at < low.length; at++) {
      least = Math.min(least, low[at]);
      most = Math.max(most, high[at]);
    }
    context.fillRect(x, middle - most * scale, 1, Math.max(1, (most - least) * scale));
  }
}

function onsets(context, system, { time, song }, pens) {
  const starts = time.us(system.from) / 1e6;
  const ends = time.us(system.to) / 1e6;
  context.fillStyle = pens.ink;
  ["high", "mid", "low"].forEach((band, third) => {
    for (const [seconds, strength] of song.onsets[band]) {
      if (seconds < starts || seconds >= ends) continue;
      note(context, xOf(system, time.beat(seconds * 1e6)), bandY(system, third), 1.2 + 2.2 * strength);
    }
  });
}

/** A note's head, as large as what was heard is strong. */
function note(context, x, y, size) {
  context.beginPath();
  context.ellipse(x, y, size * 1.25, size, -0.35, 0, 2 * Math.PI);
  context.fill();
}

// ---- clips and their light ----------------------------------------------------------------------------------------

function clips(context, system, stave, bars, from, pens) {
  const zone = from.rig?.zones.find((one) => one.name === stave.zone);
  for (const item of stave.items) {
    const { x, top, width, height } = item;
    context.fillStyle = pens.night;
    if (!item.events) context.fillRect(x, top, width, height);
    if (zone) light(context, system, item, zone, bars, from, pens);
    context.strokeStyle = pens.ink;
    context.lineWidth = 1;
    if (item.events) context.setLineDash([3, 3]);
    context.strokeRect(Math.round(x) + 0.5, Math.round(top) + 0.5, Math.max(2, Math.round(width) - 1), height - 1);
    context.setLineDash([]);
    if (item.begins) {
      context.fillStyle = pens.ink;
      context.fillRect(x, top, 2.5, height);
    }
    if (width > 34) label(context, item, pens);
  }
}

/** The zone's light in a block: the pictures of the bars it lies in, cut to it. */
function light(context, system, item, zone, bars, { cache }, pens) {
  const windows = item.events ?? [[item.from, item.to]];
  context.save();
  context.beginPath();
  for (const [from, to] of windows) {
    if (from >= system.to || to <= system.from) continue;
    const x = Math.max(item.x, xOf(system, from));
    context.rect(x, item.top, Math.max(1.5, Math.min(item.x + item.width, xOf(system, to)) - x), item.height);
  }
  context.clip();
  if (item.events) {
    context.fillStyle = pens.night;
    context.fillRect(item.x, item.top, item.width, item.height);
  }
  for (const piece of bars) {
    if (piece.to <= item.from || piece.from >= item.to) continue;
    const picture = cache.picture(piece.id);
    if (!picture) continue;
    const x = xOf(system, piece.from);
    const width = (piece.to - piece.from) * system.perBeat;
    context.drawImage(picture, 0, zone.top, picture.width, zone.rows, x, item.top, width + 0.5, item.height);
  }
  context.restore();
}

function label(context, item, pens) {
  const { clip } = item;
  const text = clip.kind === "trigger" ? `${clip.on} → ${titleOf(clip)}` : titleOf(clip);
  context.font = `italic 10.5px ${pens.serif}`;
  context.textAlign = "left";
  context.textBaseline = "middle";
  const shown = shortened(context, text, item.width - 12);
  const y = item.top + item.height / 2;
  const x = Math.max(item.x, SIZES.left) + 6;
  // A scrap of night behind the words: they are read over any light.
  context.globalAlpha = 0.55;
  context.fillStyle = pens.night;
  context.fillRect(x - 2, y - 6, context.measureText(shown).width + 4, 12);
  context.globalAlpha = 1;
  context.fillStyle = pens.onnight;
  context.fillText(shown, x, y);
}

// ---- the master, and labels ---------------------------------------------------------------------------------------

/** The level of all light as a hairpin: it opens as the light grows. */
function master(context, system, { master: points }, pens) {
  const middle = system.levelTop + SIZES.level / 2;
  const half = (level) => 1 + (level * (SIZES.level - 4)) / 2;
  const corners = [
    [system.from, levelAt(points, system.from)],
    ...points.filter(({ beat }) => beat > system.from && beat < system.to).map(({ beat, level }) => [beat, level]),
    [system.to, levelAt(points, system.to)],
  ];
  context.strokeStyle = pens.label;
  for (const way of [-1, 1]) {
    context.beginPath();
    for (const [beat, level] of corners) context.lineTo(xOf(system, beat), middle + way * half(level));
    context.stroke();
  }
  context.fillStyle = pens.label;
  context.font = `italic 11px ${pens.serif}`;
  context.textAlign = "right";
  context.textBaseline = "middle";
  context.fillText("master", SIZES.left - 17, middle);
}

function levelAt(points, beat) {
  const after = points.findIndex((point) => point.beat > beat);
  if (after === 0) return points[0].level;
  if (after < 0) return points[points.length - 1].level;
  const [from, to] = [points[after - 1], points[after]];
  return from.level + ((beat - from.beat) / (to.beat - from.beat)) * (to.level - from.level);
}

function labelsOf({ labels }, system) {
  return Object.entries(labels).flatMap(([name, times]) =>
    times
      .filter(({ beat }) => beat >= system.from && beat < system.to)
      .map(({ beat }) => ({ name, beat, often: times.length })),
  );
}

/** Labels: a line through the sound for each, and the names for which there is room. */
function tags(context, system, labels, pens) {
  context.strokeStyle = context.fillStyle = pens.blue;
  for (const { beat } of labels) {
    const x = xOf(system, beat);
    line(context, x, system.numbersTop + 4, x, system.waveTop + SIZES.wave);
  }
  context.font = `italic 11px ${pens.serif}`;
  context.textAlign = "left";
  context.textBaseline = "middle";
  const numbers = numbered(system).map((bar) => [bar.from, numberWidth(bar)]);
  for (const { name, x } of placedNames(system, labels, numbers, (text) => context.measureText(text).width))
    context.fillText(name, x, system.numbersTop + 7);
}

// ---- amperes ------------------------------------------------------------------------------------------------------

function amperes(context, system, bars, { rig, cache, time }, pens) {
  const { amps } = SIZES;
  const top = system.ampsTop;
  const floor = top + amps;
  context.strokeStyle = pens.ink;
  line(context, SIZES.left, floor, system.right, floor);
  context.setLineDash([5, 4]);
  context.strokeStyle = pens.red;
  line(context, SIZES.left, top + 4, system.right, top + 4);
  context.setLineDash([]);
  context.fillStyle = pens.label;
  context.font = `italic 11px ${pens.serif}`;
  context.textAlign = "right";
  context.textBaseline = "middle";
  context.fillText("budget", SIZES.left - 8, top + 5);
  context.fillText("amperes", SIZES.left - 8, floor - 6);
  if (!rig) return;
  const budgets = new Map(rig.supplies.map((supply) => [supply.name, supply.budget_a]));
  for (const piece of bars) {
    const had = cache.packet(piece.id);
    if (!had) continue;
    const { packet } = had;
    const count = packet.supplies.length;
    if (!count) continue;
    const { amps: drawn, gains } = packet.data;
    const scale = packet.supplies.map((name) => (amps - 4) / (budgets.get(name) || 1));
    const x0 = xOf(system, piece.from);
    const perFrame = ((piece.to - piece.from) * system.perBeat) / packet.frames;
    // The supply that is nearest to its budget fills the stave; each is a line of its own above.
    context.beginPath();
    context.moveTo(x0, floor);
    for (let frame = 0; frame < packet.frames; frame++) {
      let most = 0;
      for (let one = 0; one < count; one++) most = Math.max(most, drawn[frame * count + one] * scale[one]);
      const y = floor - Math.min(amps, most);
      context.lineTo(x0 + frame * perFrame, y);
      context.lineTo(x0 + (frame + 1) * perFrame, y);
    }
    context.lineTo(x0 + packet.frames * perFrame, floor);
    context.fillStyle = pens.wash;
    context.fill();
    context.strokeStyle = pens.label;
    context.lineWidth = 0.8;
    for (let one = 0; one < count; one++) {
      context.beginPath();
      for (let frame = 0; frame < packet.frames; frame++) {
        const y = floor - Math.min(amps, drawn[frame * count + one] * scale[one]);
        if (frame) context.lineTo(x0 + (frame + 0.5) * perFrame, y);
        else context.moveTo(x0 + 0.5 * perFrame, y);
      }
      context.stroke();
    }
    context.lineWidth = 1;
    context.fillStyle = pens.red;
    for (let frame = 0; frame < packet.frames; frame++) {
      let least = 1;
      for (let one = 0; one < count; one++) least = Math.min(least, gains[frame * count + one]);
      if (least < 0.9995)
        context.fillRect(x0 + frame * perFrame, top, Math.max(1, perFrame), 1 + 3 * (1 - least) + 1.5);
    }
  }
}

function line(context, x0, y0, x1, y1) {
  context.beginPath();
  if (x0 === x1) x0 = x1 = Math.round(x0) + 0.5;
  else y0 = y1 = Math.round(y0) + 0.5;
  context.moveTo(x0, y0);
  context.lineTo(x1, y1);
  context.stroke();
}
