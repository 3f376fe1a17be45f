/* The sheet: systems one below the other. Only those near the window hold a canvas and their blocks. */

import { fill, find, make } from "./dom.js";
import { drawSystem } from "./stave.js";
import { SIZES, instancesOf, layOut, systemOf, titleOf, xOf } from "./layout.js";
import { chosenWheres, put, store, watch } from "./store.js";
import { inks } from "./ink.js";

const NEAR = 500; // pixels above and below the window that are drawn already

export class ScoreView {
  /** cache: Pieces. goTo(beat): when a mark or a section's name is clicked. */
  constructor(cache, { goTo }) {
    this.cache = cache;
    this.goTo = goTo;
    this.scroller = find("score");
    this.sheet = find("sheet");
    this.holder = find("systems");
    this.finger = find("finger");
    this.instances = [];
    this.layout = { systems: [], height: 0, width: 0 };
    this.drawn = new Map(); // index -> {canvas, context, blocks}
    this.stale = new Set(); // indexes to be drawn again
    this.pending = false;
    this.wanted = null; // key of the block that gets the focus as soon as it is there
    document.addEventListener("focusin", () => (this.wanted = null));
    this.scroller.addEventListener("scroll", () => this.attend(), { passive: true });
    new ResizeObserver(() => this.resized()).observe(this.scroller);
    watch("show barsPerLine allZones", () => this.rebuild());
    watch("pieces song peaks rig", () => this.redraw());
    watch("audit", () => this.remark());
    watch("state", () => this.refault());
    watch("chosen range", () => this.mark());
    watch("loop", () => this.showLoop());
  }

  /** Lay the page out anew; what stands at the top of the window stays there. */
  rebuild() {
    const { show } = store;
    if (!show) {
      this.instances = [];
      this.layout = { systems: [], height: 0, width: 0 };
      this.drawn.clear();
      fill(this.holder, make("p", { class: "waiting" }, "There is no score to show yet: see what is wrong above."));
      return;
    }
    const width = this.holder.clientWidth;
    this.instances = instancesOf(show);
    const before = this.layout;
    this.layout = layOut(show, this.instances, { width, barsPerLine: store.barsPerLine, allZones: store.allZones });
    const same =
      before.systems.length === this.layout.systems.length &&
      before.width === width &&
      before.systems.every((system, at) => system.height === this.layout.systems[at].height);
    const top = this.topOfWindow(before);
    if (!same) {
      if (this.holder.contains(document.activeElement)) this.keepFocus(document.activeElement.dataset.key);
      this.drawn.clear();
      fill(
        this.holder,
        this.layout.systems.map((system) =>
          make("section", {
            class: "system",
            style: { height: `${system.height}px` },
            data: { system: system.index },
            "aria-label": `bars ${system.bars[0].bar} to ${system.bars[system.bars.length - 1].bar}`,
          }),
        ),
      );
    }
    if (!same && top) {
      const system = systemOf(this.layout.systems, top.beat);
      this.scroller.scrollTop = this.holder.offsetTop + system.top + top.below;
    }
    this.dress();
    this.redraw();
    this.attend();
  }

  /** The beat whose system stands at the top of the window, and how far that system is scrolled out; null at the title. */
  topOfWindow({ systems }) {
    const y = this.scroller.scrollTop - this.holder.offsetTop;
    const system = systems.find((one) => y < one.top + one.height);
    return y > 0 && system ? { beat: system.from, below: Math.min(y - system.top, 60) } : null;
  }

  resized() {
    if (this.holder.clientWidth !== this.layout.width) this.rebuild();
    else this.attend();
  }

  /** Blocks and marks of the systems at hand made anew, the drawing left as it is. */
  dress() {
    for (const index of this.drawn.keys()) this.fillBlocks(index);
    this.mark();
  }

  /** Marks alone made anew: blocks stay, so that what is being pressed stays under the pointer. */
  remark() {
    for (const [index, { blocks }] of this.drawn) {
      if (document.activeElement?.matches(".mark")) this.keepFocus();
      for (const mark of blocks.querySelectorAll(".mark")) mark.remove();
      blocks.append(...this.marksOf(this.layout.systems[index]));
    }
  }

