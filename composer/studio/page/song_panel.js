/* The tab of what was heard: the beats corrected, sections named, labels tapped. All of it lands in STEM.fix.toml. */

import { make } from "./dom.js";
import { put, store } from "./store.js";
import { edit, fix } from "./edits.js";
import { choice } from "./fields.js";
import { clock, fraction } from "./time.js";

const ABOVE = ["double", "half", "off-beat"]; // "twice as many", "half as many", "the off-beats"

export class SongPanel {
  constructor({ player }) {
    this.player = player;
    this.label = "door";
    this.quantise = "";
  }

  render() {
    const { show, state } = store;
    if (!show) return [make("p", { class: "hint" }, "There is no song map yet.")];
    const press = (text, what, op, title, level) =>
      make(
        "button",
        {
          title: title ?? what,
          "aria-pressed": level ? show.fixes.level === level : null,
          onclick: () => fix(what, op()),
        },
        text,
      );
    return [
      make(
        "h2",
        {},
        show.song_file,
        make("small", {}, ` ${show.tempo.toFixed(1)} beats a minute, sure to ${Math.round(100 * show.confidence)}\u00a0%`),
      ),
      show.has_beats === false
        ? make(
            "p",
            { class: "hint" },
            "No clear beat was heard: the clock is even. Give a tempo, or anchors, or beats from a MIDI file.",
          )
        : null,
      state.renumber
        ? make(
            "div",
            { class: "row" },
            make("p", { class: "hint" }, "The bars changed since the score was written."),
            make(
              "button",
              { class: "primary", onclick: () => edit("follow the bars", [{ op: "renumber" }]) },
              "let the score follow",
            ),
          )
        : null,
      make("h3", {}, "Beats"),
      make("p", { class: "hint" }, "Play with clicks (c), and listen whether they fall on the beat."),
      make(
        "div",
        { class: "row" },
        press("−10 ms", "nudge the beats", () => ({ op: "nudge", ms: -10 }), "all beats 10 ms earlier"),
        press("−2 ms", "nudge the beats", () => ({ op: "nudge", ms: -2 })),
        press("+2 ms", "nudge the beats", () => ({ op: "nudge", ms: 2 })),
        press("+10 ms", "nudge the beats", () => ({ op: "nudge", ms: 10 }), "all beats 10 ms later"),
      ),
      make(
        "div",
        { class: "row" },
        press("twice as many", "double the beats", () => ({ op: "double" }), null, "double"),
        press("half as many", "halve the beats", () => ({ op: "halve" }), null, "half"),
        press("the off-beats", "take the off-beats", () => ({ op: "shift", beats: "1/2" }), "half a beat on"),
      ),
      this.alternatives(),
      make("h3", {}, "Bars"),
      make(
        "div",
        { class: "row" },
        press(
          "bar line here",
          "set the bar line",
          () => ({ op: "barline", at: this.player.seconds() }),
          "bar lines fall on the beat nearest to the finger (b)",
        ),
        press("← a beat", "shift the bars", () => ({ op: "shift", beats: "-1" }), "bar lines a beat earlier"),
        press("a beat →", "shift the bars", () => ({ op: "shift", beats: "1" }), "bar lines a beat later"),
      ),
      make("div", { class: "row" }, make("label", { for: "per-bar" }, "beats a bar"), this.perBar(), this.anchor()),
      ...show.fixes.anchors.map((anchor) =>
        make(
          "div",
          { class: "row" },
          make("span", {}, `bar ${anchor.bar} held at ${clock(anchor.at)}`),
          make(
            "button",
            {
              class: "quiet",
              "aria-label": `let go of bar ${anchor.bar}`,
              onclick: () => fix("let an anchor go", { op: "anchor", bar: anchor.bar, at: null }),
            },
            "×",
          ),
        ),
      ),
      make("h3", {}, "Sections"),
      ...this.sections(),
      make("h3", {}, "Labels"),
      ...this.labels(),
      make("h3", {}, "All of it"),
      make(
        "div",
        { class: "row" },
        make(
          "button",
          { class: "danger", onclick: () => fix("clear the corrections", { op: "clear" }) },
          "take all corrections back",
        ),
        make("small", {}, "labels stay; undo brings it back"),
      ),
    ];
  }

  /** What else the ear took the beat for, but for what the buttons above it do. */
  alternatives() {
    const { fixes } = store.show;
    const alternatives = (store.show.alternatives ?? []).filter((level) => !ABOVE.includes(level));
    if (!alternatives.length) return null;
    return make(
      "div",
      { class: "row" },
      make("small", {}, "it may also be:"),
      alternatives.map((level) =>
        make(
          "button",
          {
            "aria-pressed": fixes.level === level,
            onclick: () => fix(`hear it as ${level}`, { op: "level", level: fixes.level === level ? "" : level }),
          },
          level,
        ),
      ),
    );
  }

  perBar() {
    const { fixes, beats_per_bar: heard } = store.show;
    const choices = ["as heard", "2", "3", "4", "5", "6", "7"];
    const write = (value) =>
      fix("set the beats a bar", { op: "beats_per_bar", value: value === "as heard" ? null : Number(value) });
    const select = choice(choices, fixes.beats_per_bar === null ? "as heard" : String(fixes.beats_per_bar), write, {
      id: "per-bar",
    });
    select.title = `heard: ${heard}`;
    return select;
  }

