/* The tab of the audit: what stands at the finger, what the limiter does, and every mark of the whole show. */

import { getJson } from "./api.js";
import { make } from "./dom.js";
import { told } from "./edits.js";
import { put, store } from "./store.js";
import { beatsText } from "./time.js";
import { frameOf, pieceAt } from "./pieces.js";

export class AuditPanel {
  constructor({ player, cache, view }) {
    Object.assign(this, { player, cache, view });
    this.volts = new Map(); // id of a piece -> its lowest volts
    setInterval(() => this.follow(), 250);
  }

  opened() {
    this.follow();
  }

  render() {
    if (!store.show || !store.rig) return [make("p", { class: "hint" }, "There is nothing to audit yet.")];
    this.here = make("div", { class: "here" });
    this.told = "";
    this.follow();
    const { trouble, softens } = store.show;
    return [
      trouble ? make("p", { class: "over" }, trouble) : null,
      softens
        ? make(
            "p",
            { class: "hint" },
            "A bake softens what flashes too often; some seconds after a change this page shows it so, too.",
          )
        : null,
      this.softened(),
      make("h2", {}, "At the finger"),
      this.here,
      ...this.limiter(),
      ...this.whole(),
    ];
  }

  /** The table at the finger, made anew when the finger is elsewhere. */
  follow() {
    if (store.tab !== "audit" || !this.here?.isConnected || !store.rig) {
      if (store.tab === "audit" && this.here && !this.here.isConnected)
        requestAnimationFrame(() => this.here.isConnected && this.follow());
      return;
    }
    const us = this.player.seconds() * 1e6;
    const piece = pieceAt(store.pieces, us);
    const packet = piece && this.cache.packet(piece.id)?.packet;
    if (!packet) return;
    const frame = frameOf(packet, us - piece.start_us);
    const volts = this.voltsOf(piece.id);
    const told = `${piece.id} ${frame} ${volts !== null}`;
    if (told === this.told) return;
    this.told = told;
    const budgets = new Map(store.rig.supplies.map((supply) => [supply.name, supply.budget_a]));
    const count = packet.supplies.length;
    const rows = packet.supplies.map((name, one) => {
      const amps = packet.data.amps[frame * count + one];
      const gain = packet.data.gains[frame * count + one];
      const budget = budgets.get(name) ?? 0;
      return make(
        "tr",
        { class: amps > budget * 1.0001 ? "over" : "" },
        make("th", { scope: "row" }, name),
        make("td", {}, `${amps.toFixed(2)} A`),
        make(
          "td",
          {},
          make("meter", {
            min: "0",
            max: "1",
            low: "0.9",
            high: "1",
            optimum: "0",
            value: budget ? Math.min(1, amps / budget) : 0,
            "aria-label": `${name}: share of its budget`,
          }),
        ),
        make("td", {}, `of ${budget.toFixed(1)} A`),
        make("td", {}, gain < 0.9995 ? `dimmed to ${Math.round(100 * gain)} %` : ""),
      );
    });
    const group = packet.groups.findIndex(([first, frames]) => frame >= first && frame < first + frames);
    const strings = volts
      ? Object.entries(volts.strings).map(([name, { min_v, lowest_v }]) => {
          const least = min_v[Math.max(0, group)];
          return make(
            "tr",
            { class: least < lowest_v ? "over" : "" },
            make("th", { scope: "row" }, name),
            make("td", {}, `${least.toFixed(2)} V`),
            make("td", {}, `chip needs ${lowest_v} V`),
          );
        })
      : [];
    this.here.replaceChildren(
      make("p", { class: "hint" }, `${store.time.address(store.time.beat(us))}, in this frame`),
      make("table", {}, make("tbody", {}, rows)),
      make("p", { class: "hint" }, "lowest volts in this beat"),
      make("table", {}, make("tbody", {}, strings)),
    );
  }

  voltsOf(id) {
    if (!this.volts.has(id)) {
      this.volts.set(id, null);
      getJson(`volts/${id}`).then(
        (got) => this.volts.set(id, got),
        () => setTimeout(() => this.volts.delete(id), 3000),
      );
    }
    return this.volts.get(id);
  }

