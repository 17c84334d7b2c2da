// The recording with its speed: a plot that can be zoomed, a cursor that moves with the sound, stretches to hear.

import { ask } from "./common.js";
import { Plot } from "./plot.js";

const box = document.querySelector(".player");
const sound = box?.querySelector("audio");
let until = null;

function follow(plot, words) {
  plot.cursor = sound.currentTime;
  const rpm = plot.rpmAt(sound.currentTime);
  words.textContent = `${sound.currentTime.toFixed(1)} s: ${rpm === null ? "speed cannot be told" : `${Math.round(rpm)} rpm`}`;
  if (until !== null && sound.currentTime >= until) {
    until = null;
    sound.pause();
  }
  plot.show(sound.currentTime);
  if (!sound.paused) requestAnimationFrame(() => follow(plot, words));
}

function hear(start, end) {
  until = end;
  sound.currentTime = start;
  sound.play().catch(() => complain());
  box.scrollIntoView({ block: "center" });
}

function complain() {
  const line = box.querySelector(".problem");
  line.hidden = false;
  line.textContent = "This browser cannot play this kind of recording; the report shows the same stretch.";
}

async function begin() {
  const plot = new Plot(box.querySelector("canvas"), await ask(box.dataset.track));
  const words = box.querySelector(".cursor");
  for (const event of ["play", "seeked", "timeupdate"]) sound.addEventListener(event, () => follow(plot, words));
  sound.addEventListener("pause", () => (until = null));
  sound.addEventListener("error", complain);
  plot.onpick = (seconds) => {
    until = null;
    sound.currentTime = seconds;
    plot.cursor = seconds;
    plot.draw();
  };
  box.querySelectorAll("[data-zoom]").forEach((button) => button.addEventListener("click", () => plot.zoom(button.dataset.zoom)));
  document.querySelectorAll(".hear").forEach((button) =>
    button.addEventListener("click", () => {
      const [start, end] = [Number(button.dataset.start), Number(button.dataset.end)];
      plot.view(start - 0.3 * (end - start) - 1, end + 0.3 * (end - start) + 1);
      hear(start, end);
    }),
  );
}

if (box) begin();
else document.querySelectorAll(".hear").forEach((button) => (button.hidden = true));
