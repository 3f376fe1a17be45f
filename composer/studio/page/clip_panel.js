/* The tab of what is chosen: a clip, a trigger, a placing of a phrase; or how to add one. */

import { make } from "./dom.js";
import { blockAt, chosenWheres, put, store } from "./store.js";
import { choice, parameter, read, swatches, text } from "./fields.js";
import { edit, faultText } from "./edits.js";
import { titleOf } from "./layout.js";
import { beatsText, fraction } from "./time.js";

// What is no parameter of an effect, in the shape of the effects table. See composer/SCORE.md.
const row = (key, kind, help, more = {}) => ({ key, kind, help, default: null, low: null, high: null, ...more });
const TIMES = [
  row("bars", "text", '"5", "1-4" or "41-end"'),
  row("at", "text", 'where it starts: "17.3", "83.5s", "section B"'),
  row("for", "pace", 'how long: "2 bars", "1/2 beat", "0.5 s"'),
  row("to", "text", 'where it ends: "21.1", "end - 1 bar"'),
];
const TRIGGER = [
  row("on", "event", "what lays the clip: beats, bars, onsets BAND, a drum, label NAME, midi CH/NOTE", {
    required: true,
  }),
  row("bars", "text", "where; the whole song if left out"),
  row("threshold", "number", "passes over weaker ones; strengths are 0 to 1", { low: 0, high: 1 }),
  row("gap", "pace", "and those nearer to the last one than this"),
  row("every", "whole", "2: every second one", { low: 1 }),
  row("offset", "whole", "from number so-and-so on; the first is 0", { low: 0 }),
  row("shift", "pace", 'so much later: "1/2 beat"'),
];
const PLACING = [
  row("at", "text", "where it starts"),
  row("mirror", "flag", "left for right"),
  row("speed", "choice", "half: it takes twice as long", { default: "normal", choices: ["half", "normal", "double"] }),
  row("seed", "whole", "other choices by lot", { low: 0 }),
  row("colours", "text", '{"ember": "tide"}: one colour for another'),
];
const SHOW = [
  row("title", "text", "the song's name if left out"),
  row("limiter", "choice", '"warn" and "off" bake no show that is over a budget', {
    default: "on",
    choices: ["on", "warn", "off"],
  }),
  row("rate", "number", "frames a second, about; the beats decide exactly"),
  row("seed", "whole", "another number: other choices wherever lots are drawn", { low: 0 }),
];

export class ClipPanel {
  constructor({ view, player }) {
    this.view = view;
    this.player = player;
    this.effect = "hold"; // of the clip that is added next
    this.zone = null;
  }

  render() {
    if (!store.show || !store.effects) return [faultsOf("")];
    const wheres = chosenWheres();
    if (wheres.length > 1) return this.several(wheres);
    const block = wheres.length ? blockAt(wheres[0]) : null;
    if (!block) return this.nothing();
    if ("level" in block) return this.master(block);
    if (block.phrase && !("kind" in block)) return this.placing(block);
    if (block.kind === "placing") return this.placing({ ...block, phrase: block.of });
    return this.block(block);
  }

  // ---- one block --------------------------------------------------------------------------------------------------

  block(block) {
    const trigger = block.kind === "trigger";
    const values = trigger ? block.values.clip : block.values;
    const prefix = trigger ? "clip." : "";
    const set = (key) => (value) =>
      edit(`set ${key} of ${titleOf(block)}`, [{ op: "set", where: block.where, key, value }]);
    const inner = (key) => set(prefix + key);
    const effect = store.effects.effects.find((one) => one.name === block.effect);
    return [
      make("h2", {}, titleOf(block), make("small", {}, ` ${describe(block)}`)),
      faultsOf(block.where),
      ...(trigger ? TRIGGER : TIMES.filter(({ key }) => key in block.values)).map((param) =>
        parameter(param, block.values[param.key], set(param.key), "t"),
      ),
      trigger
        ? parameter(
            TIMES.find(({ key }) => key === "for"),
            values.for,
            inner("for"),
            "t-clip",
          )
        : null,
      parameter({ key: "zone", kind: "zone", help: "", required: true }, values.zone, inner("zone"), "f"),
      field(
        "effect",
        effect?.help ?? "",
        choice(
          store.effects.effects.map((one) => one.name),
          block.effect,
          (value) => this.setEffect(block, prefix, value),
          { id: "f-effect" },
        ),
      ),
      make("h3", {}, block.effect),
      ...(effect?.params ?? []).map((param) => parameter(param, values[param.key], inner(param.key))),
      make("h3", {}, "lying on the others"),
      ...store.effects.common.map((param) => parameter(param, values[param.key], inner(param.key))),
      this.buttons([block.where]),
    ];
  }

