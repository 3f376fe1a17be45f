/* A roll, read: version 2 of exporters/ROLL.md, whose section numbers stand beside what they rule.
 *
 *     const roll = new Roll(await (await fetch("quay.roll")).arrayBuffer());   // throws RollError
 *     const bytes = roll.frameAt(us);                                          // always roll.frameBytes long
 *
 * Runs in browsers and in node, without anything else. Opening checks everything but the payloads; each payload is
 * checked before it is inflated. A group that fails is dark.
 */

import { InflateError, inflate } from "./inflate.js";

/** A roll, or a part of one, that must not be played: what is wrong, in one line. */
export class RollError extends Error {}

// ---- constants, in the page's order (section 11) ------------------------------------------------------------------

const VERSION = 2;
const MOST_FRAME_BYTES = 1 << 20;
const MOST_UNIT_BYTES = 1 << 24;
const MOST_PRODUCT = (1 << 30) - 1;
const NO_PIN = 255;
const PAGE_ENTRIES = 16;
const UNIT_CHECKED = 10;
const STEP = 3;
const CHANGES = 4;
const COLUMNS = 0;
const PAIRS = 8;
const ROWS = 16;
const QUOTES = 24;
const U8 = 0xff;
const U16 = 0xffff;
const U24 = 0xff_ffff;
const U32 = 0xffff_ffff;

// Fields of a record: name, bytes, least, greatest. Those without a range are plain bytes.
const HEADER = [
  ["magic", 4],
  ["version", 1, VERSION, VERSION],
  ["window_bits", 1, 12, 13],
  ["strings", 1, 1, 32],
  ["supplies", 1, 0, 32],
  ["draws", 1, 0, 64],
  ["most_frames", 1, 1, U8],
  ["names_bytes", 2, 6, U16],
  ["file_bytes", 4, 0, U32],
  ["frame_bytes", 4, 3, MOST_FRAME_BYTES],
  ["groups", 2, 1, U16],
  ["units", 2, 1, U16],
  ["most_unit_bytes", 4, 1, MOST_UNIT_BYTES],
  ["most_payload_bytes", 4, 6, U24],
  ["song_us", 4, 0, U32],
  ["song_sha256", 32],
];
const STRING = [
  ["pin", 1, 0, 254],
  ["clock_pin", 1, 0, NO_PIN],
  ["pixels", 2, 1, U16],
  ["order", 4],
];
const SUPPLY = [["milliamps", 4, 0, U32]];
const DRAW = [
  ["string", 1, 0, 31],
  ["supply", 1, 0, 31],
  ["law", 1, 0, 1],
  ["first_pixel", 2, 0, U16],
  ["pixels", 2, 1, U16],
  ["idle_ua", 3, 0, U24],
  ["channel_ua", 3, 0, U24],
];
const UNIT = [
  ["payload_at", 4, 0, U32],
  ["payload_bytes", 3, 6, U24],
  ["frames", 1, 1, U8],
  ["depth", 1, 0, 15],
  ["how", 1, 0, 31],
  ["crc", 4, 0, U32],
];
const ENTRY = [
  ["start_us", 4, 0, U32],
  ["unit", 2, 0, U16 - 1],
  ["first", 1, 0, U8 - 1],
  ["frames", 1, 1, U8],
];
const PAGE_END = [
  ["end_us", 4, 1, U32],
  ["page_crc", 4, 0, U32],
];
const HEAD_CRC = [["head_crc", 4, 0, U32]];

const LOADED_UNITS = 8; // units that are kept inflated
const NOTHING = new Uint8Array(0);

// ---- the roll -----------------------------------------------------------------------------------------------------

/**
 * One controller's frames.
 *
 * title, controller: text. songUs: microseconds. songSha256: hexadecimal. frameBytes: bytes of a frame.
 * strings: {name, chip, pin, clockPin (or null), pixels, order, first (its first byte in a frame), bytes}.
 * supplies: {name, milliamps}. groups: {startUs, endUs, unit, first, frames}. head, draws, units: the records as stored.
 */
export class Roll {
  #data;
  #starts;
  #loaded = new Map(); // unit -> {frames, last, history, window}, or its RollError; the one used last stands last
  #dark;