  /** Faults came or went: the blocks say so. */
  refault() {
    const faults = JSON.stringify(store.state.faults);
    if (faults === this.faults) return;
    this.faults = faults;
    this.dress();
  }

  redraw(indexes = this.drawn.keys()) {
    for (const index of indexes) this.stale.add(index);
    this.attend();
  }

  /** A bar's picture or amperes came: draw the systems that show it. */
  arrived(id) {
    const bars = store.pieces.filter((piece) => piece.id === id);
    this.redraw(
      this.layout.systems
        .filter((system) => bars.some((bar) => bar.from < system.to && bar.to > system.from))
        .map((system) => system.index),
    );
  }

  /** Hold what is near the window, let go of the rest, draw what is stale: once a frame at most. */
  attend() {
    if (this.pending) return;
    this.pending = true;
    requestAnimationFrame(() => {
      this.pending = false;
      const { scrollTop, clientHeight } = this.scroller;
      const above = scrollTop - this.holder.offsetTop - NEAR;
      const below = above + clientHeight + 2 * NEAR;
      for (const system of this.layout.systems) {
        const near = system.top < below && system.top + system.height > above;
        if (near && !this.drawn.has(system.index)) this.hold(system);
        else if (!near && this.drawn.has(system.index)) this.letGo(system);
      }
      // One system a frame beyond the first keeps scrolling smooth.
      let left = 2;
      for (const index of this.stale) {
        if (!this.drawn.has(index)) this.stale.delete(index);
        else if (left-- > 0) {
          this.stale.delete(index);
          this.draw(index);
        }
      }
      if (this.stale.size) this.attend();
    });
  }

  hold(system) {
    const canvas = make("canvas", { "aria-hidden": "true" });
    const blocks = make("div", { class: "blocks" });
    this.drawn.set(system.index, { canvas, context: canvas.getContext("2d"), blocks });
    fill(this.holder.children[system.index], canvas, blocks);
    this.fillBlocks(system.index);
    this.stale.add(system.index);
  }

  letGo(system) {
    this.drawn.delete(system.index);
    const section = this.holder.children[system.index];
    if (section.contains(document.activeElement)) this.scroller.focus({ preventScroll: true });
    fill(section);
  }

  draw(index) {
    const { canvas, context } = this.drawn.get(index);
    const system = this.layout.systems[index];
    const ratio = Math.min(2, devicePixelRatio);
    const width = Math.round(this.layout.width * ratio);
    const height = Math.round(system.height * ratio);
    if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    const { show, time, song, peaks, rig, pieces } = store;
    const last = index === this.layout.systems.length - 1;
    drawSystem(context, system, { show, time, song, peaks, rig, pieces, cache: this.cache, last });
  }

  // ---- what can be touched ----------------------------------------------------------------------------------------

  fillBlocks(index) {
    const { blocks } = this.drawn.get(index);
    const system = this.layout.systems[index];
    if (blocks.contains(document.activeElement)) this.keepFocus(document.activeElement.dataset.key);
    const faulty = new Map((store.state?.faults ?? []).map((fault) => [fault.block, fault.what]));
    fill(
      blocks,
      system.sections.map((section) => this.sectionName(system, section)),
      system.placings.map((placing) => this.placing(system, placing)),
      system.staves.flatMap((stave) => stave.items.map((item) => this.block(item, faulty.get(item.where)))),
      store.show.master.map((point) => this.levelPoint(system, point)),
      this.marksOf(system),
    );
    if (this.wanted) this.focusBlock(this.wanted);
  }

  /** What has the focus is about to be made anew, or to go: the sheet holds it until a block of this key is there. */
  keepFocus(key = null) {
    this.scroller.focus({ preventScroll: true });
    this.wanted = key;
  }