  softened() {
    const list = store.show.softened ?? [];
    if (!list.length) return null;
    const text = list.map(
      ({ clip, over_beats: beats, opacity }) =>
        `${clip} over ${beatsText(beats)}${opacity < 1 ? `, at ${Math.round(100 * opacity)} %` : ""}`,
    );
    return make("p", { class: "hint" }, `Softened so that it flashes less: ${text.join("; ")}.`);
  }

  limiter() {
    const own = store.show.limiter;
    const now = store.limiter ?? own;
    const look = async (mode) => {
      if (mode === own) {
        put({ limiter: null, pieces: store.show.pieces });
        return;
      }
      const got = await getJson(`pieces?limiter=${mode}`);
      put({ limiter: mode, pieces: Array.isArray(got) ? got : got.pieces });
    };
    return [
      make("h3", {}, "Limiter"),
      make(
        "div",
        { class: "row", role: "group", "aria-label": "look at the show with the limiter" },
        ["on", "off"].map((mode) =>
          make("button", { id: `limiter-${mode}`, "aria-pressed": now === mode, onclick: () => told(look(mode)) }, mode),
        ),
        make("small", {}, store.limiter === null ? `the score says "${own}"` : `to compare; the score says "${own}"`),
      ),
    ];
  }

  whole() {
    const { audit } = store;
    if (!audit?.ready) {
      const share = audit?.share;
      return [
        make("h2", {}, "The whole show"),
        make(
          "p",
          { class: "hint", id: "audit-waiting" },
          `The audit is being made${share ? `: ${Math.round(100 * share)} %` : ""} …`,
        ),
      ];
    }
    const supplies = Object.entries(audit.supplies).map(([name, supply]) =>
      make(
        "tr",
        { class: supply.peak_a > supply.budget_a * 1.0001 ? "over" : "" },
        make("th", { scope: "row" }, name),
        make("td", {}, `${supply.peak_a.toFixed(1)} A`),
        make("td", {}, `of ${supply.budget_a.toFixed(1)} A`),
        make("td", {}, supply.peak_at ? `at ${supply.peak_at}` : ""),
      ),
    );
    const dimmed = Object.entries(audit.supplies)
      .filter(([, supply]) => supply.limited_frames)
      .map(
        ([name, supply]) =>
          `${supply.limited_frames} frames of ${name} are dimmed, at most by ${Math.round(100 * supply.most_dimmed)} %`,
      );
    const { flashes } = audit;
    return [
      make("h2", {}, "The whole show"),
      make("table", {}, make("tbody", {}, supplies)),
      dimmed.length ? make("p", { class: "hint" }, `${dimmed.join("; ")}.`) : null,
      flashes
        ? make(
            "p",
            { class: flashes.ok ? "hint" : "over" },
            `Flashes: at worst ${flashes.worst_per_s} in a second${flashes.ok ? "" : ", too many"}; of red ${flashes.red_worst_per_s}.`,
          )
        : null,
      make("h3", {}, "Marks on the staves"),
      audit.marks.length
        ? make(
            "ul",
            { class: "plain marks" },
            audit.marks.map((mark) => this.mark(mark)),
          )
        : make("p", { class: "hint" }, "None."),
      make(
        "p",
        { class: "hint" },
        "These figures come from a chip table, not from your strings. Fuses, wires and mains are for a person who knows them; local code decides.",
      ),
    ];
  }

  mark(mark) {
    const go = () => {
      const wheres = new Set(mark.wheres);
      this.player.goTo(mark.from);
      put({ chosen: this.view.instances.filter((one) => wheres.has(one.where)).map((one) => one.key) });
    };
    return make(
      "li",
      {},
      make(
        "button",
        { class: "quiet", onclick: go },
        make("b", {}, mark.at),
        ` ${mark.text}`,
        mark.clips.length ? make("em", {}, ` ${mark.clips.slice(0, 3).join(", ")}`) : null,
      ),
    );
  }
}
