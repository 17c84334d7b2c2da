// Follows the recordings of a job that are analysed again; when none is at work any more the page is loaded anew.

import { ask, pause } from "./common.js";

const box = document.getElementById("again");
const WORDS = { waiting: "Waiting for its turn", analysing: "Listening to it" };
const shown = () => [...box.querySelectorAll("progress")];

function tell(each) {
  const bar = document.getElementById(`again-${each.run}`);
  if (!bar) return;
  const words = WORDS[each.state] + (each.state === "waiting" && each.before ? `: ${each.before} before it` : "");
  const label = box.querySelector(`label[for="again-${each.run}"]`);
  if (label.textContent !== words) label.textContent = words;
  bar.value = Math.round(100 * each.share);
}

async function follow() {
  const status = box.querySelector(".status");
  while (shown().length) {
    await pause(1000);
    try {
      const busy = (await ask(`/jobs/${box.dataset.job}/again`)).filter((each) => each.state in WORDS);
      busy.forEach(tell);
      status.textContent = "";
      if (busy.length < shown().length) return location.reload();
    } catch (failed) {
      status.textContent = failed.status ? failed.message : "No connection at the moment; trying again.";
      if (failed.status === 404) return;
    }
  }
}

if (box) follow();
