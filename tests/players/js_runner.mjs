/* What the JavaScript decoder makes of files, as lines of JSON for the tests: node js_runner.mjs VERB [FILE ...] */

import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";

import { inflate } from "../../exporters/players/js/inflate.js";
import { Roll, RollError, crc32, faultsOf, shown } from "../../exporters/players/js/roll.js";

const sha256 = (bytes) => createHash("sha256").update(bytes).digest("hex");
const say = (value) => process.stdout.write(JSON.stringify(value) + "\n");
const bytesOf = (hex) => Uint8Array.from(Buffer.from(hex, "hex"));

/** What a player would get: the reason of a refusal, or a hash for each group, null where it is broken. */
function played(data) {
  try {
    const roll = new Roll(data);
    return {
      groups: roll.groups.map((_, number) => {
        try {
          return sha256(roll.group(number));
        } catch (error) {
          if (!(error instanceof RollError)) throw error;
          return null;
        }
      }),
    };
  } catch (error) {
    if (!(error instanceof RollError)) throw error;
    return { refused: error.message };
  }
}

const VERBS = {
  play: (path) => say(played(new Uint8Array(readFileSync(path)))),

  /** Groups entered in the order given, each by a reader that has just been there before. */
  jump: (path, order) => {
    const roll = new Roll(readFileSync(path));
    say(JSON.parse(order).map((number) => sha256(roll.group(number))));
  },

  header: (path) => {
    const { title, controller, songUs, songSha256, frameBytes, strings, supplies, groups } = new Roll(readFileSync(path));
    say({ title, controller, songUs, songSha256, frameBytes, strings, supplies, groups });
  },

  /** {us: [frame's bytes, group and frame or null]} at times of the song. */
  at: (path, times) => {
    const roll = new Roll(readFileSync(path));
    say(JSON.parse(times).map((us) => [Array.from(roll.frameAt(us)), roll.seek(us)]));
  },

  flips: (path) => {
    const data = new Uint8Array(readFileSync(path));
    for (let bit = 0; bit < 8 * data.length; bit++) {
      data[bit >> 3] ^= 1 << (bit & 7);
      say(played(data));
      data[bit >> 3] ^= 1 << (bit & 7);
    }
  },

  cuts: (path) => {
    const data = new Uint8Array(readFileSync(path));
    for (let length = 0; length < data.length; length++) say(played(data.subarray(0, length)));
  },

  many: (...paths) => {
    for (const path of paths) say(played(new Uint8Array(readFileSync(path))));
  },

  faults: (path) => say(faultsOf(new Roll(readFileSync(path)))),

  crc: (text) => say(crc32(new TextEncoder().encode(text))),

  /** Each line of the file: how, frames, frame_bytes, and before, history, arranged in hexadecimal. */
  units: (path) => {
    for (const line of readFileSync(path, "utf-8").trim().split("\n")) {
      const { how, frames, frame_bytes, before, history, arranged } = JSON.parse(line);
      try {
        const got = shown(bytesOf(arranged), how, frames, frame_bytes, bytesOf(before), bytesOf(history));
        say(Buffer.from(got).toString("hex"));
      } catch (error) {
        if (!(error instanceof RollError)) throw error;
        say("broken");
      }
    }
  },

  /** Each line: payload, window (hex), most, reach. */
  inflate: (path) => {
    for (const line of readFileSync(path, "utf-8").trim().split("\n")) {
      const { payload, window, most, reach } = JSON.parse(line);
      const before = bytesOf(window);
      try {
        say(Buffer.from(inflate(bytesOf(payload), before, most, reach).subarray(before.length)).toString("hex"));
      } catch (error) {
        if (error.constructor.name !== "InflateError") throw error;
        say({ refused: error.message });
      }
    }
  },
};

VERBS[process.argv[2]](...process.argv.slice(3));