  /** @param {ArrayBuffer | Uint8Array} data the whole file. Throws RollError. */
  constructor(data) {
    this.#data = data instanceof Uint8Array ? data : new Uint8Array(data);
    Object.assign(this, readHead(this.#data));
    this.#starts = Float64Array.from(this.groups, (group) => group.startUs);
    this.#dark = new Uint8Array(this.frameBytes);
  }

  /** The frames of a group, one after another, frameBytes each, to be read only. Throws RollError if it is broken. */
  group(number) {
    const group = this.groups[number];
    if (group === undefined) throw new RangeError(`there is no group ${number}: the roll has ${this.groups.length}`);
    const { frames } = this.#load(group.unit);
    return frames.subarray(group.first * this.frameBytes, (group.first + group.frames) * this.frameBytes);
  }

  /** What stands at a time of the song: {group, frame}; null before the first frame and from the end on (10.8). */
  seek(us) {
    let low = 0;
    let high = this.#starts.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.#starts[middle] <= us) low = middle + 1;
      else high = middle;
    }
    const number = low - 1;
    const group = this.groups[number];
    if (group === undefined || us >= group.endUs) return null;
    const within = Math.floor(us) - group.startUs;
    return { group: number, frame: Math.floor(((within + 1) * group.frames - 1) / (group.endUs - group.startUs)) };
  }

  /** When a frame of a group is due, microseconds of the song (8.3). */
  frameUs(number, frame) {
    const { startUs, endUs, frames } = this.groups[number];
    return startUs + Math.floor((frame * (endUs - startUs)) / frames);
  }

  /** The bytes that stand at a time of the song, frameBytes long; dark outside the show and in broken groups. */
  frameAt(us) {
    const place = this.seek(us);
    if (place === null) return this.#dark.fill(0);
    try {
      const frames = this.group(place.group);
      return frames.subarray(place.frame * this.frameBytes, (place.frame + 1) * this.frameBytes);
    } catch (error) {
      if (error instanceof RollError) return this.#dark.fill(0);
      throw error;
    }
  }

  #load(number) {
    const had = this.#loaded.get(number);
    this.#loaded.delete(number);
    let loaded = had;
    try {
      loaded ??= this.#inflated(number);
    } catch (error) {
      if (!(error instanceof RollError)) throw error;
      loaded = error;
    }
    this.#loaded.set(number, loaded);
    if (this.#loaded.size > LOADED_UNITS) this.#loaded.delete(this.#loaded.keys().next().value);
    if (loaded instanceof RollError) throw loaded;
    return loaded;
  }

  /** 10.5: a unit, those that it leans on first. */
  #inflated(number) {
    const unit = this.units[number];
    const { frameBytes } = this;
    let before = { last: new Uint8Array(frameBytes), history: NOTHING, window: NOTHING };
    if (unit.depth) before = this.#load(number - 1);
    const payload = this.#data.subarray(unit.payload_at, unit.payload_at + unit.payload_bytes);
    const record = this.#data.subarray(unit.at, unit.at + UNIT_CHECKED);
    if (crc32(record, crc32(payload)) !== unit.crc)
      throw new RollError(`the checksum of unit ${number} does not match`);
    const reach = 1 << this.head.window_bits;
    const all = inflated(payload, before.window, unit.frames * frameBytes, reach);
    const arranged = all.subarray(before.window.length);
    const frames = shown(arranged, unit.how, unit.frames, frameBytes, before.last, before.history);
    const history = keepsFrames(unit.how) ? frames : NOTHING;
    return { frames, last: frames.subarray(-frameBytes), history, window: all.slice(-reach) };
  }
}

/** Every broken unit of a roll, as a line each; none for a sound one. */
export function faultsOf(roll) {
  const faults = [];
  for (let number = 0; number < roll.groups.length; number++) {
    try {
      roll.group(number);
    } catch (error) {
      if (!(error instanceof RollError)) throw error;
      faults.push(`group ${number} is broken: ${error.message}`);
    }
  }
  return faults;
}

function inflated(payload, window, most, reach) {
  try {
    return inflate(payload, window, most, reach);
  } catch (error) {
    if (error instanceof InflateError) throw new RollError(error.message);
    throw error;
  }
}

// ---- payloads (section 9) -----------------------------------------------------------------------------------------

/**
 * The frames of a unit from its arranged bytes.
 * @param {Uint8Array} arranged
 * @param {number} how 0-31
 * @param {Uint8Array} before the frame that stood before, frameBytes long
 * @param {Uint8Array} history the frames of the unit before, if it is one that `keepsFrames`; otherwise nothing
 * @returns {Uint8Array} frames x frameBytes. Throws RollError.
 */
