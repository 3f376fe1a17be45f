/* The score as its text: the way out when nothing else is, and often the quickest. */

import { getJson } from "./api.js";
import { make } from "./dom.js";
import { put, store } from "./store.js";
import { edit, told } from "./edits.js";
import { faultsOf } from "./clip_panel.js";

export class TextPanel {
  constructor() {
    this.id = null; // of the text as it is in the file
    this.text = "";
    this.draft = null; // {text, base}: what is typed and not saved, and the text it began from
  }

  opened() {
    told(this.fetch());
  }

  async fetch() {
    const { id, text } = await getJson("score");
    if (id === this.id) return;
    Object.assign(this, { id, text });
    put({ scoreText: text });
  }

  render() {
    if (store.state && store.state.score_id !== this.id) told(this.fetch());
    const { draft } = this;
    const area = make("textarea", {
      id: "score-text",
      "aria-label": "score.toml",
      spellcheck: "false",
      oninput: () => (this.draft = { ends: endsOf(this.text), base: this.id, ...this.draft, text: area.value }),
    });
    area.value = area.defaultValue = draft?.text ?? unixEnds(this.text);
    area.addEventListener("keydown", (event) => {
      if ((event.ctrlKey || event.metaKey) && event.key === "s") {
        event.preventDefault();
        this.save();
      }
    });
    const behind = draft && draft.base !== this.id;
    return [
      make("h2", {}, "score.toml"),
      faultsOf(""),
      area,
      make(
        "div",
        { class: "row" },
        make("button", { id: "save-text", class: "primary", onclick: () => this.save() }, "save"),
        draft ? make("button", { class: "quiet", onclick: () => this.drop() }, "drop what is typed") : null,
        make("small", {}, "saved even with faults, which are then named here"),
      ),
      behind
        ? make(
            "p",
            { class: "over" },
            "The file has changed since you began to type: a save is refused, and kept beside it.",
          )
        : null,
    ];
  }

  async save() {
    const { draft } = this;
    if (!draft) return;
    const text = draft.text.replaceAll("\n", draft.ends);
    if (await edit("edit the text", [{ op: "text", text }], { base: draft.base })) this.drop();
  }

  drop() {
    this.draft = null;
    this.id = null;
    told(this.fetch());
  }
}

// A field of text knows one way to end a line; the file keeps its own.

function endsOf(text) {
  return text.includes("\r\n") ? "\r\n" : "\n";
}

function unixEnds(text) {
  return text.replaceAll("\r\n", "\n");
}
