/* The score as its text: the way out when nothing else is, and often the quickest. */

import { getJson } from "./api.js";
import { make } from "./dom.js";
import { store } from "./store.js";
import { edit } from "./edits.js";
import { faultsOf } from "./clip_panel.js";

export class TextPanel {
  constructor() {
    this.id = null; // of the text shown
    this.text = "";
  }

  opened() {
    this.fetch();
  }

  async fetch() {
    const got = await getJson("score");
    if (got.id === this.id) return;
    this.id = got.id;
    this.text = got.text;
    if (this.area?.isConnected && this.area.value === this.area.defaultValue)
      this.area.value = this.area.defaultValue = got.text;
  }

  render() {
    if (store.state && store.state.score_id !== this.id) this.fetch();
    this.area = make("textarea", {
      id: "score-text",
      "aria-label": "score.toml",
      spellcheck: "false",
      data: { keep: "1" },
    });
    this.area.value = this.area.defaultValue = this.text;
    this.area.addEventListener("keydown", (event) => {
      if ((event.ctrlKey || event.metaKey) && event.key === "s") {
        event.preventDefault();
        this.save();
      }
    });
    return [
      make("h2", {}, "score.toml"),
      faultsOf(""),
      this.area,
      make(
        "div",
        { class: "row" },
        make("button", { id: "save-text", class: "primary", onclick: () => this.save() }, "save"),
        make("small", {}, "saved even with faults, which are then named here"),
      ),
    ];
  }

  async save() {
    const text = this.area.value;
    this.area.defaultValue = text;
    this.text = text;
    await edit("edit the text", [{ op: "text", text }]);
  }
}
