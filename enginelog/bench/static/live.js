// The live view: what the microphone of the serving machine hears, as it comes.

const part = (id) => document.getElementById(id);

function figure(value, digits = 0) {
  if (value === null || value === undefined) return null;
  const text = value.toFixed(digits);
  return Number(text) === 0 ? text.replace("-", "") : text; // no minus before nothing
}

function set(id, text) {
  if (part(id).textContent !== text) part(id).textContent = text;
}

function trend(value) {
  if (value === null || value === undefined) return "\u00a0";
  if (Math.abs(value) < 15) return "→ steady";
  return value > 0 ? `↗ rising, ${figure(value)} rpm a second` : `↘ falling, ${figure(-value)} rpm a second`;
}

function show(told) {
  if (told.at_s === undefined) return;
  set("rpm", figure(told.rpm) ?? "–");
  set("trend", told.rpm === null ? "speed cannot be told" : trend(told.trend_rpm_per_s));
  set("band", told.band_percent === null ? "not known yet" : `within ${figure(told.band_percent, 1)} % of the speed`);
  set("misfires", told.firings ? `${told.misfires} of ${told.firings} firing${told.firings === 1 ? "" : "s"} (a first look)` : "–");
  const share = Math.round(Math.min(Math.max((told.level_db + 60) / 60, 0), 1) * 100);
  part("level-bar").style.width = `${share}%`;
  part("level").setAttribute("aria-valuenow", share);
  part("level").classList.toggle("over", told.clipped_percent > 0);
  set("level-text", `${figure(told.level_db)} dB against full scale`);
  set("clipping", told.clipped_percent > 0 ? "✕ too loud: move the microphone away" : "✓ none");
  set("length", `${figure(told.at_s)} s${told.lost ? `, ${told.lost} gap${told.lost === 1 ? "" : "s"}` : ""}`);
}

/** What no longer holds is not left standing: an old speed looks like a true one. */
function blank() {
  for (const id of ["rpm", "band", "misfires", "clipping", "length"]) set(id, "–");
  set("trend", "\u00a0");
  set("level-text", "");
  part("level-bar").style.width = "0";
  part("level").setAttribute("aria-valuenow", 0);
  part("level").classList.remove("over");
}

/** This job is not recorded any more: there is nothing left to stop here. */
function over(words) {
  set("status", words);
  part("stop").hidden = true;
  part("leave").hidden = false;
}

const job = Number(part("live").dataset.job);
const events = new EventSource("/live/events");
let leaving = false; // its own button was pressed: that it is stopped now is no news

events.onmessage = (event) => {
  if (leaving) return;
  const told = JSON.parse(event.data);
  if (told.active && told.running && told.job === job) {
    show(told);
    return set("status", told.problem);
  }
  events.close();
  const length = part("length").textContent;
  blank();
  if (told.job === null) over("Not recording: the server was started anew since. What it had recorded it kept as a file when it ended.");
  else if (!told.active || told.job !== job) over("This recording was stopped elsewhere. It stands on the job's page.");
  else {
    set("length", length);
    set("status", told.problem || "The sound has ended. Stop to analyse it.");
  }
};
events.onerror = () => {
  if (leaving) return;
  blank();
  const lost = "No connection to the server, so nothing is shown. It goes on recording unless it was ended.";
  set("status", events.readyState === EventSource.CLOSED ? `${lost} Reload the page to look again.` : lost);
};
part("stop").form.addEventListener("submit", () => (leaving = true));
window.addEventListener("pageshow", (event) => event.persisted && location.reload());
