// What the scripts of the pages share.

const token = document.querySelector('meta[name="csrf"]').content;

/** Which job record this page was made from: job 1 of another one, served at the same address, is another machine. */
export const record = document.querySelector('meta[name="record"]')?.content ?? "";

/** Whether something kept in this browser belongs to that one. What was kept before records were told apart says none. */
export const isOwn = (kept) => (kept.record ?? "") === record;

/** A line of words with buttons: [words, what they do]. */
export function lineWith(kind, words, ...buttons) {
  const line = document.createElement(kind);
  line.className = "row";
  const made = buttons.map(([name, act]) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name;
    button.addEventListener("click", act);
    return button;
  });
  line.append(words, ...made);
  return line;
}

/** Ask this server; the answer as an object. Throws with the server's words where it refuses, and `status` on it. */
export async function ask(path, options = {}) {
  const headers = { "X-Csrf-Token": token, Accept: "application/json", ...(options.headers || {}) };
  const answer = await fetch(path, { ...options, headers, credentials: "same-origin" });
  if (answer.ok) return answer.json();
  const text = await answer.text();
  const failed = new Error(readable(text) || `the server answered ${answer.status}`);
  failed.status = answer.status;
  throw failed;
}

function readable(text) {
  try {
    return JSON.parse(text).problem;
  } catch {
    return text.slice(0, 300);
  }
}

export function pause(ms) {
  return new Promise((done) => setTimeout(done, ms));
}

export function clock(seconds) {
  const whole = Math.floor(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

export function megabytes(bytes) {
  return bytes < 1e5 ? `${Math.max(1, Math.round(bytes / 1e3))} kB` : `${(bytes / 1e6).toFixed(1)} MB`;
}

/** The marks of forms that the server has written down just now: it tells them in a cookie. */
export function writtenDown() {
  return new Set([...document.cookie.matchAll(/enginelog_done_\d+=([\w-]{12})/g)].map((found) => found[1]));
}

/** A mark for a form, as the server makes them (`repeats.py`). */
export function newMark() {
  const bytes = crypto.getRandomValues(new Uint8Array(9));
  return btoa(String.fromCharCode(...bytes)).replaceAll("+", "-").replaceAll("/", "_");
}
