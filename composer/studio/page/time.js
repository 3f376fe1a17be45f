/* Musical time <-> microseconds, by the knots that the server supplies, and how both are written.
 *
 * Beats are positions from the first heard beat. Between knots the song is taken as even.
 */

export class SongTime {
  /** knots: [[beat, us], ...], rising. bars: [{bar, from, to, ...}] in order. */
  constructor({ knots, bars }) {
    this.beats = Float64Array.from(knots, (knot) => knot[0]);
    this.times = Float64Array.from(knots, (knot) => knot[1]);
    this.bars = bars;
    this.from = bars[0].from;
    this.to = bars[bars.length - 1].to;
  }

  us(beat) {
    return between(this.beats, this.times, beat);
  }

  beat(us) {
    return between(this.times, this.beats, us);
  }

  /** The bar that holds a beat; the first or last one for beats outside the song. */
  bar(beat) {
    const { bars } = this;
    let low = 0;
    let high = bars.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (bars[middle].from <= beat + 1e-9) low = middle;
      else high = middle - 1;
    }
    return bars[low];
  }

  /** A beat as an address of the score: "17.3", "17.3+1/2". */
  address(beat) {
    const bar = this.bar(beat);
    // A pickup's beats are counted so that its last one leads to bar 1.
    const skipped = bar.bar < 1 ? Math.max(0, Math.ceil(bar.beats) - (bar.to - bar.from)) : 0;
    const within = Math.max(0, beat - bar.from + skipped);
    const whole = Math.floor(within + 1e-6);
    const rest = within - whole;
    return `${bar.bar}.${whole + 1}${rest > 1e-4 ? `+${shortFraction(rest)}` : ""}`;
  }

  /** The nearest multiple of `step` beats from the beat's own bar line. */
  snap(beat, step) {
    if (!step) return beat;
    const bar = this.bar(beat);
    return bar.from + Math.round((beat - bar.from) / step) * step;
  }
}

/** Where x lies on a broken line through (xs, ys), xs rising; straight on beyond its ends. */
function between(xs, ys, x) {
  let low = 0;
  let high = xs.length - 2;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (xs[middle] <= x) low = middle;
    else high = middle - 1;
  }
  return ys[low] + ((x - xs[low]) * (ys[low + 1] - ys[low])) / (xs[low + 1] - xs[low]);
}

/** A number as a fraction that the server reads exactly: "-3/2", "7". Up to 1/960, else six decimals. */
export function fraction(value) {
  for (const below of [1, 2, 3, 4, 6, 8, 12, 16, 24, 48, 96, 960]) {
    const above = Math.round(value * below);
    if (Math.abs(above / below - value) < 1e-6) return below === 1 ? `${above}` : `${above}/${below}`;
  }
  return value.toFixed(6);
}

function shortFraction(value) {
  const text = fraction(value);
  return text.length < 6 ? text : value.toFixed(2);
}

/** 83.512 s -> "1:23.5". */
export function clock(seconds) {
  const tenths = Math.max(0, Math.round(seconds * 10));
  const minutes = Math.floor(tenths / 600);
  return `${minutes}:${((tenths % 600) / 10).toFixed(1).padStart(4, "0")}`;
}

/** Beats as a person says them: "2 beats", "1/2 beat". */
export function beatsText(beats) {
  return `${shortFraction(beats)} beat${Math.abs(beats) > 1 ? "s" : ""}`;
}
