// Waits for the answer of a take.

import { ask, pause } from "./common.js";

const box = document.getElementById("waiting");
const WORDS = { arriving: "Still arriving", waiting: "Waiting for its turn", analysing: "Listening to it" };

async function follow() {
  const problem = box.querySelector(".problem");
  for (;;) {
    await pause(700);
    try {
      const told = await ask(`/takes/${box.dataset.take}/state`);
      if (!(told.state in WORDS)) return location.reload();
      const words = WORDS[told.state] + (told.state === "waiting" && told.before ? `: ${told.before} before it` : "");
      const what = document.getElementById("what");
      if (what.textContent !== words) what.textContent = words;
      const share = told.state === "arriving" ? told.received / told.size : told.share;
      document.getElementById("progress").value = Math.round(100 * share);
      problem.hidden = true;
    } catch (failed) {
      problem.hidden = false;
      problem.textContent = failed.status ? failed.message : "No connection at the moment; trying again.";
      if (failed.status === 404) return;
    }
  }
}

if (box) follow();
