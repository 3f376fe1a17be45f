/* The bars as they were rendered: rolls, amperes, pictures. Fetched when they are wanted, and kept by their id. */

import { getPacket } from "./api.js";
import { store } from "./store.js";
import { Roll, RollError } from "../roll.js";

const MOST_KEPT = 400; // bars
const AT_ONCE = 2; // requests: more would only share what the server can do, and the first would come later

export class Pieces {
  #packets = new Map(); // id -> {packet, rolls}, or null while it comes
  #pictures = new Map(); // id -> an image, or null while it comes
  #waiting = []; // what was asked for last comes first: it is what is looked at now
  #urgent = [];
  #under = 0; // requests under way
  #arrived;

  /** arrived(id): called when a packet or a picture has come. */
  constructor(arrived) {
    this.#arrived = arrived;
  }

  /** A bar's packet with its rolls opened; null until it is here. urgent: before all that waits. */
  packet(id, { urgent = false } = {}) {
    const fetchIt = async () => {
      const packet = await getPacket(`piece/${id}`);
      const rolls = new Map();
      for (const { controller, part } of packet.rolls) rolls.set(controller, opened(packet.data[part]));
      return { packet, rolls };
    };
    return this.#had(this.#packets, id, fetchIt, urgent);
  }

  /** A bar's picture: every zone's light, time to the right; null until it is here. */
  picture(id, { urgent = false } = {}) {
    const fetchIt = async () => {
      const answer = await fetch(`api/piece/${id}.png`);
      if (!answer.ok) throw new Error(`no picture of ${id}`);
      return createImageBitmap(await answer.blob());
    };
    return this.#had(this.#pictures, id, fetchIt, urgent);
  }

  #had(kept, id, fetchIt, urgent) {
    const had = kept.get(id);
    if (had !== undefined) {
      kept.delete(id);
      kept.set(id, had);
      return had;
    }
    kept.set(id, null);
    (urgent ? this.#urgent : this.#waiting).push({ kept, id, fetchIt });
    this.#next();
    return null;
  }

  async #next() {
    if (this.#under >= AT_ONCE) return;
    const job = this.#urgent.pop() ?? this.#waiting.pop();
    if (!job) return;
    const { kept, id, fetchIt } = job;
    if (!store.pieces.some((piece) => piece.id === id)) {
      kept.delete(id); // of an earlier score: nobody looks at it any more
      this.#next();
      return;
    }
    this.#under++;
    try {
      kept.set(id, await fetchIt());
      while (kept.size > MOST_KEPT) kept.delete(kept.keys().next().value);
    } catch {
      setTimeout(() => kept.delete(id), 2000); // it may be of an earlier score by now; asked for again if not
      return;
    } finally {
      this.#under--;
      this.#next();
    }
    this.#arrived(id);
  }
}

/** A roll, or null for one that must not be played: it stays dark. */
function opened(data) {
  try {
    return new Roll(data);
  } catch (error) {
    if (error instanceof RollError) return null;
    throw error;
  }
}

/** The piece that holds a time of the song; null outside. */
export function pieceAt(pieces, us) {
  let low = 0;
  let high = pieces.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (pieces[middle].start_us <= us) low = middle;
    else high = middle - 1;
  }
  const piece = pieces[low];
  return piece && piece.start_us <= us && us < piece.end_us ? piece : null;
}

/** The frame of a piece that stands `us` after its start. */
export function frameOf(packet, us) {
  let found = 0;
  for (const [first, frames, start, end] of packet.groups) {
    if (start > us) break;
    found = first + Math.min(frames - 1, Math.floor(((us - start + 1) * frames - 1) / (end - start)));
  }
  return Math.max(0, Math.min(packet.frames - 1, found));
}

/**
 * What every pixel of the rig shows, as the screen's red, green and blue: Uint8Array (pixels x 3).
 * Every colour comes from the server's table: screen[byte + white byte].
 */
export function screenOf(rig, rolls, us, out) {
  const { screen } = rig.data;
  const places = new Map(); // controller -> where its next string begins in its frame
  const frames = new Map();
  for (const { name } of rig.controllers) {
    const roll = rolls?.get(name);
    frames.set(name, roll ? roll.frameAt(us) : null);
    places.set(name, 0);
  }
  for (const { controller, first, pixels, channels, order } of rig.strings) {
    const frame = frames.get(controller);
    let at = places.get(controller);
    places.set(controller, at + pixels * channels);
    let to = 3 * first;
    if (!frame) {
      out.fill(0, to, to + 3 * pixels);
      continue;
    }
    const [red, green, blue, white] = ["r", "g", "b", "w"].map((letter) => order.indexOf(letter));
    for (let pixel = 0; pixel < pixels; pixel++, at += channels, to += 3) {
      const more = white < 0 ? 0 : frame[at + white];
      out[to] = screen[frame[at + red] + more];
      out[to + 1] = screen[frame[at + green] + more];
      out[to + 2] = screen[frame[at + blue] + more];
    }
  }
  return out;
}
