/* Where everything stands on the page: systems of some bars, in each a stave a zone, on the staves the clips.
 *
 * Pure: numbers in, numbers out. Lengths are CSS pixels, places along the song are beats.
 *
 * An *instance* is a block where it sounds: a clip, a trigger's span, or one clip of a phrase at one of its placings.
 * Its key is "where|placing", so that it stays chosen while the page is drawn anew.
 */

export const SIZES = {
  left: 96, // names of the staves
  right: 18,
  names: 28, // section names
  placing: 15, // brackets of phrases, one row
  numbers: 16, // bar numbers
  wave: 40,
  gap: 7, // between staves
  lane: 22,
  smallLane: 15, // where clips lie over each other
  level: 20, // the master, as a hairpin
  amps: 34,
  mark: 14, // room of a mark below the amperes
  below: 34, // white space to the next system
};

const ON_THE_LINE = 1 / 4; // beats: a section that begins so near to a bar line is drawn on it, and on its line

/** Every instance of the show: {key, where, placing, clip, zone, from, to, events or null}, in the order of covering. */
export function instancesOf(show) {
  const found = new Map();
  show.clips.forEach((clip, number) => {
    if (clip.phrase === null && clip.kind !== "placing")
      found.set(`${number}|-1`, instance(clip, "", clip.from, clip.to));
  });
  for (const [number, placing, , , from, to] of show.cues) {
    if (number < 0) continue; // the master's own
    const clip = show.clips[number];
    const id = `${number}|${placing}`;
    let one = found.get(id);
    if (one === undefined) {
      one = instance(clip, placing < 0 ? "" : show.placings[placing].where, from, to);
      found.set(id, one);
    }
    if (clip.kind === "trigger") {
      one.events ??= [];
      one.events.push([from, to]);
    } else if (one.placing) {
      one.from = Math.min(one.from, from);
      one.to = Math.max(one.to, to);
    }
  }
  for (const one of found.values()) one.events?.sort((a, b) => a[0] - b[0]);
  return [...found.values()].filter((one) => one.to > one.from);
}

function instance(clip, placing, from, to) {
  return { key: `${clip.where}|${placing}`, where: clip.where, placing, clip, zone: clip.zone, from, to, events: null };
}

/**
 * The page: {systems, height}. options: width of the sheet; barsPerLine; allZones: also staves where nothing lies.
 * A section begins a new line, as a new part of a piece does in print.
 */
export function layOut(show, instances, { width, barsPerLine, allZones }) {
  const opens = new Set(show.sections.map((section) => nearestBar(show.bars, section.from)));
  const lines = [];
  for (const bar of show.bars) {
    const line = lines[lines.length - 1];
    const counted = line ? line.filter((one) => one.bar >= 1).length : 0;
    const pickup = line && counted === 0 && line.length < 3;
    if (!line || (!pickup && (counted >= barsPerLine || opens.has(bar)))) lines.push([bar]);
    else line.push(bar);
  }
  const beats = barsPerLine * show.beats_per_bar;
  const room = width - SIZES.left - SIZES.right;
  const systems = [];
  let top = 0;
  for (const bars of lines) {
    const system = oneSystem(show, instances, bars, { room, beats, allZones });
    system.index = systems.length;
    system.top = top;
    top += system.height;
    systems.push(system);
  }
  return { systems, height: top, width };
}

function nearestBar(bars, beat) {
  return bars.reduce((best, bar) => (Math.abs(bar.from - beat) < Math.abs(best.from - beat) ? bar : best));
}

function standsAt(bars, beat) {
  const line = nearestBar(bars, beat).from;
  return Math.abs(line - beat) < ON_THE_LINE ? line : beat;
}

/** How wide a bar's number is written, about. */
export function numberWidth(bar) {
  return String(bar.bar).length * 7 + 2;
}

/** The bars whose number is written: where one is so short that two would cover each other, the later. */
export function numbered(system) {
  return system.bars.filter((bar, at) => {
    const next = system.bars[at + 1];
    return !next || (next.from - bar.from) * system.perBeat >= numberWidth(bar);
  });
}