  /** Another effect: keys that it does not know go out in the same step. */
  setEffect(block, prefix, name) {
    const to = store.effects.effects.find((one) => one.name === name);
    const from = store.effects.effects.find((one) => one.name === block.effect);
    const known = new Set([...to.params, ...store.effects.common].map((param) => param.key));
    const values = prefix ? block.values.clip : block.values;
    const ops = [{ op: "set", where: block.where, key: `${prefix}effect`, value: name }];
    for (const { key } of from?.params ?? []) {
      if (key in values && !known.has(key)) ops.push({ op: "set", where: block.where, key: prefix + key, value: null });
    }
    edit(`make ${titleOf(block)} a ${name}`, ops);
  }

  placing(placing) {
    const set = (key) => (value) =>
      edit(`set ${key} of ${placing.phrase}`, [{ op: "set", where: placing.where, key, value }]);
    const own = "values" in placing;
    return [
      make("h2", {}, placing.phrase, make("small", {}, ` phrase, placed at ${store.time.address(placing.from)}`)),
      faultsOf(placing.where),
      ...(own ? PLACING.map((param) => parameter(param, placing.values[param.key], set(param.key), "f")) : []),
      own
        ? null
        : make(
            "div",
            { class: "row" },
            make("button", { onclick: () => this.vary(placing) }, "vary this one"),
            make("small", {}, "mirrored, slower, in other colours"),
          ),
      make("h3", {}, "what it holds"),
      this.phraseList(placing.phrase),
      this.buttons([placing.where]),
    ];
  }

  master(point) {
    const set = (key) => (value) =>
      edit(`set the ${key} of the master`, [{ op: "set", where: point.where, key, value }]);
    return [
      make("h2", {}, "Master", make("small", {}, ` at ${store.time.address(point.beat)}`)),
      faultsOf(point.where),
      field("at", "", line(point.written ?? "", set("at"), "f-at")),
      field(
        "level",
        "0 is dark, 1 is all the light; straight from one to the next",
        line(point.level, set("level"), "f-level"),
      ),
      this.buttons([point.where]),
    ];
  }

  /** A placing in [order] has no room for variations: it becomes a block of its own. */
  async vary(placing) {
    const answer = await edit(`vary ${placing.phrase}`, [
      { op: "add", kind: "clip", values: { phrase: placing.phrase }, from: fraction(placing.from) },
      { op: "delete", where: placing.where },
    ]);
    if (answer?.added) put({ chosen: answer.added.map((where) => `${where}|`) });
  }

  several(wheres) {
    return [
      make("h2", {}, `${wheres.length} blocks`),
      make(
        "ul",
        { class: "plain" },
        wheres.map((where) => make("li", {}, nameIn(where))),
      ),
      this.buttons(wheres),
      make(
        "div",
        { class: "row" },
        make("button", { onclick: () => this.makePhrase(wheres) }, "make a phrase of them"),
      ),
      this.naming ? this.namePhrase(wheres) : null,
    ];
  }

  buttons(wheres) {
    const all = (op) => wheres.map((where) => ({ where, ...op }));
    const names = wheres.map(nameIn).join(", ");
    return make(
      "div",
      { class: "row tools" },
      make(
        "button",
        { onclick: () => edit(`move ${names}`, all({ op: "move", by: fraction(-(store.snap || 1)) })) },
        "← earlier",
      ),
      make(
        "button",
        { onclick: () => edit(`move ${names}`, all({ op: "move", by: fraction(store.snap || 1) })) },
        "later →",
      ),
      make("button", { onclick: () => this.copy(wheres) }, "copy"),
      make(
        "button",
        {
          class: "danger",
          onclick: async () => {
            if (await edit(`delete ${names}`, all({ op: "delete" }))) put({ chosen: [] });
          },
        },
        "delete",
      ),
    );
  }

