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

const events = new EventSource("/live/events");
events.onmessage = (event) => {
  const told = JSON.parse(event.data);
  show(told);
  if (told.problem) set("status", told.problem);
  else if (!told.running) set("status", "The sound has ended. Stop to analyse it.");
  else set("status", "");
  if (!told.running) events.close();
};
events.onerror = () => set("status", "No connection to the server at the moment; the recording goes on there.");
