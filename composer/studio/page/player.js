/* Playing: the sound, the finger, the rig, sixty times a second; and the bar of tools above the page. */

import { fill, find, icon, make, notice, say } from "./dom.js";
import { post } from "./api.js";
import { redo, undo } from "./edits.js";
import { frameOf, pieceAt, screenOf } from "./pieces.js";
import { put, store, watch } from "./store.js";
import { SNAPS } from "./commands.js";
import { beatsText, clock } from "./time.js";

const AHEAD_US = 600_000;
const RATES = [0.25, 0.5, 0.75, 1];

export class Player {
  /** sound: Sound. cache: Pieces. view: ScoreView. rigView: RigView. */
  constructor(sound, cache, view, rigView) {
    Object.assign(this, { sound, cache, view, rigView });
    this.rgb = null;
    this.following = true;
    sound.ended = () => this.stopped();
    sound.trim = Number(localStorage.getItem("trim-ms") ?? 0) / 1000;
    view.scroller.addEventListener("wheel", () => (this.following = false), { passive: true });
    view.scroller.addEventListener("touchmove", () => (this.following = false), { passive: true });
    watch("show song", () => this.takeShow());
    watch("rig pieces", () => this.frame());
    this.makeBar();
    watch("state snap barsPerLine playing loop", () => this.dressBar());
  }

  takeShow() {
    const { show, song, time } = store;
    if (!show) return;
    this.sound.still = Math.min(this.sound.still, time.us(time.to) / 1e6);
    if (song) {
      const lines = new Set(song.bars);
      this.sound.beats = song.beats.map((second, number) => [second, lines.has(number)]);
    }
    this.frame();
  }

  seconds() {
    return this.sound.position();
  }

  beat() {
    return store.time.beat(this.seconds() * 1e6);
  }

  /** To a beat, playing on if it plays. */
  goTo(beat) {
    if (!store.show) return;
    const seconds = Math.max(0, store.time.us(beat) / 1e6);
    if (this.sound.playing) this.sound.play(seconds);
    else this.sound.still = seconds;
    this.following = true;
    this.view.reveal(beat);
    put({ at: beat });
    this.frame();
  }

  async toggle() {
    if (!store.show) return;
    if (this.sound.playing) {
      this.sound.stop();
      this.stopped();
      return;
    }
    try {
      await this.sound.ready("api/song.wav");
    } catch (error) {
      notice(`The song cannot be played here: ${error.message}`, { kind: "bad" });
      return;
    }
    const end = store.time.us(store.time.to) / 1e6;
    this.following = true;
    this.sound.play(this.sound.still >= end - 0.05 ? 0 : this.sound.still);
    put({ playing: true });
    this.tick();
  }

  stopped() {
    put({ playing: false });
    this.frame();
  }

  /** One redraw while it plays, and the next. */
  tick() {
    if (!this.sound.playing) return;
    this.frame();
    requestAnimationFrame(() => this.tick());
  }

  /** Draw what stands now: finger, rig, place. */
  frame() {
    const { show, time, rig } = store;
    if (!show) return;
    const us = this.seconds() * 1e6;
    const beat = time.beat(us);
    this.view.point(beat);
    this.follow(beat);
    const at = pieceAt(store.pieces, us);
    const had = at ? this.cache.packet(at.id, { urgent: true }) : null;
    if (at) this.cache.picture(at.id, { urgent: true });
    if (at && this.sound.playing) this.wantNext(at);
    if (rig && this.sound.playing) this.inflateAhead(us);
    if (rig && (had || !at)) {
      this.rgb = this.rgb?.length === 3 * rig.pixels ? this.rgb : new Uint8Array(3 * rig.pixels);
      this.rigView.show(screenOf(rig, had?.rolls, at ? us - at.start_us : 0, this.rgb));
    }
    this.told(beat, us, at, had);
    if (store.lamps?.on) this.stand(us);
    store.at = beat; // not `put`: what hangs on a finger that moves looks for itself
  }

  /** Send what stands here to the lamps: one at a time, some twenty a second. */
  stand(us) {
    const now = performance.now();
    if (this.standing || now - (this.stood ?? 0) < 50 || us === this.stoodAt) return;
    Object.assign(this, { standing: true, stood: now, stoodAt: us });
    const done = () => (this.standing = false);
    post("stand", { us: Math.round(us) }).then(done, done);
  }

  /** Turn the page when the finger comes to another system; not while a hand scrolls. */
  follow(beat) {
    const system = this.view.systemAt(beat);
    if (system === this.followed) return;
    this.followed = system;
    if (this.sound.playing && this.following) this.view.reveal(beat, { smooth: true });
  }

  /** The bars to come are fetched before the finger is there. */
  wantNext(piece) {
    const number = store.pieces.indexOf(piece);
    for (const next of store.pieces.slice(number + 1, number + 4)) this.cache.packet(next.id);
  }

  /** Inflate what is to come, one board a redraw, so that no redraw has to do it for all boards at once. */
  inflateAhead(us) {
    const later = us + AHEAD_US;
    const at = pieceAt(store.pieces, later);
    const rolls = at && this.cache.packet(at.id)?.rolls;
    if (!rolls) return;
    this.turn = ((this.turn ?? 0) + 1) % store.rig.controllers.length;
    rolls.get(store.rig.controllers[this.turn].name)?.frameAt(later - at.start_us);
  }