  anchor() {
    const bar = store.time.bar(this.player.beat());
    const input = make("input", {
      type: "text",
      inputmode: "numeric",
      class: "short",
      "aria-label": "number of the bar",
      value: String(bar.bar),
    });
    return [
      make(
        "button",
        {
          title: "hold a bar to the finger's place",
          onclick: () => fix("set an anchor", { op: "anchor", bar: Number(input.value), at: this.player.seconds() }),
        },
        "bar",
      ),
      input,
      make("span", {}, "is here"),
    ];
  }

  // ---- sections ---------------------------------------------------------------------------------------------------

  sections() {
    const { show, time } = store;
    const list = show.sections.map((section) => ({ at: { beat: fraction(section.from) }, name: section.name }));
    const rows = show.sections.map((section, number) =>
      make(
        "div",
        { class: "row" },
        make(
          "button",
          {
            class: "quiet place",
            "aria-label": `${time.address(section.from)}: go to section ${section.name}`,
            onclick: () => this.player.goTo(section.from),
          },
          time.address(section.from),
        ),
        make("input", {
          type: "text",
          class: "middle",
          "aria-label": `name of the section at ${time.address(section.from)}`,
          value: section.name,
          id: `section-${number}`,
          onchange: (event) =>
            fix("rename a section", {
              op: "sections",
              list: list.map((one, at) => (at === number ? { ...one, name: event.target.value.trim() } : one)),
            }),
        }),
        make(
          "button",
          {
            class: "quiet",
            title: "every section of this name takes the new one",
            onclick: () => this.renameAll(section.name, number),
          },
          "all",
        ),
        number
          ? make(
              "button",
              {
                class: "quiet",
                "aria-label": `take the section at ${time.address(section.from)} out`,
                onclick: () =>
                  fix("take a section out", { op: "sections", list: list.filter((_, at) => at !== number) }),
              },
              "×",
            )
          : null,
      ),
    );
    const here = time.snap(this.player.beat(), show.beats_per_bar);
    const add = () => {
      const from = time.bar(this.player.beat()).from;
      const more = [
        ...show.sections.map((section) => [section.from, section.name]).filter(([at]) => Math.abs(at - from) > 1e-6),
        [from, "new"],
      ];
      more.sort((a, b) => a[0] - b[0]);
      fix("start a section", {
        op: "sections",
        list: more.map(([at, name]) => ({ at: { beat: fraction(at) }, name })),
      });
    };
    return [
      ...rows,
      make(
        "div",
        { class: "row" },
        make("button", { onclick: add, title: `at ${time.address(here)}` }, "a section starts at this bar"),
        show.fixes.sections.length
          ? make(
              "button",
              { class: "quiet", onclick: () => fix("return to the sections heard", { op: "sections", list: [] }) },
              "as heard",
            )
          : null,
      ),
    ];
  }

  renameAll(name, number) {
    const to = document.getElementById(`section-${number}`).value.trim();
    fix("rename a section", { op: "section", name, to });
  }

  // ---- labels -----------------------------------------------------------------------------------------------------

  labels() {
    const { show, taps } = store;
    const name = make("input", {
      type: "text",
      id: "label-name",
      "aria-label": "name of the label",
      value: this.label,
      oninput: (event) => (this.label = event.target.value.trim()),
    });
    const quantise = choice(
      ["as tapped", "1 beat", "1/2 beat", "1/4 beat"],
      this.quantise ? `${this.quantise} beat` : "as tapped",
      (value) => (this.quantise = value === "as tapped" ? "" : value.split(" ")[0]),
      { label: "bring taps to the beat" },
    );
    return [
      make("p", { class: "hint" }, "Play, and tap the key t (or the button) where it happens."),
      make("div", { class: "row" }, name, quantise),
      make(
        "div",
        { class: "row" },
        make(
          "button",
          {
            id: "tap",
            class: "primary",
            onpointerdown: () => this.tap(this.player.seconds()),
            onclick: (event) => event.detail === 0 && this.tap(this.player.seconds()),
          },
          "tap",
        ),
        taps?.length
          ? make("button", { id: "keep-taps", onclick: () => this.keep() }, `keep ${taps.length} ${taps.length === 1 ? "tap" : "taps"}`)
          : null,
        taps?.length ? make("button", { class: "quiet", onclick: () => put({ taps: null }) }, "forget them") : null,
      ),
      ...Object.entries(show.labels).map(([label, times]) =>
        make(
          "div",
          { class: "row" },
          make("input", {
            type: "text",
            class: "middle",
            "aria-label": `name of the label ${label}`,
            value: label,
            onchange: (event) =>
              fix("rename a label", { op: "rename_label", name: label, to: event.target.value.trim() }),
          }),
          make("button", { class: "quiet", onclick: () => this.player.goTo(times[0].beat) }, `${times.length} ×`),
          make(
            "button",
            {
              class: "quiet",
              "aria-label": `take the label ${label} out`,
              onclick: () => fix("take a label out", { op: "label", name: label, times: null }),
            },
            "×",
          ),
        ),
      ),
    ];
  }

  tap(seconds) {
    put({ taps: [...(store.taps ?? []), Number(seconds.toFixed(3))] });
  }

  async keep() {
    const op = { op: "label", name: this.label || "door", times: store.taps, add: this.label in store.show.labels };
    if (this.quantise) op.quantise = this.quantise;
    if (await fix(`tap ${op.name}`, op)) put({ taps: null });
  }
}
