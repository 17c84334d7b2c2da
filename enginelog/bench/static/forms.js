// Forms for dirty hands: what is typed stays in this browser until the server has written it down, so that a reload, a
// lost connection or a refusal loses nothing; a second tap sends nothing again.

import { writtenDown } from "./common.js";

const PREFIX = "enginelog-typed:";
const BUSY_MS = 15000;
const KEPT_MS = 30 * 86400 * 1000;
const CHOSEN = ["radio", "checkbox"];
const NOT_TYPED = ["hidden", "submit", "button", "file"];

// What the address says of the last change, or of what to open: the page is the same one without it.
const IN_PASSING = ["ticked", "attached", "check", "noted"];

function place() {
  const search = new URLSearchParams(location.search);
  for (const name of IN_PASSING) search.delete(name);
  return location.pathname + (search.size ? `?${search}` : "");
}

const key = (form) => `${PREFIX}${place()}:${form.dataset.keep}`;
const fields = (form) => [...form.elements].filter((each) => each.name && !NOT_TYPED.includes(each.type));
const typed = (form) => fields(form).filter((each) => !CHOSEN.includes(each.type) || each.checked).map((each) => [each.name, each.value]);

function held(name) {
  try {
    return JSON.parse(localStorage.getItem(name));
  } catch {
    return null; // nothing is kept here (a private window), or not by this page
  }
}

function keep(form) {
  try {
    localStorage.setItem(key(form), JSON.stringify({ once: form.elements.once.value, at: Date.now(), typed: typed(form) }));
  } catch {
    // this browser keeps nothing
  }
}

function drop(name) {
  try {
    localStorage.removeItem(name);
  } catch {
    // nothing was kept
  }
}

/** Forget what the server has written down, and what nobody came back for. */
function forget() {
  const done = writtenDown();
  let names = [];
  try {
    names = Object.keys(localStorage).filter((name) => name.startsWith(PREFIX));
  } catch {
    return;
  }
  for (const name of names) {
    const found = held(name);
    if (!found || done.has(found.once) || Date.now() - found.at > KEPT_MS) drop(name);
  }
}

function putBack(form) {
  const found = held(key(form));
  if (!found || !Array.isArray(found.typed)) return;
  if (JSON.stringify(found.typed) === JSON.stringify(typed(form))) return;
  for (const each of fields(form)) {
    const values = found.typed.filter(([name]) => name === each.name).map(([, value]) => value);
    const before = [each.checked, each.value].join();
    if (CHOSEN.includes(each.type)) each.checked = values.includes(each.value);
    else if (values.length) each.value = values[0];
    const box = each.closest("details");
    if (box && before !== [each.checked, each.value].join()) box.open = true;
  }
  form.elements.once.value = found.once; // the same form again, should it have arrived after all
  tell(form);
}

function tell(form) {
  const line = document.createElement("p");
  line.className = "small row";
  line.setAttribute("role", "status");
  const empty = document.createElement("button");
  empty.type = "button";
  empty.textContent = "Empty it";
  empty.addEventListener("click", () => {
    form.reset();
    drop(key(form));
    line.remove();
  });
  line.append("Typed here before and not sent: it is back. ", empty);
  form.prepend(line);
}

function begin(form) {
  if (form.dataset.keep) {
    putBack(form);
    form.addEventListener("input", () => keep(form));
  }
  form.addEventListener("submit", (event) => {
    if (form.dataset.busy) return event.preventDefault();
    if (form.dataset.keep) keep(form);
    form.dataset.busy = "1";
    setTimeout(() => delete form.dataset.busy, BUSY_MS);
  });
}

const forms = [...document.querySelectorAll("form[method=post]")];
forget();
forms.forEach(begin);
window.addEventListener("pageshow", (event) => {
  if (event.persisted) forms.forEach((form) => delete form.dataset.busy);
});
