/* The rig as an elevation drawing in metres, at night: each pixel glows as its bytes say.
 *
 * Glow is laid by hand into one image a redraw: a small stamp a pixel, added up. Ten thousand pixels stay quick so.
 */

import { inks } from "./ink.js";

const MARGIN = 26; // CSS pixels round the drawing
const CAPTION = 34; // the line with the amperes above it
const UNLIT = [50, 55, 72]; // a pixel that is off, so that the rig can be seen

export class RigView {
  constructor(canvas) {
    this.canvas = canvas;
    this.context = canvas.getContext("2d", { alpha: false, willReadFrequently: true });
    this.rig = null;
    this.marked = null; // name of the zone that is pointed out
    new ResizeObserver(() => this.layOut()).observe(canvas);
  }

  setRig(rig) {
    this.rig = rig;
    // As high as the rig asks for; the style sheet bounds it.
    const [x0, y0, x1, y1] = rig.bounds;
    const shape = (y1 - y0) / Math.max(x1 - x0, 0.5);
    const height = (this.canvas.clientWidth - 2 * MARGIN) * shape + 2 * MARGIN + CAPTION;
    this.canvas.closest("#side").style.setProperty("--night-height", `${Math.round(height)}px`);
    this.layOut();
  }

  /** Point a zone out; null for none. */
  setMarked(zone) {
    if (zone === this.marked) return;
    this.marked = zone;
    this.layOut();
  }

  layOut() {
    const { canvas, rig } = this;
    const ratio = Math.min(2, devicePixelRatio);
    const width = Math.round(canvas.clientWidth * ratio);
    const height = Math.round(canvas.clientHeight * ratio);
    if (!rig || !width || !height) return;
    Object.assign(canvas, { width, height });
    const [x0, y0, x1, y1] = rig.bounds;
    const margin = MARGIN * ratio;
    const across = Math.max(x1 - x0, 0.5);
    const up = Math.max(y1 - y0, 0.5);
    const scale = Math.min((width - 2 * margin) / across, (height - 2 * margin) / up);
    const left = (width - scale * (x0 + x1)) / 2;
    const floor = (height + CAPTION * 0.4 * ratio + scale * (y0 + y1)) / 2;
    const { places } = rig.data;
    this.at = new Int32Array(2 * rig.pixels);
    for (let pixel = 0; pixel < rig.pixels; pixel++) {
      this.at[2 * pixel] = Math.round(left + scale * places[2 * pixel]);
      this.at[2 * pixel + 1] = Math.round(floor - scale * places[2 * pixel + 1]);
    }
    this.ratio = ratio;
    this.scale = scale;
    this.stamp = stampOf(Math.round(ratio * (rig.pixels > 4000 ? 4 : rig.pixels > 1200 ? 7 : 10)), 1.15 * ratio);
    this.drawNight(left, floor);
    this.show(this.shown ?? new Uint8Array(3 * rig.pixels));
  }

  /** What does not change: the night, a measure in metres, the strings as lines, their names. */
  drawNight(left, floor) {
    const { context, canvas, rig, at, ratio, scale } = this;
    const { width, height } = canvas;
    const sky = context.createLinearGradient(0, 0, 0, height);
    sky.addColorStop(0, "#07080d");
    sky.addColorStop(1, "#0d0f17");
    context.fillStyle = sky;
    context.fillRect(0, 0, width, height);
    const metre = rulerStep(scale / ratio);
    const [x0, , x1, y1] = rig.bounds;
    context.strokeStyle = "#1b1e2a";
    context.lineWidth = 1;
    for (let x = Math.ceil(x0 / metre) * metre; x <= x1 + 1e-6; x += metre) {
      line(context, left + scale * x, MARGIN * ratio * 0.5, left + scale * x, height - MARGIN * ratio * 0.6);
    }
    for (let y = Math.ceil(rig.bounds[1] / metre) * metre; y <= y1 + 1e-6; y += metre) {
      line(context, MARGIN * ratio * 0.5, floor - scale * y, width - MARGIN * ratio * 0.5, floor - scale * y);
    }
    context.fillStyle = "#8b8f9f";
    context.font = `italic ${11 * ratio}px ${inks().serif}`;
    context.textAlign = "center";
    for (let x = Math.ceil(x0 / metre) * metre; x <= x1 + 1e-6; x += metre) {
      context.fillText(`${Number(x.toFixed(2))} m`, left + scale * x, height - 5 * ratio);
    }
    context.strokeStyle = "#3a4156";
    for (const { first, pixels } of rig.strings) {
      context.beginPath();
      for (let pixel = first; pixel < first + pixels; pixel++) context.lineTo(at[2 * pixel], at[2 * pixel + 1]);
      context.stroke();
    }
    const image = context.getImageData(0, 0, width, height);
    const zone = rig.zones.find((one) => one.name === this.marked);
    const marked = new Set(zone ? rig.data.zone_pixels.subarray(zone.first, zone.first + zone.pixels) : []);
    for (let pixel = 0; pixel < rig.pixels; pixel++) {
      dot(
        image,
        at[2 * pixel],
        at[2 * pixel + 1],
        marked.has(pixel) ? [90, 130, 215] : UNLIT,
        marked.has(pixel) ? 2 : 1,
      );
    }
    this.night = image;
    this.image = new ImageData(width, height);
  }

