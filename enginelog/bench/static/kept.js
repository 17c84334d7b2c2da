// Keeps recordings in this browser until they are in the job record, or thrown away: they outlive lost Wi-Fi, a reload, a
// closed tab, and a server that ends before they are attached. While the page records, each second is kept as it comes.
// Photos stay until the check they were taken for is written down. Each bears the job record it was made for: what was
// kept for another one, or before they were told apart, is shown apart and never taken for one of this.

import { ask, isOwn, record } from "./common.js";

const NAME = "enginelog-bench";
const CLIPS = "clips";
const PIECES = "pieces";
const PHOTOS = "photos";
const EARLIER = "takes"; // of version 1: one clip a job

function lay(base, going) {
  if (!base.objectStoreNames.contains(PHOTOS)) base.createObjectStore(PHOTOS, { keyPath: "key" });
  if (base.objectStoreNames.contains(CLIPS)) return; // laid by version 2
  const clips = base.createObjectStore(CLIPS, { keyPath: "key" });
  base.createObjectStore(PIECES, { keyPath: ["key", "index"] });
  if (!base.objectStoreNames.contains(EARLIER)) return;
  going.objectStore(EARLIER).getAll().onsuccess = (event) => {
    for (const clip of event.target.result) clips.put({ ...clip, key: newKey(clip.job), at: Date.now() });
    base.deleteObjectStore(EARLIER);
  };
}

function open() {
  return new Promise((done, failed) => {
    const wanted = indexedDB.open(NAME, 3);
    wanted.onupgradeneeded = () => lay(wanted.result, wanted.transaction);
    wanted.onsuccess = () => done(wanted.result);
    wanted.onerror = wanted.onblocked = () => failed(wanted.error);
  });
}

async function on(mode, act) {
  const shelves = await open();
  try {
    return await new Promise((done, failed) => {
      const going = shelves.transaction([CLIPS, PIECES, PHOTOS], mode);
      const wanted = act(...[CLIPS, PIECES, PHOTOS].map((name) => going.objectStore(name)));
      going.oncomplete = () => done(wanted.result);
      going.onabort = going.onerror = () => failed(going.error);
    });
  } finally {
    shelves.close();
  }
}

// Whether anything was ever kept. Looking must not lay the shelves: a page that is left in the middle of that, and put
// aside by the browser for its back button, would hold them closed for the pages after it.
async function anything() {
  return !indexedDB.databases || (await indexedDB.databases()).some((each) => each.name === NAME);
}

async function quietly(mode, act, otherwise) {
  try {
    if (mode === "readonly" && !(await anything())) return otherwise;
    return await on(mode, act);
  } catch {
    return otherwise; // this browser keeps nothing (a private window, no room)
  }
}

export function newKey(job) {
  return `${job}-${Date.now()}-${Math.random().toString(36).slice(2, 8)}`;
}

const piecesOf = (key) => IDBKeyRange.bound([key, 0], [key, Number.MAX_SAFE_INTEGER]);

/** Keep {key, record, job, machine, name, blob, stage, conditions, at, id}; false where this browser keeps nothing. */
export async function keep(clip) {
  const put = (clips, pieces) => {
    if (clip.blob && !clip.recording) pieces.delete(piecesOf(clip.key)); // whole by now
    return clips.put(clip);
  };
  return (await quietly("readwrite", put, false)) !== false;
}

/** Keep a second of a recording that is still being made: its clip is kept already, without its sound. */
export async function keepPiece(key, index, blob) {
  await quietly("readwrite", (_, pieces) => pieces.put({ key, index, blob }));
}

export async function forget(key) {
  await quietly("readwrite", (clips, pieces) => {
    pieces.delete(piecesOf(key));
    return clips.delete(key);
  });
}

/** The key of a photo that goes to this path. */
export const photoKey = (to) => (record ? `${record}:${to}` : to);

/** Keep {key, record, to, once, at, blob}: a photo and the mark of the form it was chosen in; false where nothing is
 * kept here. */
export async function keepPhoto(photo) {
  return (await quietly("readwrite", (_, __, photos) => photos.put(photo), false)) !== false;
}

export async function forgetPhoto(key) {
  await quietly("readwrite", (_, __, photos) => photos.delete(key));
}

export async function keptPhotos() {
  return quietly("readonly", (_, __, photos) => photos.getAll(), []);
}

const of = (job) => (clip) => job === undefined || clip.job === job;

/** What is kept of this job record, of one job or all, the newest first. */
export const kept = (job) => found((clip) => isOwn(clip) && of(job)(clip));

/** A recording that was broken off comes with what there is of it. */
async function found(wanted) {
  const all = await quietly("readonly", (clips) => clips.getAll(), []);
  const mine = all.filter(wanted).sort((a, b) => b.at - a.at);
  return (await Promise.all(mine.map(whole))).filter(Boolean);
}

async function whole(clip) {
  if (!clip.recording) return clip;
  if (await isBeingMade(clip.key)) return null;
  const pieces = await quietly("readonly", (_, shelf) => shelf.getAll(piecesOf(clip.key)), []);
  if (pieces.length) {
    const blob = new Blob(pieces.map((each) => each.blob), { type: clip.type });
    return { ...clip, blob, recording: false, broken: true };
  }
  await forget(clip.key);
  return null;
}

const lockOf = (key) => `enginelog-recording:${key}`;

/** Let every tab know that this recording is being made, until `finished`; a page that ends lets go by itself. */
export function beingMade(key, finished) {
  navigator.locks?.request(lockOf(key), () => finished);
}

async function isBeingMade(key) {
  const { held = [] } = (await navigator.locks?.query()) ?? {};
  return held.some((lock) => lock.name === lockOf(key));
}

/** Where a kept clip is: "here" alone, on the "server" too, or "done": attached or thrown away, to be kept no longer. */
async function whereabouts(clip) {
  if (!clip.id) return "here";
  try {
    const { state } = await ask(`/takes/${clip.id}/state`);
    if (["attached", "discarded"].includes(state)) return "done";
    return state === "arriving" ? "here" : "server";
  } catch (failed) {
    if (failed.status !== 404) return clip.arrived ? "server" : "here";
    return "here"; // the server does not have it any more
  }
}

/** Those that are nowhere else. */
export const onlyHere = async (job) => nowhereElse(await kept(job));

/** Those of another job record, or of an unknown one, that are nowhere else. */
export const apart = async (job) => nowhereElse(await found((clip) => !isOwn(clip) && of(job)(clip)));

/** For which machine a clip was made. */
export function whose({ record: made, machine, job }) {
  return `${machine || "a machine not known"}, job ${job} of ${made ? "another job record" : "a job record not known"}`;
}

/** Those that need not be kept any longer are forgotten. */
async function nowhereElse(clips) {
  const left = [];
  for (const clip of clips) {
    const where = await whereabouts(clip);
    if (where === "done") await forget(clip.key);
    if (where === "here") left.push(clip);
  }
  return left;
}
