// Says which recordings are in this browser alone, and forgets those that are in the job record by now.

import { apart, onlyHere, whose } from "./kept.js";

const box = document.getElementById("held");
const job = box?.dataset.job ? Number(box.dataset.job) : undefined;

function line(clip) {
  const item = document.createElement("li");
  const link = document.createElement("a");
  link.href = `/jobs/${clip.job}/clip`;
  link.textContent = `${clip.name}, ${clip.machine ? `${clip.machine}, ` : ""}job ${clip.job}: send it`;
  item.append(link);
  return item;
}

function lineApart(clip) {
  const item = document.createElement("li");
  item.textContent = `${clip.name}, ${new Date(clip.at).toLocaleDateString()}, for ${whose(clip)}`;
  return item;
}

function list(into, clips, made) {
  if (!into || !clips.length) return;
  into.querySelector("ul").replaceChildren(...clips.map(made));
  into.hidden = false;
}

onlyHere(job).then((clips) => list(box, clips, line));
apart(job).then((clips) => list(document.getElementById("apart"), clips, lineApart));
