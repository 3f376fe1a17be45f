/* The song, played from the samples that were analysed, and where it is heard now.
 *
 * The position comes from the audio clock less what the output still holds back, never from counted frames. Slower
 * playback is lower in pitch, as a slowed record is: nothing is resampled twice and the clock stays exact.
 */

const AHEAD_S = 0.2; // clicks are handed to the audio clock this long before they sound

export class Sound {
  constructor() {
    this.context = null;
    this.buffer = null;
    this.source = null;
    this.from = 0; // second of the song where play began
    this.began = 0; // second of the audio clock at which it did
    this.still = 0; // where it stands while it is not playing, s
    this.rate = 1;
    this.loop = null; // [from, to] s
    this.trim = 0; // s that the page is told to be later
    this.beats = []; // [[s, is a bar line], ...]: where clicks fall
    this.clicks = false;
    this.volume = 1;
    this.ended = () => {};
  }

  get playing() {
    return this.source !== null;
  }

  /** Load once; called in a click, since browsers start no sound without one. Throws if it cannot be played here. */
  async ready(url) {
    this.context ??= new AudioContext({ latencyHint: "interactive" });
    if (this.context.state === "suspended") await this.context.resume();
    if (this.buffer === null) {
      const answer = await fetch(url);
      if (!answer.ok) throw new Error("the server does not give the sound");
      this.buffer = await this.context.decodeAudioData(await answer.arrayBuffer());
    }
  }

  forget() {
    this.stop();
    this.buffer = null;
  }

  /** Play from a second of the song. */
  play(from) {
    this.stop();
    const { context } = this;
    this.gain ??= context.createGain();
    this.gain.gain.value = this.volume;
    this.gain.connect(context.destination);
    const source = context.createBufferSource();
    source.buffer = this.buffer;
    source.playbackRate.value = this.rate;
    if (this.loop) {
      source.loop = true;
      [source.loopStart, source.loopEnd] = this.loop;
      if (from < this.loop[0] || from >= this.loop[1]) [from] = this.loop;
    }
    source.connect(this.gain);
    this.from = from;
    this.began = context.currentTime + 0.03;
    source.start(this.began, from);
    source.onended = () => {
      if (this.source !== source) return;
      this.stop();
      this.ended();
    };
    this.source = source;
    this.clicked = from;
    this.timer = setInterval(() => this.scheduleClicks(), 40);
    this.scheduleClicks();
  }

  /** Stop where it is heard now. */
  stop() {
    if (!this.source) return;
    this.still = this.position();
    const { source } = this;
    this.source = null;
    clearInterval(this.timer);
    source.onended = null;
    source.stop();
    source.disconnect();
  }

  /** Take up a new speed or loop, where it is. */
  again() {
    if (this.playing) this.play(this.position());
  }

  /** The second of the song that is heard now. */
  position() {
    if (!this.source) return this.still;
    const late = (this.context.outputLatency || 0) + this.trim;
    return this.folded(this.from + Math.max(0, this.context.currentTime - late - this.began) * this.rate);
  }

  /** A second counted on from where play began, taken back into the loop. */
  folded(second) {
    if (!this.loop || second < this.loop[1]) return Math.min(second, this.buffer.duration);
    const [from, to] = this.loop;
    return from + ((second - from) % (to - from));
  }

  scheduleClicks() {
    if (!this.source || !this.clicks) {
      this.clicked = null;
      return;
    }
    const now = this.from + (this.context.currentTime - this.began) * this.rate;
    const until = now + AHEAD_S * this.rate;
    for (const [second, high] of this.beatsBetween(this.clicked ?? now, until)) {
      this.click(this.began + (second - this.from) / this.rate, high);
    }
    this.clicked = until;
  }

  /** Beats counted on from where play began, loops unrolled. */
  *beatsBetween(from, to) {
    const [start, end] = this.loop ?? [0, Infinity];
    const length = end - start;
    const turns = this.loop ? Math.max(0, Math.floor((to - start) / length)) : 0;
    for (let turn = 0; turn <= turns; turn++) {
      const shift = turn ? turn * length : 0;
      for (const [second, high] of this.beats) {
        if (this.loop && (second >= end - 1e-4 || (turn && second < start))) continue;
        if (second + shift >= from && second + shift < to) yield [second + shift, high];
      }
    }
  }

  click(when, high) {
    const { context } = this;
    const tone = context.createOscillator();
    const gain = context.createGain();
    tone.frequency.value = high ? 1760 : 1175;
    gain.gain.setValueAtTime(0.5, when);
    gain.gain.exponentialRampToValueAtTime(0.001, when + 0.05);
    tone.connect(gain).connect(context.destination);
    tone.start(when);
    tone.stop(when + 0.06);
  }
}
