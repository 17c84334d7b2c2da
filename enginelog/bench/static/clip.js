// The clip page: record or choose, then send.

import { clock, lineWith, megabytes, record as own } from "./common.js";
import { apart, beingMade, forget, keep, keepPiece, newKey, onlyHere, whose } from "./kept.js";
import { possible, record, whyNot } from "./recorder.js";
import { send } from "./sending.js";

const form = document.getElementById("clip");
const job = Number(form.dataset.job);
const largest = Number(form.dataset.largest);
const part = (id) => document.getElementById(id);
const SILENT_DB = -85;
const SILENT_S = 4;
const LOUD_S = 2; // so long a clipped moment is spoken of: long enough to be read
let heardAt = 0;
let take = null;
let going = null;
let others = [];
let foreign = [];
const made = () => ({ key: newKey(job), record: own, job, machine: form.dataset.machine, at: Date.now() });

function say(text) {
  part("status").textContent = text;
}

function chosen() {
  const data = new FormData(form);
  return { stage: data.get("stage"), conditions: data.getAll("conditions") };
}

function choose({ stage, conditions = [] }) {
  for (const each of form.querySelectorAll("[name=stage]")) each.checked = each.value === stage;
  for (const each of form.querySelectorAll("[name=conditions]")) each.checked = conditions.includes(each.value);
}

/** Show a clip as the one to send. */
function show(clip) {
  take = clip;
  part("taken").hidden = false;
  part("taken-name").textContent = `${clip.name}, ${clip.machine ? `${clip.machine}, ` : ""}${megabytes(clip.blob.size)}`;
  part("taken-sound").src = URL.createObjectURL(clip.blob);
  const fits = clip.blob.size > 0 && clip.blob.size <= largest;
  part("send").disabled = !fits;
  if (!fits) say(clip.blob.size ? `Too large: at most ${megabytes(largest)} can be sent.` : "This file is empty.");
  listOthers();
  return fits;
}

/** A clip that was just made or chosen. */
async function added(clip) {
  if (take && take.key !== clip.key) {
    if (take.from === "file") await forget(take.key); // chosen by mistake: the phone has it still
    else others.unshift(take);
  }
  if (show(clip)) say((await keep(clip)) ? "Kept in this browser until it is in the job record." : "Keep this page open until it has arrived.");
}

function listOthers() {
  part("held").hidden = !others.length;
  part("held").querySelector("ul").replaceChildren(...others.map(otherLine));
}

function otherLine(clip) {
  return lineWith("li", `${clip.name}, ${megabytes(clip.blob.size)}`, ["Take this one", () => swap(clip)], ["Throw away", () => throwAway(clip)]);
}

function listForeign() {
  part("apart").hidden = !foreign.length;
  part("apart").querySelector("ul").replaceChildren(...foreign.map(foreignLine));
}

function foreignLine(clip) {
  const words = `${clip.name}, ${megabytes(clip.blob.size)}, ${new Date(clip.at).toLocaleDateString()}, for ${whose(clip)}`;
  return lineWith("li", words, ["Take it for this job", () => adopt(clip)], ["Throw away", () => throwAway(clip)]);
}

/** Take a clip of another job record for this job: it stays kept as it was until it is sent. */
function adopt(clip) {
  const { machine } = form.dataset;
  if (!window.confirm(`${clip.name} was made for ${whose(clip)}. Is it a recording of ${machine}, job ${job} here?`)) return;
  foreign = foreign.filter((each) => each !== clip);
  listForeign();
  swap({ ...clip, from: "kept", record: own, job, machine, id: undefined, arrived: false });
}

function swap(clip) {
  others = others.filter((each) => each !== clip);
  if (take) others.unshift(take);
  choose(clip);
  if (show(clip)) say("");
}

async function throwAway(clip) {
  if (!window.confirm(`Throw ${clip.name} away? It is nowhere else.`)) return;
  await forget(clip.key);
  others = others.filter((each) => each !== clip);
  foreign = foreign.filter((each) => each !== clip);
  listOthers();
  listForeign();
}

