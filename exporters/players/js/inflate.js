/* Deflate (RFC 1951), as the payloads of a roll use it: blocks of which none is final, pointing back into earlier units.
 *
 * Browsers have an inflater of their own, but it takes no window to begin with, answers only later, and expects a final
 * block. A roll is entered anywhere, so its reader needs all three otherwise.
 */

export class InflateError extends Error {}

const MOST_BITS = 15; // of a code, 3.2.2
const FAST_BITS = 9; // codes up to this length are found by one look into a table
const END_OF_BLOCK = 256;

// 3.2.5: the lengths 257-285 and distances 0-29 stand for, and how many further bits follow each.
const LENGTH_BASE = [
  3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 15, 17, 19, 23, 27, 31, 35, 43, 51, 59, 67, 83, 99, 115, 131, 163, 195, 227, 258,
];
const LENGTH_EXTRA = [0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5, 0];
const DISTANCE_BASE = [
  1, 2, 3, 4, 5, 7, 9, 13, 17, 25, 33, 49, 65, 97, 129, 193, 257, 385, 513, 769, 1025, 1537, 2049, 3073, 4097, 6145,
  8193, 12289, 16385, 24577,
];
const DISTANCE_EXTRA = [
  0, 0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6, 7, 7, 8, 8, 9, 9, 10, 10, 11, 11, 12, 12, 13, 13,
];
const LENGTH_CODES = 286;
const DISTANCE_CODES = 30;
const CODE_LENGTH_ORDER = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15]; // 3.2.7

/**
 * Inflate a payload that ends in a stored block of one byte, with no block marked final.
 * @param {Uint8Array} payload
 * @param {Uint8Array} window what came before, which the payload may point back into; may be empty
 * @param {number} most bytes that it may inflate to
 * @param {number} reach the greatest distance allowed
 * @returns {Uint8Array} the window and then what the payload holds: the latter begins at window.length
 * @throws {InflateError} for anything else
 */
export function inflate(payload, window, most, reach) {
  const out = new Uint8Array(window.length + most);
  out.set(window);
  const bits = new Bits(payload);
  let at = window.length;
  let endsInOneByte = false;
  while (!bits.atEnd) {
    if (bits.take(1)) throw new InflateError("the payload holds a final block");
    const kind = bits.take(2);
    const before = at;
    if (kind === 0) at = stored(bits, out, at);
    else if (kind === 1) at = coded(bits, out, at, FIXED_LENGTHS, FIXED_DISTANCES, reach);
    else if (kind === 2) at = coded(bits, out, at, ...readCodes(bits), reach);
    else throw new InflateError("the payload is not deflate: there is no fourth kind of block");
    endsInOneByte = kind === 0 && at - before === 1;
  }
  if (!endsInOneByte) throw new InflateError("the payload does not end in a stored byte");
  return out.subarray(0, at);
}

/** Bits of bytes, the least significant first. */
class Bits {
  constructor(data) {
    this.data = data;
    this.next = 0; // the next byte to be fetched
    this.held = 0;
    this.count = 0; // bits held
  }

  get atEnd() {
    return this.count === 0 && this.next === this.data.length;
  }

  /** Up to 15 bits are held afterwards, fewer at the end; what is beyond them reads as zeros. */
  fetch() {
    while (this.count < MOST_BITS && this.next < this.data.length) {
      this.held |= this.data[this.next++] << this.count;
      this.count += 8;
    }
  }

  drop(count) {
    if (count > this.count) throw new InflateError("the payload is not deflate: it ends within a block");
    this.held >>>= count;
    this.count -= count;
  }

  take(count) {
    this.fetch();
    const value = this.held & ((1 << count) - 1);
    this.drop(count);
    return value;
  }

  /** The place of the next whole byte; what is left of the one before is dropped. */
  toByte() {
    const at = this.next - (this.count >> 3);
    this.held = this.count = 0;
    return at;
  }
}

/** 3.2.2: a code by the lengths of its symbols, as they are counted and sorted, and a table for the short ones. */
class Code {
  constructor(lengths, mayBeIncomplete) {
    this.counts = new Uint16Array(MOST_BITS + 1);
    for (const length of lengths) this.counts[length]++;
    this.counts[0] = 0;
    this.fast = new Uint16Array(1 << FAST_BITS); // symbol x 16 + length; 0: not a short code
    this.symbols = new Uint16Array(lengths.length); // in the order of their codes

    const first = new Uint16Array(MOST_BITS + 2);
    const next = new Uint16Array(MOST_BITS + 2);
    let free = 1;
    let longest = 0;
    for (let length = 1; length <= MOST_BITS; length++) {
      free = 2 * free - this.counts[length];
      if (free < 0) throw new InflateError("the payload is not deflate: too many codes");
      if (this.counts[length]) longest = length;
      first[length + 1] = first[length] + this.counts[length];
      next[length + 1] = (next[length] + this.counts[length]) << 1;
    }
    // A code of one symbol, or of none, is allowed to leave the others open (3.2.7, as zlib reads it).
    if (free > 0 && longest > (mayBeIncomplete ? 1 : -1)) {
      throw new InflateError("the payload is not deflate: too few codes");
    }
    lengths.forEach((length, symbol) => {
      if (length === 0) return;
      this.symbols[first[length]++] = symbol;
      const code = reversed(next[length]++, length);
      if (length > FAST_BITS) return;
      for (let at = code; at < 1 << FAST_BITS; at += 1 << length) this.fast[at] = (symbol << 4) | length;
    });
  }