  block(item, fault) {
    const { clip } = item;
    const { time } = store;
    const name = titleOf(clip);
    const what = clip.kind === "trigger" ? `trigger on ${clip.on}: ${name}` : `${name}: ${clip.effect}`;
    const text = `${what} on ${item.zone}, ${time.address(item.from)} to ${time.address(item.to)}`;
    return make("button", {
      class: `block ${clip.kind} ${item.begins ? "begins" : ""} ${item.ends ? "ends" : ""} ${fault ? "faulty" : ""}`,
      "aria-label": text + (fault ? `; fault: ${fault}` : ""),
      "aria-hidden": item.begins ? null : "true",
      title: fault ?? null,
      tabindex: "-1",
      data: { key: item.key, where: item.where, zone: item.zone },
      style: {
        left: `${item.x}px`,
        top: `${item.top}px`,
        width: `${Math.max(3, item.width)}px`,
        height: `${item.height}px`,
      },
    });
  }

  placing(system, placing) {
    const from = Math.max(placing.from, system.from);
    const x = xOf(system, from);
    const width = xOf(system, Math.min(placing.to, system.to)) - x;
    const begins = placing.from >= system.from - 1e-6;
    return make(
      "button",
      {
        class: `placing ${begins ? "begins" : ""} ${placing.to <= system.to + 1e-6 ? "ends" : ""}`,
        "aria-label": `phrase ${placing.phrase}, placed at ${placing.written}`,
        "aria-hidden": begins ? null : "true",
        tabindex: "-1",
        data: { key: `${placing.where}|`, where: placing.where },
        style: { left: `${x}px`, top: `${placing.top}px`, width: `${width}px` },
      },
      make("span", {}, placing.phrase),
    );
  }

  /** A level of the master, where it stands in this system. */
  levelPoint(system, point) {
    if (point.beat < system.from - 1e-6 || point.beat >= system.to - 1e-6) return null;
    return make("button", {
      class: "level begins",
      "aria-label": `master at ${point.written ?? store.time.address(point.beat)}: level ${point.level}`,
      tabindex: "-1",
      data: { key: `${point.where}|`, where: point.where },
      style: { left: `${xOf(system, point.beat)}px`, top: `${system.levelTop + SIZES.level / 2}px` },
    });
  }

  sectionName(system, section) {
    const x = xOf(system, section.stands);
    return make(
      "button",
      {
        class: "section-name",
        tabindex: "-1",
        "aria-label": `section ${section.name}`,
        data: { from: section.from },
        // A long name at the end of a line stands farther left: the sheet ends there.
        style: { left: `${x}px`, top: "0px", translate: `min(0px, ${this.layout.width - x}px - 100%)` },
      },
      section.name,
    );
  }

  /** Peaks, budgets, volts below; flashes on the stave of their zone. Those of one place stand side by side. */
  marksOf(system) {
    const marks = store.audit?.marks ?? [];
    const signs = { peak: "▲", over: "!", volts: "V", flash: "ϟ" };
    const free = new Map(); // height -> where the next mark may stand
    return marks
      .filter((mark) => mark.from < system.to && mark.from >= system.from)
      .sort((a, b) => a.from - b.from)
      .map((mark) => {
        const stave = system.staves.find((one) => one.zone === mark.zone);
        const y = mark.kind === "flash" ? (stave ?? system.staves[0])?.top - 9 : system.ampsTop + SIZES.amps + 1;
        const x = Math.max(xOf(system, mark.from), free.get(y) ?? 0);
        free.set(y, x + SIZES.mark);
        return make(
          "button",
          {
            class: `mark ${mark.kind}`,
            tabindex: "-1",
            title: mark.text,
            "aria-label": `${mark.kind} at ${mark.at}: ${mark.text}`,
            style: { left: `${x}px`, top: `${y ?? system.ampsTop}px` },
            onclick: () => {
              this.goTo(mark.from);
              const wheres = new Set(mark.wheres);
              put({
                chosen: this.instances.filter((one) => wheres.has(one.where)).map((one) => one.key),
                tab: "audit",
              });
            },
          },
          signs[mark.kind] ?? "!",
        );
      });
  }