async function start() {
  const clip = { ...made(), from: "recorder", recording: true, ...chosen() };
  part("start").disabled = true; // until the microphone is there: a second tap would record twice
  try {
    going = await record(meter, (data, index) => keepPiece(clip.key, index, data));
  } catch (failed) {
    return say(`The microphone cannot be used: ${failed.message}. Use the phone's own recorder.`);
  } finally {
    part("start").disabled = false;
  }
  Object.assign(clip, { name: going.name, type: going.type });
  beingMade(clip.key, going.finished);
  keep(clip);
  part("start").hidden = true;
  part("clock").textContent = clock(0);
  heardAt = 0;
  part("stop").hidden = part("meter").hidden = false;
  part("stop").focus();
  say(going.kept.length ? "This phone would not switch off all of its sound processing; strengths are less sure." : "");
  ended(clip, await going.finished);
}

function loudness(seconds, clippedAt) {
  if (clippedAt === null) return "✓ Not clipping";
  if (seconds - clippedAt < LOUD_S) return "✕ Too loud: it clips. Step back, or turn the phone away.";
  return `✓ Not clipping now, last at ${clock(clippedAt)}`;
}

function meter({ seconds, level, clippedAt }) {
  part("clock").textContent = clock(seconds);
  const share = Math.round(Math.min(Math.max((level + 60) / 60, 0), 1) * 100);
  part("level-bar").style.width = `${share}%`;
  part("level").setAttribute("aria-valuenow", share);
  part("level").setAttribute("aria-valuetext", `${Math.round(level)} decibels against full scale`);
  const loud = loudness(seconds, clippedAt);
  part("level").classList.toggle("over", loud.startsWith("✕"));
  if (level >= SILENT_DB) heardAt = seconds;
  const words = seconds - heardAt > SILENT_S ? "✕ Nothing is heard: is the microphone covered, or in use elsewhere?" : loud;
  if (part("clipping").textContent !== words) part("clipping").textContent = words;
}

/** The recording has ended, by a tap or by itself. */
async function ended(clip, blob) {
  const byItself = !going.asked;
  going = null;
  part("stop").hidden = part("meter").hidden = true;
  part("start").hidden = false;
  part("start").textContent = "Record again";
  await added({ ...clip, ...chosen(), blob, recording: false });
  if (byItself) say("The recording ended by itself: the microphone was taken away. What was heard until then is here.");
  part("send").focus();
}

function stop() {
  going.asked = true;
  going.stop();
}

async function sendIt() {
  Object.assign(take, chosen());
  part("send").disabled = true;
  part("sending").hidden = false;
  const announced = async (id) => {
    take.id = id;
    await keep(take);
  };
  try {
    const id = await send(take, announced, (share, words) => {
      part("progress").value = Math.round(share * 100);
      say(words || `${Math.round(share * 100)} % sent`);
    });
    take.arrived = true;
    await keep(take);
    location.assign(`/takes/${id}`);
  } catch (failed) {
    if (failed.ended === "attached") {
      await forget(take.key);
      return location.assign(`/takes/${take.id}`); // leads to its run
    }
    if (failed.ended) delete take.id; // sent again, it is a new one
    const mistake = failed.ended ? ". This page still has it: was that a mistake, send it again." : "";
    say(`Not sent: ${failed.message}${mistake}`);
    part("send").disabled = false;
    part("send").textContent = "Send again";
  }
}

part("can-record").textContent = possible() ? "Echo cancellation, noise suppression and automatic gain are asked to be off." : whyNot();
part("start").hidden = !possible();
part("start").addEventListener("click", start);
part("stop").addEventListener("click", stop);
part("send").addEventListener("click", sendIt);
for (const id of ["file", "camera"]) {
  part(id).addEventListener("change", (event) => {
    const [file] = event.target.files;
    if (file) added({ ...made(), from: id, name: file.name, blob: file, ...chosen() });
    event.target.value = ""; // so that the same file can be chosen again
  });
}
form.addEventListener("submit", (event) => event.preventDefault());
form.addEventListener("change", (event) => {
  if (!take || !["stage", "conditions"].includes(event.target.name)) return;
  Object.assign(take, chosen());
  keep(take);
});
window.addEventListener("beforeunload", (event) => going && event.preventDefault());
apart().then((clips) => {
  foreign = clips;
  listForeign();
});
onlyHere(job).then(([newest, ...more]) => {
  if (!newest) return;
  others.push(...more);
  if (take || going) {
    others.push(newest);
    return listOthers();
  }
  choose(newest);
  if (!show(newest)) return;
  say(newest.broken ? "This recording was broken off. What was heard until then is here: send it, or record again." : "This clip has not arrived yet. Send it again: it goes on where it stopped.");
});