export function shown(arranged, how, frames, frameBytes, before, history) {
  if (kindOf(how) === QUOTES) return undoQuotes(arranged, how, frames, frameBytes, history);
  if (arranged.length !== frames * frameBytes) {
    throw new RollError(`the payload does not hold ${frames} frames of ${frameBytes} bytes`);
  }
  const out = undoDense(arranged, how, frames, frameBytes);
  if (how & CHANGES) addUp(out, frameBytes, before);
  return out;
}

function kindOf(how) {
  return how & ~(STEP | CHANGES);
}

/** Whether the quotes of a unit that leans on such a one may reach into its frames. */
function keepsFrames(how) {
  return kindOf(how) === QUOTES || how === ROWS;
}

function undoDense(arranged, how, frames, frameBytes) {
  const out = new Uint8Array(frames * frameBytes);
  const step = (how & STEP) + 1;
  const kind = kindOf(how);
  let at = 0;
  for (let plane = 0; plane < step && plane < frameBytes; plane++) {
    const columns = Math.ceil((frameBytes - plane) / step);
    const width = kind === COLUMNS ? 1 : kind === PAIRS ? 2 : columns;
    for (let first = 0; first < columns; first += width) {
      const end = Math.min(first + width, columns);
      for (let frame = 0; frame < frames; frame++) {
        let to = frame * frameBytes + plane + first * step;
        for (let column = first; column < end; column++, to += step) out[to] = arranged[at++];
      }
    }
  }
  return out;
}

/** Changes -> values, in place; bytes wrap round by themselves. */
function addUp(out, frameBytes, before) {
  for (let at = 0; at < frameBytes; at++) out[at] += before[at];
  for (let at = frameBytes; at < out.length; at++) out[at] += out[at - frameBytes];
}

function undoQuotes(arranged, how, frames, frameBytes, history) {
  const out = new Uint8Array(frames * frameBytes);
  if (arranged.length > out.length) throw new RollError("the quotes hold more bytes than the frames");
  const step = (how & STEP) + 1;
  const adds = (how & CHANGES) !== 0;
  let distance = frameBytes;
  let at = 0;
  let next = 0;
  const take = () => {
    if (next === arranged.length) throw new RollError("the quotes end before the frames do");
    return arranged[next++];
  };
  /** What lies `distance` before; before all that is kept, darkness. */
  const quoted = () => {
    const from = at - distance;
    if (from >= 0) return out[from];
    return from >= -history.length ? history[history.length + from] : 0;
  };
  while (at < out.length) {
    const copy = take();
    const run = take();
    if (copy === 0 && run === 0) {
      distance = (take() + 256 * take()) * step;
      if (distance === 0) throw new RollError("the quotes set a distance of 0");
      continue;
    }
    if (copy + run > Math.ceil((out.length - at) / step)) throw new RollError("the quotes reach beyond the frames");
    const copyEnd = Math.min(at + copy * step, out.length); // the last cell may be cut
    const runEnd = Math.min(copyEnd + run * step, out.length);
    for (; at < copyEnd; at++) out[at] = quoted();
    for (; at < runEnd; at++) out[at] = adds ? quoted() + take() : take();
  }
  if (next !== arranged.length) throw new RollError("the quotes go on after the frames");
  return out;
}

// ---- the head (sections 2 to 8) -----------------------------------------------------------------------------------

