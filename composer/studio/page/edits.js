/* Changing the files, and what happens when that is refused. Every change is the server's: the page shows its answer. */

import { Refused, Unreachable, getJson, post } from "./api.js";
import { notice, say } from "./dom.js";
import { put, store } from "./store.js";
import { SongTime } from "./time.js";

/** Take in a state from the server, unless a newer one is here already. */
export function takeState(state) {
  if (!state || (store.state && state.version < store.state.version)) return;
  const changes = { state };
  if (state.show && (state.show !== store.show || state.song_id !== store.state?.song_id)) {
    changes.show = state.show;
    changes.time = new SongTime(state.show);
    if (store.limiter === null) changes.pieces = state.show.pieces;
  }
  put(changes);
}

/** A fault as one line; what concerns no block of the score names its file. */
export function faultText({ file, where, block, what, hint }) {
  const place = [block ? "" : file, where].filter(Boolean).join(": ");
  return `${place}: ${what}${hint ? ` (did you mean ${hint}?)` : ""}`;
}

const refusals = []; // closes the notices of what was refused: once something was done, they are of yesterday

let waiting = Promise.resolve(); // requests go one after another: each is based on the one before

function inTurn(run) {
  const done = waiting.then(run);
  waiting = done.catch(() => {});
  return done;
}

/**
 * Change the score: a list of operations, all or none, one step of undo. Resolves to the answer, or null if refused.
 * base: id of the text that the change was thought for; the newest one where it does not matter.
 */
export function edit(what, ops, { anyway = false, base = null } = {}) {
  return change(what, () => post("edit", { base: base ?? store.state.score_id, what, ops, anyway }), {
    again: base === null ? () => edit(what, ops, { anyway }) : null,
    anyway: anyway ? null : () => edit(what, ops, { anyway: true, base }),
  });
}

/** Correct what was heard. */
export function fix(what, op) {
  return change(what, () => post("fix", { base: store.state.fixes_id, ...op }), { again: () => fix(what, op) });
}

export function undo({ anyway = false } = {}) {
  return change("undo", () => post("undo", { anyway }), { anyway: () => undo({ anyway: true }) });
}

export function redo() {
  return change("redo", () => post("redo", {}), {});
}

function change(what, send, { again, anyway }) {
  return inTurn(async () => {
    const step = store.state?.[what]; // what is undone or redone
    try {
      const answer = await send();
      takeState(answer.state);
      for (const close of refusals.splice(0)) close();
      say(step ? `${what}: ${step}` : `done: ${what}`);
      return answer;
    } catch (error) {
      if (error instanceof Unreachable) {
        notice(`The server does not answer: ${error.message}. Nothing was changed.`, { kind: "bad" });
        return null;
      }
      if (!(error instanceof Refused)) throw error;
      takeState(error.state);
      refusals.push(explain(what, error, { again, anyway }));
      return null;
    }
  });
}

function explain(what, refused, { again, anyway }) {
  if (refused.kind === "nothing") return notice(`There is nothing to ${what}.`);
  if (refused.kind === "conflict") {
    const kept = refused.kept ? ` What you wrote is kept in ${refused.kept}.` : "";
    const text = `The file was changed elsewhere meanwhile; nothing was written.${kept}`;
    return notice(text, { kind: "bad", actions: again ? { "do it again": again } : {} });
  }
  if (refused.kind === "outside") {
    return notice(`Not undone: ${refused.message}.`, { actions: { "take it back all the same": anyway } });
  }
  if (refused.kind === "faults") {
    const list = refused.faults.map(faultText).join("\n");
    const actions = anyway && refused.text !== null ? { "write it anyway": anyway } : {};
    const why = refused.text !== null ? "it would bring a fault" : "the files have faults, which come first";
    return notice(`Not done (${what}): ${why}.\n${list}`, { kind: "bad", actions });
  }
  const actions = refused.kind === "layout" ? { "to the text": () => put({ tab: "text" }) } : {};
  return notice(`Not done (${what}): ${refused.message}`, { kind: "bad", actions });
}

/** A request that nobody pressed for: what goes wrong with it is said, once. */
export function told(request) {
  request.catch((error) => {
    if (error instanceof Unreachable) return; // the bar says so
    if (!(error instanceof Refused)) throw error;
    notice(error.message, { kind: "bad" });
  });
}

/** Fetch the state anew, and with it whatever hangs on it that has changed. */
export async function refresh() {
  takeState(await getJson("state"));
}