  async copy(wheres) {
    const blocks = wheres.map(blockAt);
    const by =
      Math.max(...blocks.map((one) => one.to ?? one.beat + 1)) - Math.min(...blocks.map((one) => one.from ?? one.beat));
    const answer = await edit(
      `copy ${wheres.map(nameIn).join(", ")}`,
      wheres.map((where) => ({ op: "copy", where, by: fraction(by) })),
    );
    if (answer?.added) put({ chosen: answer.added.map((where) => `${where}|`) });
  }

  // ---- nothing chosen: what can be added --------------------------------------------------------------------------

  nothing() {
    const span = this.span();
    const { time, show } = store;
    const zone = store.range?.zone ?? this.zone ?? show.zones[0];
    const kinds = store.effects.effects;
    return [
      make("h2", {}, "Add a clip"),
      faultsOf(""),
      make(
        "p",
        { class: "hint" },
        `${time.address(span.from)} for ${beatsText(span.to - span.from)}. Drag along an empty stave for another place.`,
      ),
      field(
        "zone",
        "",
        choice(show.zones, zone, (value) => this.setZone(value), { id: "add-zone" }),
      ),
      field(
        "effect",
        kinds.find((one) => one.name === this.effect)?.help ?? "",
        choice(
          kinds.map((one) => one.name),
          this.effect,
          (value) => this.setNext(value),
          { id: "add-effect" },
        ),
      ),
      make(
        "div",
        { class: "row" },
        make("button", { id: "add", class: "primary", onclick: () => this.add() }, "add it"),
        make("button", { onclick: () => this.addTrigger() }, "as a trigger on beats"),
      ),
      make(
        "div",
        { class: "row" },
        make("button", { onclick: () => this.addLevel() }, "a level of the master"),
        make("small", {}, "fades all light, from level to level"),
      ),
      Object.keys(show.phrases).length ? make("h3", {}, "Phrases") : null,
      ...Object.keys(show.phrases).map((name) =>
        make(
          "div",
          { class: "row" },
          make("em", {}, name),
          make(
            "button",
            { onclick: () => edit(`place ${name}`, [{ op: "place", phrase: name, at: fraction(span.from) }]) },
            `place at ${time.address(span.from)}`,
          ),
        ),
      ),
      ...this.doubts(),
      make("h3", {}, "The show"),
      ...SHOW.map((param) =>
        parameter(
          param,
          show[param.key],
          (value) => edit(`set the ${param.key}`, [{ op: "set", where: "", key: param.key, value }]),
          "s",
        ),
      ),
      make("h3", {}, "Colours"),
      ...Object.entries(show.colours).map(([name, { written, screen }]) =>
        make(
          "div",
          { class: "field" },
          make("label", { for: `c-${name}` }, name),
          line(
            written,
            (value) => edit(`colour ${name}`, [{ op: "set", where: "colour", key: name, value }]),
            `c-${name}`,
          ),
          swatches(screen),
        ),
      ),
      this.newColour(),
    ];
  }

  /** What is probably not meant anywhere: no fault, the show is baked all the same. */
  doubts() {
    const { doubts } = store.show;
    if (!doubts?.length) return [];
    const row = (doubt) => {
      const text = `${doubt.where}: ${doubt.what}`;
      const there = blockAt(doubt.block) !== null;
      return make(
        "li",
        {},
        there ? make("button", { class: "quiet", onclick: () => this.chooseIn(doubt.block) }, text) : text,
      );
    };
    return [make("h3", {}, "Probably not meant"), make("ul", { class: "plain marks" }, doubts.map(row))];
  }

  newColour() {
    const name = make("input", {
      type: "text",
      class: "middle",
      placeholder: "a name",
      "aria-label": "name of a new colour",
    });
    const colour = make("input", { type: "color", value: "#ff6a00", "aria-label": "the new colour" });
    const add = () =>
      edit(`name a colour ${name.value}`, [
        { op: "set", where: "colour", key: name.value.trim(), value: colour.value },
      ]);
    return make("div", { class: "row" }, name, colour, make("button", { onclick: add }, "name it"));
  }

  setZone(zone) {
    this.zone = zone;
    if (store.range) put({ range: { ...store.range, zone } });
  }

  setNext(effect) {
    this.effect = effect;
    put({ range: store.range ? { ...store.range } : null });
  }

  /** From where to where a new clip goes: the range, else the bar at the finger. */
  span() {
    return store.range ?? store.time.bar(this.player.beat());
  }

