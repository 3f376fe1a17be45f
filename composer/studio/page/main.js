/* The studio's page: what is fetched when, and which part hears of it. */

import { PAGE, Refused, Unreachable, getJson, getPacket, listen } from "./api.js";
import { fill, find, make, notice, say } from "./dom.js";
import { faultText, refresh, told } from "./edits.js";
import { put, store, watch } from "./store.js";
import { commandsOf, listenToKeys } from "./commands.js";
import { faultsOf } from "./clip_panel.js";
import { fillHelp } from "./help.js";
import { forgetInks } from "./ink.js";
import { listenToPointer } from "./gestures.js";
import { Panel } from "./panel.js";
import { Pieces } from "./pieces.js";
import { Player } from "./player.js";
import { RigView } from "./rig_view.js";
import { ScoreView } from "./score_view.js";
import { Sound } from "./sound.js";
import { takeJob, takeLamps } from "./bake_panel.js";

const CATCH_UP_MS = 2000;

const page = {};
const small = matchMedia("(max-height: 480px)"); // a phone held sideways: to look at, not to work on

function start() {
  page.cache = new Pieces((id) => {
    page.view.arrived(id);
    page.player.frame();
  });
  page.view = new ScoreView(page.cache, { goTo: (beat) => page.player.goTo(beat) });
  page.rigView = new RigView(find("rig"));
  page.sound = new Sound();
  page.player = new Player(page.sound, page.cache, page.view, page.rigView);
  page.panel = new Panel(page);
  const commands = commandsOf(page);
  listenToKeys(commands);
  fillHelp(commands);
  listenToPointer(page.view, { goTo: (beat) => page.player.goTo(beat) });
  small.addEventListener("change", () => (store.viewOnly = small.matches));
  store.viewOnly = small.matches;
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => (forgetInks(), page.view.retheme()));
  watch("state", () => told(whatChanged()));
  watch("show", dressTitle);
  watch("state", dressFaults);
  watch("chosen", () => page.rigView.setMarked(zoneChosen()));
  find("score").tabIndex = 0;
  // For tests and for the curious; nothing here reads it.
  window.studio = { store, page };
  addEventListener("hashchange", goToAddress);
  load();
}

async function load() {
  try {
    const [effects] = await Promise.all([getJson("effects"), refresh()]);
    put({ effects });
    goToAddress();
  } catch (error) {
    if (!(error instanceof Refused || error instanceof Unreachable)) throw error;
    notice(`The studio's server does not answer: ${error.message}`, { kind: "bad" });
  }
  window.studio.events = listen({
    hello: ({ version }) => {
      heard = version;
      if (version !== store.state?.version) told(refresh());
    },
    changed: heardOfChange,
    audit: () => told(fetchAudit()),
    job: (job) => told(jobTold(job)),
    lamps: (lamps) => takeLamps(lamps),
    hearing: ({ what, share }) => (find("saved").textContent = `${what}: ${Math.round(100 * (share ?? 0))} %`),
    closing: () => window.studio.events.close(),
  });
  setInterval(tellConnection, 1000);
  setInterval(catchUp, CATCH_UP_MS);
}

/** What was told of and did not come, since the server did not answer for a moment, is asked for again. */
function catchUp() {
  if (window.studio.events.readyState !== EventSource.OPEN) return;
  if ((store.state?.version ?? -1) < heard) told(refresh());
  else if (lacking) told(whatChanged());
}

/** Whether what is done here still reaches the files. */
function tellConnection() {
  const there = window.studio.events.readyState === EventSource.OPEN;
  if (there && find("saved").textContent.endsWith("%")) return; // it listens
  const text = there
    ? ""
    : "The studio is stopped. Start it again and open its new address: all that was done is saved.";
  if (find("saved").textContent !== text) find("saved").textContent = text;
}

/** An address after the page's own, such as #17.3, is gone to. */
function goToAddress() {
  const [, bar, beat] = /^#(\d+)(?:\.(\d+))?$/.exec(location.hash) ?? [];
  const found = store.show?.bars.find((one) => one.bar === Number(bar));
  if (found) page.player.goTo(Math.min(found.to - 0.01, found.from + Number(beat ?? 1) - 1));
}