  /** Show what is chosen and the range; one block of all can be reached by the tab key. */
  mark() {
    const chosen = new Set(store.chosen);
    const wheres = new Set(chosenWheres());
    for (const { blocks } of this.drawn.values()) {
      for (const block of blocks.querySelectorAll(".block, .placing, .level")) {
        const own = chosen.has(block.dataset.key);
        block.classList.toggle("chosen", own);
        block.classList.toggle("same", !own && wheres.has(block.dataset.where));
        block.setAttribute("aria-pressed", own);
        block.tabIndex = own && block.classList.contains("begins") ? 0 : -1;
      }
    }
    if (!chosen.size) {
      const first = this.holder.querySelector(".block.begins");
      if (first) first.tabIndex = 0;
    }
    this.showRange();
    this.showLoop();
  }

  /** A loop stands between signs of repetition. */
  showLoop() {
    for (const old of this.holder.querySelectorAll(".repeat")) old.remove();
    const { loop } = store;
    if (!loop) return;
    for (const [index, { blocks }] of this.drawn) {
      const system = this.layout.systems[index];
      for (const [side, beat] of Object.entries({ opens: loop.from, closes: loop.to })) {
        const here =
          side === "opens"
            ? beat >= system.from - 1e-6 && beat < system.to - 1e-6
            : beat > system.from + 1e-6 && beat <= system.to + 1e-6;
        if (!here) continue;
        const style = { left: `${xOf(system, beat)}px`, top: `${system.waveTop}px`, height: `${SIZES.wave}px` };
        blocks.append(make("div", { class: `repeat ${side}`, style }));
      }
    }
  }

  showRange() {
    for (const old of this.holder.querySelectorAll(".range")) old.remove();
    const { range } = store;
    if (!range) return;
    for (const [index, { blocks }] of this.drawn) {
      const system = this.layout.systems[index];
      if (range.to <= system.from || range.from >= system.to) continue;
      const stave = system.staves.find((one) => one.zone === range.zone);
      const top = stave ? stave.top : system.waveTop;
      const height = stave ? stave.height : system.bottom - system.waveTop;
      const x = xOf(system, Math.max(range.from, system.from));
      const width = xOf(system, Math.min(range.to, system.to)) - x;
      const style = { left: `${x}px`, top: `${top}px`, width: `${width}px`, height: `${height}px` };
      blocks.append(make("div", { class: "range", style }));
    }
  }

  focusBlock(key) {
    for (const { blocks } of this.drawn.values()) {
      const block = blocks.querySelector(`.begins[data-key="${CSS.escape(key)}"]`);
      if (block) {
        this.wanted = null;
        block.focus({ preventScroll: true });
        return true;
      }
    }
    this.wanted = key;
    return false;
  }

  /** Bring a beat into the window and hold its system at once. */
  reveal(beat, { smooth = false } = {}) {
    const { systems } = this.layout;
    if (!systems.length) return;
    const system = systemOf(systems, beat);
    const top = this.holder.offsetTop + system.top;
    const { scrollTop, clientHeight } = this.scroller;
    if (top >= scrollTop && top + Math.min(system.height, clientHeight) - SIZES.below <= scrollTop + clientHeight)
      return;
    const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
    this.scroller.scrollTo({ top: Math.max(0, top - 14), behavior: smooth && !still ? "smooth" : "instant" });
    if (!this.drawn.has(system.index)) this.hold(system);
    this.mark();
    this.attend();
  }

  systemAt(beat) {
    return this.layout.systems.length ? systemOf(this.layout.systems, beat) : null;
  }

  /** The finger at a beat. It points from above the sound down through the staves. */
  point(beat) {
    const { systems } = this.layout;
    if (!systems.length) return;
    const system = systemOf(systems, beat);
    const x = this.holder.offsetLeft + xOf(system, Math.min(Math.max(beat, system.from), system.to));
    const y = this.holder.offsetTop + system.top + system.waveTop - 6;
    this.finger.style.transform = `translate(${x}px, ${y}px)`;
    const height = `${system.bottom - system.waveTop + 10}px`;
    if (this.finger.style.height !== height) this.finger.style.height = height;
    this.finger.hidden = false;
  }

  retheme() {
    inks();
    this.redraw();
  }
}