  async add() {
    const span = this.span();
    const zone = store.range?.zone ?? this.zone ?? store.show.zones[0];
    const op = {
      op: "add",
      kind: "clip",
      values: { zone, effect: this.effect },
      from: fraction(span.from),
      to: fraction(span.to),
    };
    this.chooseAdded(await edit(`add ${this.effect}`, [op]));
  }

  async addTrigger() {
    const span = this.span();
    const zone = store.range?.zone ?? this.zone ?? store.show.zones[0];
    const values = { on: "beats", clip: { zone, effect: this.effect, for: "1 beat" } };
    const op = { op: "add", kind: "trigger", values, from: fraction(span.from), to: fraction(span.to) };
    this.chooseAdded(await edit("add a trigger", [op]));
  }

  /** A level of the master at the finger; they stand in the order of time. */
  async addLevel() {
    const beat = this.player.beat();
    const op = { op: "add", kind: "master", values: { level: 1 }, from: fraction(beat) };
    const before = store.show.master.filter((point) => point.beat < beat).at(-1);
    this.chooseAdded(await edit("add a level", [before ? { ...op, after: before.where } : op]));
  }

  chooseAdded(answer) {
    if (!answer?.added) return;
    put({ chosen: answer.added.map((where) => `${where}|`), range: null });
    this.view.focusBlock(store.chosen[0]);
  }

  // ---- phrases ----------------------------------------------------------------------------------------------------

  phraseList(phrase) {
    const inside = (store.show.phrases[phrase] ?? []).map(blockAt).filter(Boolean);
    return make(
      "ul",
      { class: "plain" },
      inside.map((clip) =>
        make(
          "li",
          {},
          make(
            "button",
            { class: "quiet", onclick: () => this.chooseIn(clip.where) },
            clip.zone ? `${titleOf(clip)} on ${clip.zone}` : titleOf(clip),
          ),
        ),
      ),
    );
  }

  chooseIn(where) {
    const found = this.view.instances.find((one) => one.where === where);
    put({ chosen: [found?.key ?? `${where}|`] });
  }

  makePhrase(wheres) {
    this.naming = wheres;
    put({ chosen: [...store.chosen] });
    requestAnimationFrame(() => document.getElementById("phrase-name")?.focus());
  }

  namePhrase(wheres) {
    const input = make("input", {
      id: "phrase-name",
      type: "text",
      placeholder: "chorus",
      "aria-label": "name of the phrase",
    });
    const done = async () => {
      const name = input.value.trim() || "chorus";
      this.naming = null;
      if (await edit(`make the phrase ${name}`, [{ op: "make_phrase", name, wheres }])) put({ chosen: [] });
    };
    input.addEventListener("keydown", (event) => event.key === "Enter" && done());
    return make("div", { class: "row" }, input, make("button", { class: "primary", onclick: done }, "make it"));
  }
}

function describe(block) {
  const { time } = store;
  const kind =
    block.kind === "trigger"
      ? `trigger, ${block.events ?? 0} times`
      : block.phrase
        ? `in phrase ${block.phrase}`
        : "clip";
  const place = block.phrase ? "" : `, ${time.address(block.from)} to ${time.address(block.to)}`;
  return `${kind}${place}`;
}

function nameIn(where) {
  const block = blockAt(where);
  return block ? titleOf(block) : where;
}

function field(key, help, control) {
  return make(
    "div",
    { class: "field written" },
    make("label", { for: control.id }, key),
    control,
    make("span"),
    help ? make("small", {}, help) : null,
  );
}

function line(value, write, id) {
  const number = typeof value === "number";
  return make("input", {
    id,
    type: "text",
    autocomplete: "off",
    spellcheck: "false",
    value: text(value),
    onchange: (event) => {
      const typed = event.target.value.trim();
      if (typed !== text(value)) write(typed === "" ? null : read(typed, number));
    },
  });
}

/** The faults of a block, or of all for "", and what is probably not meant in it. */
export function faultsOf(where) {
  const ofIt = (list) => (list ?? []).filter((one) => !where || one.block === where);
  const faults = ofIt(store.state?.faults);
  const doubts = where ? ofIt(store.show?.doubts) : [];
  if (doubts.length && !faults.length) {
    return make("p", { class: "hint" }, doubts.map((doubt) => `Probably not meant: ${doubt.what}.`).join(" "));
  }
  if (!faults.length) return null;
  return make(
    "ul",
    { class: "faults" },
    faults.map((fault) => make("li", {}, faultText(fault))),
  );
}