  told(beat, us, at, had) {
    const place = `${store.time.address(Math.floor(beat * 4 + 1e-6) / 4)}`;
    if (this.place.textContent !== place) this.place.textContent = place;
    const now = clock(us / 1e6);
    if (this.clock.textContent !== now) this.clock.textContent = now;
    let text = "";
    if (had && store.rig) {
      const { packet } = had;
      const frame = frameOf(packet, us - at.start_us);
      const count = packet.supplies.length;
      const budgets = new Map(store.rig.supplies.map((supply) => [supply.name, supply.budget_a]));
      text = packet.supplies
        .map(
          (name, one) =>
            `${name} ${packet.data.amps[frame * count + one].toFixed(1)} / ${budgets.get(name)?.toFixed(1)} A`,
        )
        .join("   ");
    }
    const caption = find("now");
    if (caption.textContent !== text) caption.textContent = text;
  }

  // ---- loop, speed, clicks ----------------------------------------------------------------------------------------

  toggleLoop() {
    if (!store.show) return;
    if (this.sound.loop) {
      this.sound.loop = null;
      this.sound.again();
      put({ loop: null });
      return;
    }
    const { time, range } = store;
    const keys = new Set(store.chosen);
    const chosen = this.view.instances.filter((one) => keys.has(one.key));
    const bar = time.bar(this.beat());
    const span = range ?? (chosen.length ? chosen[0] : bar);
    const seconds = [time.us(span.from) / 1e6, time.us(span.to) / 1e6];
    if (seconds[1] - seconds[0] < 0.1) return;
    this.sound.loop = seconds;
    put({ loop: { from: span.from, to: span.to } });
    if (this.sound.playing) this.sound.again();
    else this.goTo(span.from);
    say(`loop from ${time.address(span.from)} to ${time.address(span.to)}`);
  }

  speed(by) {
    const at = RATES.indexOf(this.sound.rate);
    this.setSpeed(RATES[Math.min(RATES.length - 1, Math.max(0, at + by))]);
  }

  setSpeed(rate) {
    const second = this.sound.position();
    this.sound.rate = rate;
    if (this.sound.playing) this.sound.play(second);
    this.rate.value = String(rate);
  }

  toggleClicks() {
    this.sound.clicks = !this.sound.clicks;
    this.clicks.setAttribute("aria-pressed", this.sound.clicks);
    say(this.sound.clicks ? "clicks on" : "clicks off");
  }

  setTrim(milliseconds) {
    this.sound.trim = milliseconds / 1000;
    localStorage.setItem("trim-ms", milliseconds);
    this.frame();
  }

  // ---- the bar ----------------------------------------------------------------------------------------------------

  makeBar() {
    const tool = (name, label, run, more = {}) =>
      make("button", { class: "tool", "aria-label": label, title: label, onclick: run, ...more }, icon(name));
    this.playButton = tool("play", "play", () => this.toggle(), { id: "play", class: "tool main" });
    this.place = make("output", { id: "place", "aria-label": "bar and beat", "aria-live": "off" }, "1.1");
    this.clock = make("output", { id: "clock", "aria-label": "time", "aria-live": "off" }, "0:00.0");
    this.loopButton = tool("loop", "loop (l)", () => this.toggleLoop(), { "aria-pressed": "false" });
    this.clicks = tool("click", "clicks on the beats (c)", () => this.toggleClicks(), { "aria-pressed": "false" });
    this.rate = make(
      "select",
      { "aria-label": "speed", onchange: (event) => this.setSpeed(Number(event.target.value)) },
      RATES.map((rate) => make("option", { value: String(rate), selected: rate === 1 }, `${rate * 100} %`)),
    );
    this.snap = make(
      "select",
      { "aria-label": "grid", id: "snap", onchange: (event) => put({ snap: SNAPS[event.target.selectedIndex] }) },
      SNAPS.map((snap) => make("option", {}, snap ? beatsText(snap) : "no grid")),
    );
    this.undoButton = tool("undo", "undo (Ctrl Z)", undo, { id: "undo" });
    this.redoButton = tool("redo", "redo (Ctrl Shift Z)", redo, { id: "redo" });
    const trim = make("input", {
      type: "range",
      min: "-150",
      max: "250",
      step: "5",
      value: String(this.sound.trim * 1000),
      "aria-label": "the page later than the sound, milliseconds",
      title: "if light and sound are not together here: the page later (to the right) or earlier",
      oninput: (event) => this.setTrim(Number(event.target.value)),
    });
    fill(
      find("bar"),
      make(
        "span",
        { class: "group" },
        tool("start", "to the start (Home)", () => this.goTo(store.time?.from ?? 0)),
        this.playButton,
      ),
      make("span", { class: "place" }, this.place, this.clock),
      make(
        "span",
        { class: "group" },
        this.loopButton,
        this.clicks,
        make("label", { class: "with" }, "speed ", this.rate),
      ),
      make(
        "span",
        { class: "group edit-only" },
        make("label", { class: "with" }, "grid ", this.snap),
        this.undoButton,
        this.redoButton,
      ),
      make("label", { class: "with trim" }, "trim ", trim),
      make("span", { class: "saved", id: "saved" }),
      make(
        "button",
        { class: "quiet", id: "keys", title: "what the keys do (?)", onclick: () => find("help").showModal() },
        "keys",
      ),
    );
  }

  dressBar() {
    const { state, playing, loop, snap } = store;
    const name = playing ? "pause" : "play";
    this.playButton.replaceChildren(icon(name));
    this.playButton.setAttribute("aria-label", name);
    this.loopButton.setAttribute("aria-pressed", loop !== null);
    this.snap.selectedIndex = SNAPS.findIndex((one) => Math.abs(one - snap) < 1e-9);
    for (const [button, what, word] of [
      [this.undoButton, state?.undo, "undo"],
      [this.redoButton, state?.redo, "redo"],
    ]) {
      if (!what && document.activeElement === button) find("score").focus({ preventScroll: true });
      button.disabled = !what;
      button.title = what ? `${word}: ${what}` : `nothing to ${word}`;
    }
  }
}
