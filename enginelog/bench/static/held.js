// Says which recordings are in this browser alone, and forgets those that are in the job record by now.

import { onlyHere } from "./kept.js";

const box = document.getElementById("held");
const job = box?.dataset.job ? Number(box.dataset.job) : undefined;

function line(clip) {
  const item = document.createElement("li");
  const link = document.createElement("a");
  link.href = `/jobs/${clip.job}/clip`;
  link.textContent = `${clip.name}, job ${clip.job}: send it`;
  item.append(link);
  return item;
}

onlyHere(job).then((clips) => {
  if (!box || !clips.length) return;
  box.querySelector("ul").replaceChildren(...clips.map(line));
  box.hidden = false;
});