function readHead(data) {
  if (String.fromCharCode(...data.subarray(0, 4)) !== "ROLL") {
    throw new RollError("not a roll: it does not begin with ROLL");
  }
  if (data.length > 4 && data[4] !== VERSION) {
    throw new RollError(`a roll of version ${data[4]}; this reader knows version ${VERSION}`);
  }
  if (data.length < bytesOf(HEADER)) throw new RollError(`cut short: ${data.length} bytes are not even a header`);
  const head = unpack(HEADER, data, 0);
  if (head.file_bytes !== data.length) {
    throw new RollError(`cut short or grown: ${data.length} bytes, the header says ${head.file_bytes}`);
  }
  const stringsAt = bytesOf(HEADER);
  const suppliesAt = stringsAt + head.strings * bytesOf(STRING);
  const drawsAt = suppliesAt + head.supplies * bytesOf(SUPPLY);
  const namesAt = drawsAt + head.draws * bytesOf(DRAW);
  const unitsAt = namesAt + head.names_bytes;
  const indexAt = unitsAt + head.units * bytesOf(UNIT);
  const pages = Math.ceil(head.groups / PAGE_ENTRIES);
  const crcAt = indexAt + head.groups * bytesOf(ENTRY) + pages * bytesOf(PAGE_END);
  const payloadsAt = crcAt + bytesOf(HEAD_CRC);
  if (payloadsAt > data.length) throw new RollError(`the head needs ${payloadsAt} bytes, the file has ${data.length}`);
  if (crc32(data.subarray(0, crcAt)) !== unpack(HEAD_CRC, data, crcAt).head_crc) {
    throw new RollError("the checksum of the head does not match");
  }
  const names = readNames(data.subarray(namesAt, unitsAt), 2 + 2 * head.strings + head.supplies);
  const [title, controller] = names;
  const strings = readStrings(unpackAll(STRING, data, stringsAt, head.strings), names.slice(2));
  const supplies = unpackAll(SUPPLY, data, suppliesAt, head.supplies).map((supply, number) => ({
    name: names[2 + 2 * head.strings + number],
    milliamps: supply.milliamps,
  }));
  for (const named of [strings, supplies]) {
    if (new Set(named.map((one) => one.name)).size !== named.length) throw new RollError("one name twice");
  }
  const frameBytes = strings.reduce((sum, string) => sum + string.bytes, 0);
  if (frameBytes !== head.frame_bytes) {
    throw new RollError(`frame_bytes is ${head.frame_bytes}, the strings have ${frameBytes}`);
  }
  const draws = unpackAll(DRAW, data, drawsAt, head.draws);
  for (const draw of draws) checkDraw(draw, strings, supplies);
  const units = unpackAll(UNIT, data, unitsAt, head.units);
  units.forEach((unit, number) => (unit.at = unitsAt + number * bytesOf(UNIT)));
  checkUnits(head, units, payloadsAt);
  const groups = readIndex(head, data, indexAt);
  groups.forEach((group, number) => checkGroup(group, number, units));
  const songSha256 = Array.from(head.song_sha256, (byte) => byte.toString(16).padStart(2, "0")).join("");
  return {
    head,
    title,
    controller,
    songUs: head.song_us,
    songSha256,
    frameBytes,
    strings,
    supplies,
    draws,
    units,
    groups,
  };
}

function readNames(data, count) {
  const decoder = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true });
  const names = [];
  let at = 0;
  for (let number = 0; number < count; number++) {
    const end = at + 1 + data[at];
    if (!(end <= data.length)) throw new RollError("the names run over their end");
    if (end === at + 1 && number > 0) throw new RollError("a name has at least one letter");
    let name;
    try {
      name = decoder.decode(data.subarray(at + 1, end));
    } catch {
      throw new RollError("a name is not UTF-8");
    }
    if (/[\x00-\x1f\x7f]/.test(name)) throw new RollError("a name holds a control character");
    names.push(name);
    at = end;
  }
  if (at !== data.length) throw new RollError("bytes are left after the names");
  return names;
}

function readStrings(rows, names) {
  let first = 0;
  const strings = rows.map((row, number) => {
    const order = String.fromCharCode(...row.order).replace(/\0$/, "");
    const letters = [...order].sort().join("");
    if (letters !== "bgr" && letters !== "bgrw")
      throw new RollError(`string ${number}: its order is not one of letters`);
    const clockPin = row.clock_pin === NO_PIN ? null : row.clock_pin;
    const bytes = row.pixels * order.length;
    const [name, chip] = names.slice(2 * number);
    first += bytes;
    return { name, chip, pin: row.pin, clockPin, pixels: row.pixels, order, first: first - bytes, bytes };
  });
  const pins = strings.flatMap((string) => [string.pin, string.clockPin]).filter((pin) => pin !== null);
  if (new Set(pins).size !== pins.length) throw new RollError("two lines on one pin");
  return strings;
}

function checkDraw(draw, strings, supplies) {
  const string = strings[draw.string];
  if (string === undefined || supplies[draw.supply] === undefined) {
    throw new RollError("a draw names a string or a supply that is not there");
  }
  if (draw.first_pixel + draw.pixels > string.pixels) throw new RollError("a draw reaches beyond its string");
  if (draw.pixels * (draw.idle_ua + string.order.length * draw.channel_ua) > MOST_PRODUCT) {
    throw new RollError("a draw of more microamperes than a board can count");
  }
}