function heardOfChange({ page: by, what, files, version }) {
  heard = Math.max(heard, version);
  if (find("saved").textContent.endsWith("%")) find("saved").textContent = "";
  if (by === PAGE) return; // the answer to this page's own edit brings the state
  const name = files?.join(" and ");
  told(refresh().then(() => name && tellOfChange(by, what, name))); // nameless: the server's own doing, as softening
}

function tellOfChange(by, what, name) {
  const { state } = store;
  if (by) notice(`Another page: ${what}.`);
  else if (state.good) notice(`Changed on disk: ${name}. The page shows it.`);
  else {
    const stays = state.show ? " The page shows the last good show." : "";
    notice(`Changed on disk: ${name}, with faults: ${faultText(state.faults[0])}.${stays}`, { kind: "bad" });
  }
}

let heard = 0; // the newest version that was told of
const had = {}; // the ids of what has been fetched
let lacking = false; // whether any of that failed

/** Fetch what hangs on an id that is new; it is asked for again where that fails. */
async function fetchNew(name, id, fetchIt) {
  if (had[name] === id) return;
  const before = had[name];
  had[name] = id;
  try {
    await fetchIt(before === undefined);
  } catch (error) {
    had[name] = before;
    lacking = true;
    throw error;
  }
}

/** Fetch what hangs on the state and has changed: the rig, the song, the audit. */
async function whatChanged() {
  const { state } = store;
  lacking = false;
  if (!state?.show) return;
  await fetchNew("rig", state.rig_id, async () => {
    put({ rig: await getPacket("rig") });
    page.rigView.setRig(store.rig);
    page.player.frame();
  });
  await fetchNew("song", state.song_id, async (first) => {
    const peaks = getPacket("peaks");
    peaks.catch(() => {}); // where the song fails, too, that says it
    const song = await getJson("song");
    if (!first && song.sha256 !== store.song?.sha256) page.sound.forget();
    put({ song });
    put({ peaks: await peaks });
  });
  if (store.limiter !== null) {
    const got = await getJson(`pieces?limiter=${store.limiter}`);
    put({ pieces: Array.isArray(got) ? got : got.pieces });
  }
  if (had.audit === undefined) await fetchAudit(); // later ones are announced
}

async function fetchAudit() {
  const { state } = store;
  if (!state?.show) return;
  const audit = await getJson("audit");
  if (audit.ready) had.audit = audit.version;
  // Marks of the version before stay until there are new ones.
  put({ audit: audit.ready || !store.audit?.ready ? audit : { ...store.audit, share: audit.share } });
}

async function jobTold(job) {
  takeJob(job);
  if (job.state === "running") return;
  say(`${job.kind}: ${job.state}`);
  if (job.kind === "bake") put({ board: await getJson("board") });
}

function dressTitle() {
  const { show } = store;
  if (!show) return;
  document.title = `${show.title} · Glowscore`;
  find("title").textContent = show.title;
  fill(
    find("subtitle"),
    make("span", {}, show.song_file),
    make(
      "span",
      { class: "tempo", "aria-label": `${show.tempo.toFixed(0)} beats a minute` },
      quarter(),
      ` = ${show.tempo.toFixed(show.tempo % 1 < 0.05 ? 0 : 1)}`,
    ),
    make("span", {}, `${show.beats_per_bar} beats a bar`),
  );
}

/** A quarter note, drawn: few fonts have one that fits. */
function quarter() {
  const space = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(space, "svg");
  svg.setAttribute("viewBox", "0 0 8 16");
  svg.setAttribute("class", "note");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS(space, "path");
  path.setAttribute(
    "d",
    "M6.200 1h1v11.400c-.2 1.600-1.800 2.800-3.600 2.800C2 15.200 1 14.400 1 13.200c0-1.600 1.600-2.800 3.400-2.800.7 0 1.300.1 1.800.4z",
  );
  svg.append(path);
  return svg;
}

function dressFaults() {
  const { state } = store;
  const list = faultsOf("");
  fill(
    find("faults"),
    list
      ? make(
          "p",
          {},
          state.good ? "" : state.show ? "The show has faults; below is the last good one." : "The show has faults.",
        )
      : null,
    list,
    list && state.kept?.length ? make("p", {}, `Kept beside it: ${state.kept.join(", ")}`) : null,
  );
}

function zoneChosen() {
  const keys = new Set(store.chosen);
  return page.view.instances.find((one) => keys.has(one.key))?.zone ?? null;
}

start();
