/* What the page knows and what is chosen on it: one object, and who wants to hear of which part.
 *
 * From the server: state (all of it), show (of state), time (a SongTime of show), song, peaks, rig, effects, audit, jobs.
 * Of this page: chosen (keys of instances, layout.js), range ({from, to, zone} or null), at (beat of the finger when
 * still), playing, snap, barsPerLine, allZones, limiter (null, or a mode to compare with), pieces, tab, loop, taps.
 */

export const store = {
  state: null,
  show: null,
  time: null,
  song: null,
  peaks: null,
  rig: null,
  effects: null,
  audit: null,
  board: null,
  jobs: [],

  chosen: [],
  range: null,
  at: 0,
  playing: false,
  loop: null,
  snap: 1,
  barsPerLine: 4,
  allZones: false,
  limiter: null,
  pieces: [],
  tab: "clip",
  taps: null,
  scoreText: null,
  lamps: null,
};

const watchers = [];

/** Call `run` after any of these keys changed, at once for all that change together. */
export function watch(keys, run) {
  watchers.push({ keys: keys.split(" "), run });
}

/** Change parts of the store. */
export function put(changes) {
  const changed = Object.keys(changes).filter((key) => store[key] !== changes[key]);
  Object.assign(store, changes);
  if (!changed.length) return;
  for (const { keys, run } of watchers) if (keys.some((key) => changed.includes(key))) run();
}

/** The block of the score of this name, as the state describes it. */
export function blockAt(where) {
  const { show } = store;
  if (!show) return null;
  return (
    show.clips.find((clip) => clip.where === where) ??
    show.placings.find((placing) => placing.where === where) ??
    show.master.find((point) => point.where === where) ??
    null
  );
}

/** What is chosen as names of blocks, each once. */
export function chosenWheres() {
  return [...new Set(store.chosen.map((key) => key.split("|")[0]))];
}