  symbol(bits) {
    bits.fetch();
    const found = this.fast[bits.held & ((1 << FAST_BITS) - 1)];
    if (found) {
      bits.drop(found & 15);
      return found >> 4;
    }
    // Codes of one length are neighbours; those of the next begin after them, doubled.
    let code = 0;
    let first = 0;
    let before = 0;
    for (let length = 1; length <= MOST_BITS; length++) {
      code |= (bits.held >>> (length - 1)) & 1;
      const count = this.counts[length];
      if (code - count < first) {
        bits.drop(length);
        return this.symbols[before + code - first];
      }
      before += count;
      first = (first + count) << 1;
      code <<= 1;
    }
    throw new InflateError("the payload is not deflate: a code that stands for nothing");
  }
}

function reversed(code, length) {
  let out = 0;
  for (let bit = 0; bit < length; bit++) out |= ((code >> bit) & 1) << (length - 1 - bit);
  return out;
}

// 3.2.6
const FIXED_LENGTHS = new Code(
  Array.from({ length: 288 }, (_, symbol) => (symbol < 144 ? 8 : symbol < 256 ? 9 : symbol < 280 ? 7 : 8)),
  false,
);
const FIXED_DISTANCES = new Code(new Array(32).fill(5), false);

/** 3.2.7: the two codes of a block that brings its own. */
function readCodes(bits) {
  const lengthCodes = bits.take(5) + 257;
  const distanceCodes = bits.take(5) + 1;
  const codeLengths = bits.take(4) + 4;
  if (lengthCodes > LENGTH_CODES || distanceCodes > DISTANCE_CODES) {
    throw new InflateError("the payload is not deflate: too many symbols");
  }
  const own = new Array(CODE_LENGTH_ORDER.length).fill(0);
  for (const symbol of CODE_LENGTH_ORDER.slice(0, codeLengths)) own[symbol] = bits.take(3);
  const code = new Code(own, false);
  const lengths = [];
  while (lengths.length < lengthCodes + distanceCodes) {
    const symbol = code.symbol(bits);
    let value = 0;
    let times = 1;
    if (symbol < 16) value = symbol;
    else if (symbol === 16) {
      if (lengths.length === 0) throw new InflateError("the payload is not deflate: nothing to repeat");
      value = lengths[lengths.length - 1];
      times = 3 + bits.take(2);
    } else times = symbol === 17 ? 3 + bits.take(3) : 11 + bits.take(7);
    for (; times > 0; times--) lengths.push(value);
  }
  if (lengths.length > lengthCodes + distanceCodes)
    throw new InflateError("the payload is not deflate: too many lengths");
  if (lengths[END_OF_BLOCK] === 0) throw new InflateError("the payload is not deflate: a block without an end");
  return [new Code(lengths.slice(0, lengthCodes), true), new Code(lengths.slice(lengthCodes), true)];
}

/** 3.2.4 */
function stored(bits, out, at) {
  const { data } = bits;
  const head = bits.toByte();
  const length = data[head] | (data[head + 1] << 8);
  const inverse = data[head + 2] | (data[head + 3] << 8);
  const end = head + 4 + length;
  if (end > data.length || (length ^ inverse) !== 0xffff) {
    throw new InflateError("the payload is not deflate: a stored block without its length");
  }
  if (at + length > out.length) throw new InflateError("the payload inflates to more than it may");
  out.set(data.subarray(head + 4, end), at);
  bits.next = end;
  return at + length;
}

/** 3.2.3: symbols up to the end of the block. Returns where the next byte goes. */
function coded(bits, out, at, lengths, distances, reach) {
  for (;;) {
    const symbol = lengths.symbol(bits);
    if (symbol === END_OF_BLOCK) return at;
    if (symbol < END_OF_BLOCK) {
      if (at === out.length) throw new InflateError("the payload inflates to more than it may");
      out[at++] = symbol;
      continue;
    }
    if (symbol >= LENGTH_CODES) throw new InflateError("the payload is not deflate: a length that does not exist");
    const which = symbol - END_OF_BLOCK - 1;
    const length = LENGTH_BASE[which] + bits.take(LENGTH_EXTRA[which]);
    const far = distances.symbol(bits);
    if (far >= DISTANCE_CODES) throw new InflateError("the payload is not deflate: a distance that does not exist");
    const distance = DISTANCE_BASE[far] + bits.take(DISTANCE_EXTRA[far]);
    if (distance > at || distance > reach) throw new InflateError("the payload is not deflate: it points back too far");
    if (at + length > out.length) throw new InflateError("the payload inflates to more than it may");
    // Byte by byte: what is copied may be what this very copy writes.
    for (const end = at + length; at < end; at++) out[at] = out[at - distance];
  }
}
