// Forms for dirty hands: what is typed stays in this browser until the server has written it down, so that a reload, a
// lost connection or a refusal loses nothing; a second tap sends nothing again.

import { isOwn, lineWith, newMark, record, writtenDown } from "./common.js";

const PREFIX = "enginelog-typed:";
const WRITTEN = "enginelog-written";
const MOST_WRITTEN = 500;
const BUSY_MS = 15000;
const CHOSEN = ["radio", "checkbox"];
const NOT_TYPED = ["hidden", "submit", "button", "file"];

// What the address says of the last change, or of what to open: the page is the same one without it.
const IN_PASSING = ["ticked", "attached", "check", "noted"];

function place() {
  const search = new URLSearchParams(location.search);
  for (const name of IN_PASSING) search.delete(name);
  return location.pathname + (search.size ? `?${search}` : "");
}

const where = (form) => `${place()}:${form.dataset.keep}`;
const key = (form) => `${PREFIX}${record ? `${record}:` : ""}${where(form)}`; // job 1 of another job record is another
const fields = (form) => [...form.elements].filter((each) => each.name && !NOT_TYPED.includes(each.type));
const typed = (form) => fields(form).filter((each) => !CHOSEN.includes(each.type) || each.checked).map((each) => [each.name, each.value]);
const standard = (each) => Math.max(0, [...each.options].findIndex((option) => option.defaultSelected));

/** What the server has put into a form, in the shape of what is typed. */
function served(form) {
  const there = fields(form).filter((each) => !CHOSEN.includes(each.type) || each.defaultChecked);
  return there.map((each) => [each.name, CHOSEN.includes(each.type) ? each.value : each.type === "select-one" ? each.options[standard(each)].value : each.defaultValue]);
}

const valuesOf = (pairs, name) => pairs.filter(([each]) => each === name).map(([, value]) => value);
const differ = (one, other, name) => JSON.stringify(valuesOf(one, name)) !== JSON.stringify(valuesOf(other, name));

/** Whether something else is typed than was there: of a field left as it was, another value may stand by now. */
const isChanged = (found, name) => !found.served || differ(found.typed, found.served, name);

function held(name) {
  try {
    return JSON.parse(localStorage.getItem(name));
  } catch {
    return null; // nothing is kept here (a private window), or not by this page
  }
}

function keep(form) {
  try {
    localStorage.setItem(key(form), JSON.stringify({ once: form.elements.once.value, at: Date.now(), typed: typed(form), served: served(form), job: form.dataset.job, page: document.title }));
    return true;
  } catch {
    return false; // this browser keeps nothing (a private window, no room)
  }
}

function drop(name) {
  try {
    localStorage.removeItem(name);
  } catch {
    // nothing was kept
  }
}

function names() {
  try {
    return Object.keys(localStorage).filter((name) => name.startsWith(PREFIX));
  } catch {
    return [];
  }
}

/** The marks of all forms that are known in this tab to be written down: going back, one comes to their pages again. */
function allWritten() {
  const all = writtenDown();
  try {
    for (const each of JSON.parse(sessionStorage.getItem(WRITTEN)) ?? []) all.add(each);
    sessionStorage.setItem(WRITTEN, JSON.stringify([...all].slice(0, MOST_WRITTEN))); // the newest stand first
  } catch {
    // this browser keeps nothing: the latest alone are known
  }
  return all;
}

/** Forget what the server has written down. Nothing is forgotten for its age: a phone's clock may have been wrong. */
function forget() {
  for (const name of names()) {
    const found = held(name);
    if (!found || written.has(found.once)) drop(name);
  }
}

/** Note in this entry of the tab's history which forms were sent from it. */
function noteSent(form) {
  const sent = { ...history.state?.sent, [form.dataset.keep]: form.elements.once.value };
  history.replaceState({ ...history.state, sent }, "");
}

const isWritten = (form) => written.has(history.state?.sent?.[form.dataset.keep]);

/** Empty a form whose text the browser's back button has put in again, though it is written down: it would be so twice. */
function emptyWritten(form) {
  if (isWritten(form)) {
    for (const each of fields(form)) {
      if (CHOSEN.includes(each.type)) each.checked = each.defaultChecked;
      else if (each.type === "select-one") each.selectedIndex = standard(each);
      else each.value = each.defaultValue;
    }
    if (form.elements.photo) form.elements.photo.value = "";
  }
  const { once } = form.elements;
  if (written.has(once.value)) once.value = newMark(); // put in again, too: what is typed now is another entry
}

/** What belongs into a form: nothing that is written down, and what was typed and is not. */
function settle(form) {
  emptyWritten(form);
  const found = held(key(form));
  if (!found || !Array.isArray(found.typed)) return;
  form.elements.once.value = found.once; // the same form again, should it have arrived after all
  if (!fields(form).some((each) => isChanged(found, each.name)) || JSON.stringify(found.typed) === JSON.stringify(typed(form))) return;
  fill(form, found);
  if (!told.has(form)) tell(form, found);
  told.add(form);
}