  /** rgb: Uint8Array (pixels x 3), the screen's own codes. */
  show(rgb) {
    this.shown = rgb;
    const { night, image, at, stamp, rig } = this;
    if (!night) return;
    const { data, width, height } = image;
    data.set(night.data);
    const { size, weights } = stamp;
    const reach = (size - 1) / 2;
    for (let pixel = 0; pixel < rig.pixels; pixel++) {
      const red = rgb[3 * pixel];
      const green = rgb[3 * pixel + 1];
      const blue = rgb[3 * pixel + 2];
      if (!(red | green | blue)) continue;
      const x0 = at[2 * pixel] - reach;
      const y0 = at[2 * pixel + 1] - reach;
      if (x0 < 0 || y0 < 0 || x0 + size > width || y0 + size > height) continue;
      for (let row = 0; row < size; row++) {
        let to = 4 * ((y0 + row) * width + x0);
        for (let column = 0; column < size; column++, to += 4) {
          const weight = weights[row * size + column];
          if (weight === 0) continue;
          // Clamped bytes stop at 255 by themselves.
          data[to] += (red * weight) >> 8;
          data[to + 1] += (green * weight) >> 8;
          data[to + 2] += (blue * weight) >> 8;
        }
      }
    }
    this.context.putImageData(image, 0, 0);
  }
}

/** How a pixel's light spreads round its place: a full core, and a halo that falls off. 256 is full. */
function stampOf(reach, core) {
  const size = 2 * reach + 1;
  const weights = new Uint16Array(size * size);
  for (let row = 0; row < size; row++) {
    for (let column = 0; column < size; column++) {
      const away = Math.hypot(row - reach, column - reach);
      const halo = Math.max(0, 1 - away / (reach + 0.5));
      const weight = away <= core ? 256 : 256 * Math.max(0, 1 - (away - core)) + 74 * halo ** 3;
      weights[row * size + column] = Math.min(256, Math.round(weight));
    }
  }
  return { size, weights };
}

/** Metres between the lines of the measure: 1, 2 or 5 times a power of ten, some 60 CSS pixels apart. */
function rulerStep(pixelsPerMetre) {
  const wanted = 60 / pixelsPerMetre;
  const power = 10 ** Math.floor(Math.log10(wanted));
  return [1, 2, 5, 10].map((step) => step * power).find((step) => step >= wanted * 0.95);
}

function dot(image, x, y, [red, green, blue], size) {
  for (let row = y; row < y + size; row++) {
    for (let column = x; column < x + size; column++) {
      if (row < 0 || column < 0 || row >= image.height || column >= image.width) continue;
      image.data.set([red, green, blue], 4 * (row * image.width + column));
    }
  }
}

function line(context, x0, y0, x1, y1) {
  context.beginPath();
  context.moveTo(Math.round(x0) + 0.5, Math.round(y0) + 0.5);
  context.lineTo(Math.round(x1) + 0.5, Math.round(y1) + 0.5);
  context.stroke();
}