function checkUnits(head, units, payloadsAt) {
  units.forEach((unit, number) => {
    if (unit.payload_at < payloadsAt || unit.payload_at + unit.payload_bytes > head.file_bytes) {
      throw new RollError(`unit ${number}: its payload lies outside the file's payloads`);
    }
    if (unit.depth && (number === 0 || unit.depth !== units[number - 1].depth + 1)) {
      throw new RollError(`unit ${number}: its depth is ${unit.depth}, that of the one before does not lead to it`);
    }
    if (unit.frames * head.frame_bytes > MOST_UNIT_BYTES) {
      throw new RollError(`unit ${number}: a unit has at most ${MOST_UNIT_BYTES} bytes`);
    }
  });
  const mostOf = (name) => units.reduce((sofar, unit) => Math.max(sofar, unit[name]), 0);
  const mosts = {
    most_unit_bytes: mostOf("frames") * head.frame_bytes,
    most_payload_bytes: mostOf("payload_bytes"),
    most_frames: mostOf("frames"),
  };
  for (const [name, most] of Object.entries(mosts)) {
    if (head[name] !== most) throw new RollError(`${name} is ${head[name]}, the units have ${most}`);
  }
}

function readIndex(head, data, at) {
  const groups = [];
  for (let first = 0; first < head.groups; first += PAGE_ENTRIES) {
    const count = Math.min(PAGE_ENTRIES, head.groups - first);
    const endAt = at + count * bytesOf(ENTRY);
    const entries = unpackAll(ENTRY, data, at, count);
    const end = unpack(PAGE_END, data, endAt);
    if (crc32(data.subarray(at, endAt + 4)) !== end.page_crc) {
      throw new RollError(`the checksum of page ${first / PAGE_ENTRIES} of the index does not match`);
    }
    if (first && groups[first - 1].endUs !== entries[0].start_us) {
      throw new RollError(`group ${first} does not start where the page before ends`);
    }
    entries.forEach(({ start_us, unit, first: from, frames }, number) => {
      const endUs = number + 1 < count ? entries[number + 1].start_us : end.end_us;
      groups.push({ startUs: start_us, endUs, unit, first: from, frames });
    });
    at = endAt + bytesOf(PAGE_END);
  }
  return groups;
}

function checkGroup({ startUs, endUs, unit, first, frames }, number, units) {
  const length = endUs - startUs;
  if (length < frames) throw new RollError(`group ${number}: ${frames} frames in ${length} us`);
  if (frames * length > MOST_PRODUCT) throw new RollError(`group ${number}: frames x us must be below 2^30`);
  if (unit >= units.length || first + frames > units[unit].frames) {
    throw new RollError(`group ${number}: unit ${unit} does not hold its frames`);
  }
}

// ---- bytes --------------------------------------------------------------------------------------------------------

function bytesOf(record) {
  return record.reduce((sum, [, bytes]) => sum + bytes, 0);
}

function unpack(record, data, at) {
  const values = {};
  for (const [name, bytes, least, most] of record) {
    if (least === undefined) values[name] = data.slice(at, at + bytes);
    else {
      let value = 0;
      for (let byte = bytes - 1; byte >= 0; byte--) value = value * 256 + data[at + byte];
      if (value < least || value > most) {
        throw new RollError(`${name} is ${value}, it must be ${least} to ${most}`);
      }
      values[name] = value;
    }
    at += bytes;
  }
  return values;
}

function unpackAll(record, data, at, count) {
  const bytes = bytesOf(record);
  return Array.from({ length: count }, (_, number) => unpack(record, data, at + number * bytes));
}

const CRC_TABLE = Uint32Array.from({ length: 256 }, (_, byte) => {
  for (let bit = 0; bit < 8; bit++) byte = byte & 1 ? (byte >>> 1) ^ 0xedb88320 : byte >>> 1;
  return byte;
});

/** CRC-32 of bytes, as section 1 says; `before`: that of the bytes before them. */
export function crc32(data, before = 0) {
  let register = ~before;
  for (let at = 0; at < data.length; at++) register = (register >>> 8) ^ CRC_TABLE[(register ^ data[at]) & 255];
  return ~register >>> 0;
}