/** What somebody else has put meanwhile where something else is typed. */
function meanwhile(form, found) {
  const now = served(form);
  const others = now.filter(([name]) => found.served && isChanged(found, name) && differ(found.served, now, name) && differ(found.typed, now, name));
  return others.length ? `Written down meanwhile: “${others.map(([, value]) => value).join(", ")}”. ` : "";
}

function fill(form, found) {
  for (const each of fields(form)) {
    if (!isChanged(found, each.name)) continue;
    const values = valuesOf(found.typed, each.name);
    const before = [each.checked, each.value].join();
    if (CHOSEN.includes(each.type)) each.checked = values.includes(each.value);
    else if (values.length) each.value = values[0];
    const box = each.closest("details");
    if (box && before !== [each.checked, each.value].join()) box.open = true;
  }
}

/** What was typed into this form of another job record, or one not known: shown, and put in by a tap of its own. */
function offer(form) {
  for (const name of names()) {
    const [, made = "", rest] = name.slice(PREFIX.length).match(/^(?:([0-9a-f]+):)?(\/.*)$/s) ?? [];
    const found = held(name);
    if (rest !== where(form) || isOwn({ record: made }) || !Array.isArray(found?.typed)) continue;
    const text = found.typed.filter(([each]) => isChanged(found, each)).map(([, value]) => value).filter(Boolean).join(", ").slice(0, 300);
    if (!text) continue;
    const leave = () => {
      drop(name);
      line.remove();
    };
    const put = () => {
      fill(form, found);
      keep(form);
      if (held(key(form))) leave();
    };
    const page = found.page ? `“${found.page}” of ` : "";
    const words = `Typed here before, on ${page}${made ? "another job record" : "a job record not known"}, and not sent: “${text}”. It may be of another machine. `;
    const line = lineWith("p", words, ["Put it in here", put], ["Throw it away", leave]);
    line.classList.add("small");
    form.prepend(line);
    const box = form.closest("details");
    if (box) box.open = true;
  }
}

/** Notes typed to recordings of this job that cannot be attached any more (attached elsewhere, thrown away, gone): for the job's notes. */
function offerLeft(form) {
  const there = form.dataset.there.split(" ");
  for (const name of names()) {
    const [, made, take] = name.slice(PREFIX.length).match(/^(?:([0-9a-f]+):)?\/takes\/([\w-]+):attach$/) ?? [];
    const found = held(name);
    if (!take || there.includes(take) || !isOwn({ record: made }) || found?.job !== form.dataset.left || !Array.isArray(found.typed)) continue;
    const text = valuesOf(found.typed, "note").join("").trim();
    if (!text || !isChanged(found, "note")) continue;
    const leave = () => {
      drop(name);
      line.remove();
    };
    const put = () => {
      form.elements.note.value = [form.elements.note.value, text].filter(Boolean).join("\n");
      keep(form);
      if (held(key(form))) leave();
    };
    const line = lineWith("p", `Typed as the note of a recording (“${found.page}”) that was not attached from here: “${text.slice(0, 300)}”. `, ["Put it in here", put], ["Throw it away", leave]);
    line.classList.add("small");
    form.prepend(line);
  }
}

/** On which day it was typed, where that is not today; nothing where it is not known. */
function onDay(at) {
  const day = new Date(at);
  return Number.isNaN(day.valueOf()) || day.toDateString() === new Date().toDateString() ? "" : `, on ${day.toLocaleDateString()},`;
}

function tell(form, found) {
  const empty = () => {
    form.reset();
    drop(key(form));
    line.remove();
  };
  const line = lineWith("p", `Typed here before${onDay(found.at)} and not sent: it is back. ${meanwhile(form, found)}`, ["Empty it", empty]);
  line.classList.add("small");
  line.setAttribute("role", "status");
  form.prepend(line);
}

/** Say it once, beside what is being typed. */
function warn(form) {
  if (warned.has(form)) return;
  warned.add(form);
  const line = lineWith("p", "This browser keeps nothing that is typed (a private window, or no room): write it down before you leave this page.");
  line.classList.add("problem");
  line.setAttribute("role", "status");
  form.prepend(line);
}

function begin(form) {
  if (form.dataset.keep) {
    settle(form);
    offer(form);
    if (form.dataset.left) offerLeft(form);
    form.addEventListener("input", () => {
      touched.add(form);
      if (!keep(form)) warn(form);
    });
  }
  form.addEventListener("submit", (event) => {
    if (form.dataset.busy) return event.preventDefault();
    if (form.dataset.keep) {
      keep(form);
      noteSent(form);
    }
    form.dataset.busy = "1";
    setTimeout(() => delete form.dataset.busy, BUSY_MS);
  });
}

const forms = [...document.querySelectorAll("form[method=post]")];
const [told, touched, warned] = [new WeakSet(), new WeakSet(), new WeakSet()];
let written = allWritten();
forget();
forms.forEach(begin);
window.addEventListener("pageshow", (event) => {
  written = allWritten();
  if (!event.persisted) return forms.filter((form) => form.dataset.keep && !touched.has(form)).forEach(settle); // browsers put in only now what stood there
  if (forms.some(isWritten)) return location.reload(); // as it was left: what is written down by now stands in it still
  forms.forEach((form) => delete form.dataset.busy);
});
