// The clip page: record or choose, then send.

import { clock, megabytes } from "./common.js";
import { forget, keep, kept } from "./kept.js";
import { possible, record, whyNot } from "./recorder.js";
import { send } from "./sending.js";

const form = document.getElementById("clip");
const job = Number(form.dataset.job);
const part = (id) => document.getElementById(id);
let take = null;
let going = null;

function say(text) {
  part("status").textContent = text;
}

function chosen() {
  const data = new FormData(form);
  return { stage: data.get("stage"), conditions: data.getAll("conditions") };
}

async function show(blob, name, id) {
  take = { job, blob, name, id, ...chosen() };
  part("taken").hidden = false;
  part("taken-name").textContent = `${name}, ${megabytes(blob.size)}`;
  part("taken-sound").src = URL.createObjectURL(blob);
  const small = blob.size > 0 && blob.size <= Number(form.dataset.largest);
  part("send").disabled = !small;
  if (!small) return say(blob.size ? `Too large: at most ${megabytes(Number(form.dataset.largest))} can be sent.` : "This file is empty.");
  say((await keep(take)) ? "Kept in this browser until it has arrived." : "Keep this page open until it has arrived.");
}

async function start() {
  try {
    going = await record(meter);
  } catch (failed) {
    return say(`The microphone cannot be used: ${failed.message}. Use the phone's own recorder.`);
  }
  part("start").hidden = true;
  part("stop").hidden = part("meter").hidden = false;
  part("stop").focus();
  if (going.kept.length) say("This phone would not switch off all of its sound processing; strengths are less sure.");
}

function meter({ seconds, level, clipped }) {
  part("clock").textContent = clock(seconds);
  const share = Math.round(Math.min(Math.max((level + 60) / 60, 0), 1) * 100);
  part("level-bar").style.width = `${share}%`;
  part("level").setAttribute("aria-valuenow", share);
  part("level").setAttribute("aria-valuetext", `${Math.round(level)} decibels against full scale`);
  part("level").classList.toggle("over", clipped > 0);
  const words = clipped ? "✕ Too loud: it clips. Step back, or turn the phone away." : "✓ Not clipping";
  if (part("clipping").textContent !== words) part("clipping").textContent = words;
}

async function stop() {
  const made = await going.stop();
  going = null;
  part("stop").hidden = part("meter").hidden = true;
  part("start").hidden = false;
  part("start").textContent = "Record again";
  await show(made.blob, made.name);
  part("send").focus();
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
    await forget(job);
    location.assign(`/takes/${id}`);
  } catch (failed) {
    say(`Not sent: ${failed.message}`);
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
    if (file) show(file, file.name);
  });
}
form.addEventListener("submit", (event) => event.preventDefault());
window.addEventListener("beforeunload", (event) => going && event.preventDefault());
kept(job).then((held) => {
  if (!held || take) return;
  show(held.blob, held.name, held.id).then(() => say("This clip has not arrived yet. Send it again: it goes on where it stopped."));
});
