/* The tools beside the score: five tabs, one open. */

import { find, make, fill } from "./dom.js";
import { put, store, watch } from "./store.js";
import { ClipPanel } from "./clip_panel.js";
import { SongPanel } from "./song_panel.js";
import { AuditPanel } from "./audit_panel.js";
import { BakePanel } from "./bake_panel.js";
import { TextPanel } from "./text_panel.js";

const SEARCH_MS = 1000;

// What each tab shows of the store.
const SHOWS = {
  clip: "state effects rig chosen range at playing",
  song: "state song at playing taps",
  audit: "state rig audit limiter",
  bake: "state jobs board lamps",
  text: "state scoreText",
};
const NAMES = { clip: "Clip", song: "Song", audit: "Audit", bake: "Bake", text: "Text" };

export class Panel {
  /** page: {view, player, cache}. */
  constructor(page) {
    this.root = find("panel");
    this.panels = {
      clip: new ClipPanel(page),
      song: new SongPanel(page),
      audit: new AuditPanel(page),
      bake: new BakePanel(page),
      text: new TextPanel(page),
    };
    this.tabs = make(
      "div",
      { role: "tablist", "aria-label": "Tools" },
      Object.entries(NAMES).map(([name, label], number) =>
        make(
          "button",
          {
            role: "tab",
            id: `tab-${name}`,
            "aria-controls": "tab-body",
            title: `${label} (${number + 1})`,
            onclick: () => this.open(name),
          },
          label,
        ),
      ),
    );
    this.tabs.addEventListener("keydown", (event) => {
      const names = Object.keys(NAMES);
      const by = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      if (!by) return;
      const next = names[(names.indexOf(store.tab) + by + names.length) % names.length];
      this.open(next);
      find(`tab-${next}`).focus();
    });
    this.body = make("div", { role: "tabpanel", id: "tab-body", tabindex: "-1" });
    // What has been handed on is no longer being typed.
    this.body.addEventListener("change", ({ target }) => (target.defaultValue = target.value), true);
    fill(this.root, this.tabs, this.body);
    watch("tab", () => this.show());
    for (const [name, keys] of Object.entries(SHOWS)) watch(keys, () => store.tab === name && this.refresh());
    this.keyed = 0; // when a key was last pressed here
    this.body.addEventListener("keydown", () => (this.keyed = performance.now()));
    // Nothing is made anew under a finger that is just pressing it.
    this.body.addEventListener("pointerdown", () => (this.pressed = true));
    for (const over of ["pointerup", "pointercancel"]) {
      addEventListener(over, () => setTimeout(() => this.released()));
    }
    this.show();
  }

  open(name) {
    put({ tab: name });
  }

  show() {
    this.pressed = false;
    for (const tab of this.tabs.children) {
      const open = tab.id === `tab-${store.tab}`;
      tab.setAttribute("aria-selected", open);
      tab.tabIndex = open ? 0 : -1;
    }
    this.body.setAttribute("aria-labelledby", `tab-${store.tab}`);
    const panel = this.panels[store.tab];
    panel.opened?.();
    this.render(panel);
  }

  /** Made anew after a change, unless that would take away what someone types; the field that had the focus keeps it. */
  refresh() {
    this.render(this.panels[store.tab]);
  }

  render(panel) {
    if (this.pressed) {
      this.late = true;
      return;
    }
    this.late = false;
    const focus = this.body.contains(document.activeElement) ? document.activeElement : null;
    const typing = focus?.matches("input[type=text], textarea") && focus.value !== focus.defaultValue;
    if (typing) return;
    // A list that is searched by typing would forget what has been typed.
    const rest = focus?.matches("select") ? this.keyed + SEARCH_MS - performance.now() : 0;
    clearTimeout(this.searching);
    if (rest > 0) {
      this.searching = setTimeout(() => this.refresh(), rest);
      return;
    }
    const { scrollTop } = this.body;
    const again = focus && this.finderOf(focus);
    fill(this.body, panel.render());
    this.body.scrollTop = scrollTop;
    if (!focus) return;
    again()?.focus({ preventScroll: true });
    if (!this.body.contains(document.activeElement)) this.body.focus({ preventScroll: true });
  }

  /** What finds an element again when the panel is made anew: by its id, by its name, or else the field it belongs to. */
  finderOf(element) {
    const alike = () => [...this.body.querySelectorAll(element.tagName)].filter((one) => named(one) === named(element));
    const number = alike().indexOf(element);
    const field = element.closest(".field")?.querySelector("[id]")?.id;
    return () => (element.id ? find(element.id) : alike()[number]) ?? (field ? find(field) : null);
  }

  released() {
    this.pressed = false;
    if (this.late) this.refresh();
  }

  /** The keyboard's way in: the first field of the tab. */
  enter() {
    this.body.querySelector("input, select, button, textarea")?.focus();
  }

  addClip() {
    this.open("clip");
    this.panels.clip.add();
  }

  makePhrase(wheres) {
    this.open("clip");
    this.panels.clip.makePhrase(wheres);
  }

  tap(seconds) {
    this.open("song");
    this.panels.song.tap(seconds);
  }
}

/** What a control is called. */
function named(element) {
  return element.getAttribute("aria-label") ?? element.textContent;
}
