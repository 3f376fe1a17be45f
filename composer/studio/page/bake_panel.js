/* The tab where rolls are made and carried to the boards. */

import { Refused, Unreachable, getJson, post } from "./api.js";
import { make, notice } from "./dom.js";
import { told } from "./edits.js";
import { put, store } from "./store.js";

export class BakePanel {
  constructor() {
    this.small = false;
    this.ports = null;
  }

  opened() {
    this.look();
  }

  /** What was baked last, and which boards are plugged in. */
  async look() {
    const [board, ports, lamps] = await Promise.allSettled([getJson("board"), getJson("ports"), getJson("lamps")]);
    this.ports = ports.value ?? null;
    if (lamps.value) put({ lamps: lamps.value });
    put({ board: board.value ?? null, jobs: [...store.jobs] });
  }

  render() {
    const running = store.jobs.find((job) => job.state === "running");
    return [
      make("h2", {}, "Bake"),
      make(
        "p",
        { class: "hint" },
        "Renders every frame, limits, writes a roll for each board, reads it back and audits it.",
      ),
      make(
        "div",
        { class: "row" },
        make(
          "button",
          {
            id: "bake",
            class: "primary",
            disabled: Boolean(running) || !store.show,
            onclick: () => this.start("bake", { small: this.small, strict: false, limiter: null }),
          },
          "bake the show",
        ),
        make(
          "label",
          {},
          make("input", {
            type: "checkbox",
            checked: this.small,
            onchange: (event) => (this.small = event.target.checked),
          }),
          " as small as it can be, which takes longer",
        ),
      ),
      ...store.jobs
        .slice(-3)
        .reverse()
        .map((job) => this.job(job)),
      ...this.boards(),
      ...this.loading(running),
      ...this.lamps(),
    ];
  }

  /** What stands at the finger on the lamps themselves, while one composes. */
  lamps() {
    const on = store.lamps?.on ?? false;
    const turn = async () => {
      try {
        put({ lamps: await post("lamps", { on: !on, port: null }) });
      } catch (error) {
        if (!(error instanceof Refused || error instanceof Unreachable)) throw error;
        notice(`The lamps stay ${on ? "as they are" : "dark"}: ${error.message}`, { kind: "bad" });
      }
    };
    const boards = store.lamps?.boards ?? [];
    const says = on
      ? `what stands at the finger, on ${boards.join(", ")}`
      : "what stands at the finger, on the boards that are plugged in";
    return [
      make("h3", {}, "On the lamps"),
      make(
        "div",
        { class: "row" },
        make("button", { id: "lamps", "aria-pressed": on, onclick: turn }, on ? "lamps off" : "lamps on"),
        make("small", {}, says),
      ),
    ];
  }

  async start(what, body) {
    try {
      const { job } = await post(what, body);
      takeJob(job);
    } catch (error) {
      if (!(error instanceof Refused || error instanceof Unreachable)) throw error;
      notice(`Not started: ${error.message}`, { kind: "bad" });
    }
  }

  job(job) {
    const words = { running: job.what, done: "done", failed: "failed", cancelled: "stopped" };
    return make(
      "div",
      { class: `job ${job.state}` },
      make("b", {}, `${job.kind}: ${words[job.state]}`),
      job.state === "running"
        ? make("progress", { max: "1", value: job.share ?? 0, "aria-label": `${job.kind}: progress` })
        : null,
      job.state === "running"
        ? make("button", { class: "quiet", onclick: () => told(post("cancel", { job: job.id })) }, "stop")
        : null,
      job.lines?.length
        ? make("pre", { tabindex: "0", "aria-label": `what ${job.kind} said` }, job.lines.slice(-12).join("\n"))
        : null,
    );
  }

  boards() {
    const { board } = store;
    if (!board?.baked) return [make("h3", {}, "Boards"), make("p", { class: "hint" }, "Nothing is baked yet.")];
    const rows = Object.entries(board.controllers).map(([name, one]) =>
      make(
        "tr",
        { class: one.fits === false ? "over" : "" },
        make("th", { scope: "row" }, name),
        make("td", {}, `${Number((one.roll_bytes / 1000).toPrecision(3))} kB`),
        make("td", {}, one.board_bytes ? `of ${Math.round(one.board_bytes / 1000)} kB` : ""),
        make("td", {}, one.fits === false ? "does not fit" : "fits"),
      ),
    );
    return [
      make("h3", {}, "Boards"),
      board.current ? null : make("p", { class: "hint" }, "The show has changed since this was baked."),
      make("table", {}, make("tbody", {}, rows)),
    ];
  }

  loading(running) {
    const ports = this.ports?.ports ?? [];
    if (this.ports && !this.ports.can_load)
      return [make("h3", {}, "Load"), make("p", { class: "hint" }, "Loading boards is not installed here.")];
    return [
      make("h3", {}, "Load"),
      make("p", { class: "hint" }, ports.length ? "" : "No board is plugged in."),
      ...ports.map(({ port, controller, what }) =>
        make(
          "div",
          { class: "row" },
          make("span", {}, controller ?? what ?? port),
          make(
            "button",
            { disabled: Boolean(running), onclick: () => this.start("load", { controller, port, wiring: false }) },
            "load",
          ),
          make(
            "button",
            { disabled: Boolean(running), onclick: () => this.start("load", { controller, port, wiring: true }) },
            "wiring test",
          ),
        ),
      ),
      make("button", { class: "quiet", onclick: () => this.look() }, "look again"),
    ];
  }
}

/** Take in what the lamps do: {on, boards, why}. */
export function takeLamps(lamps) {
  if (!lamps.on && lamps.why) notice(`The lamps are off: ${lamps.why}`, { kind: "bad" });
  put({ lamps });
}

/** Take in a job as the server tells of it. */
export function takeJob(job) {
  const jobs = store.jobs.filter((one) => one.id !== job.id);
  put({ jobs: [...jobs, job].sort((a, b) => a.id - b.id) });
}