function oneSystem(show, instances, bars, { room, beats, allZones }) {
  const from = bars[0].from;
  const to = bars[bars.length - 1].to;
  const perBeat = room / Math.max(beats, to - from);
  const here = instances.filter((one) => one.from < to - 1e-6 && one.to > from + 1e-6);
  const brackets = lanesOf(show.placings.filter((placing) => placing.from < to && placing.to > from));
  let y = SIZES.names + SIZES.placing * brackets.lanes + SIZES.numbers;
  const placingsTop = SIZES.names;
  const numbersTop = y - SIZES.numbers;
  const waveTop = y;
  y += SIZES.wave + SIZES.gap;
  const staves = [];
  for (const zone of show.zones) {
    const items = here.filter((one) => one.zone === zone);
    if (!items.length && !allZones) continue;
    const { lanes, laneOf } = lanesOf(items);
    const lane = lanes > 1 ? SIZES.smallLane : SIZES.lane;
    const height = Math.max(1, lanes) * lane;
    staves.push({
      zone,
      top: y,
      height,
      lane,
      items: items.map((one, number) => ({
        ...one,
        begins: one.from >= from - 1e-6,
        ends: one.to <= to + 1e-6,
        x: SIZES.left + (Math.max(one.from, from) - from) * perBeat,
        width: (Math.min(one.to, to) - Math.max(one.from, from)) * perBeat,
        top: y + laneOf[number] * lane + 1,
        height: lane - 2,
      })),
    });
    y += height + SIZES.gap;
  }
  const levelTop = show.master.length ? y : null;
  if (levelTop !== null) y += SIZES.level + SIZES.gap;
  const ampsTop = y;
  return {
    bars,
    from,
    to,
    perBeat,
    right: SIZES.left + (to - from) * perBeat,
    sections: show.sections
      .map((section) => ({ ...section, stands: standsAt(show.bars, section.from) }))
      .filter(({ stands }) => stands >= from - 1e-6 && stands < to - 1e-6),
    placings: brackets.items.map((placing, number) => ({
      ...placing,
      top: placingsTop + brackets.laneOf[number] * SIZES.placing,
    })),
    numbersTop,
    waveTop,
    staves,
    levelTop,
    ampsTop,
    bottom: y + SIZES.amps,
    height: y + SIZES.amps + SIZES.below,
  };
}

/** Lanes so that nothing in a lane overlaps: lower layers above, as they are covered by what stands below them. */
function lanesOf(items) {
  const order = items.map((_, number) => number);
  order.sort(
    (a, b) => (items[a].clip?.layer ?? 0) - (items[b].clip?.layer ?? 0) || items[a].from - items[b].from || a - b,
  );
  const lanes = []; // of each, the items in it
  const laneOf = [];
  for (const number of order) {
    const { from, to } = items[number];
    let lane = lanes.findIndex((held) => held.every((one) => one.to <= from + 1e-6 || one.from >= to - 1e-6));
    if (lane < 0) lane = lanes.push([]) - 1;
    lanes[lane].push(items[number]);
    laneOf[number] = lane;
  }
  return { items, lanes: lanes.length, laneOf };
}

/** What a block is called: its own name, else its effect. */
export function titleOf(clip) {
  const values = (clip.kind === "trigger" ? clip.values?.clip : clip.values) ?? {};
  return values.name || clip.effect || clip.of || clip.phrase || clip.where;
}

export function xOf(system, beat) {
  return SIZES.left + (beat - system.from) * system.perBeat;
}

export function beatAt(system, x) {
  return Math.min(system.to, Math.max(system.from, system.from + (x - SIZES.left) / system.perBeat));
}

/** The system in which a beat is read; the first or last one for beats outside the song. */
export function systemOf(systems, beat) {
  return systems.find((system) => beat < system.to - 1e-9) ?? systems[systems.length - 1];
}

/** The system at a height of the page: the nearest one. */
export function systemAt(systems, y) {
  return systems.find((system) => y < system.top + system.height) ?? systems[systems.length - 1];
}

/**
 * Which labels' names are written, and where: {name, x}. None covers another, a bar's number or the sheet's edge. Those
 * that come seldom go first: an imported MIDI file brings hundreds, a person a few. labels: {name, beat, often};
 * numbers: [beat, width] of each; width: of a text.
 */
export function placedNames(system, labels, numbers, width) {
  const taken = numbers.map(([beat, wide]) => [xOf(system, beat), xOf(system, beat) + wide]);
  const placed = [];
  for (const { name, beat } of [...labels].sort((one, two) => one.often - two.often || one.beat - two.beat)) {
    const wide = width(name);
    const line = xOf(system, beat);
    const number = numbers.find(([at]) => Math.abs(at - beat) * system.perBeat < 2);
    const right = line + (number ? number[1] : 0) + 4;
    const places = [right, line - wide - 4];
    const x = places.find(
      (from) =>
        from >= SIZES.left &&
        from + wide <= system.right + 12 &&
        taken.every(([start, end]) => from >= end || from + wide <= start),
    );
    if (x === undefined) continue;
    taken.push([x - 4, x + wide + 4]);
    placed.push({ name, x });
  }
  return placed;
}
