// Forms for dirty hands: what is typed stays in this browser until the server has written it down, so that a reload, a
// lost connection or a refusal loses nothing; a second tap sends nothing again.

import { isOwn, lineWith, record, writtenDown } from "./common.js";

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

const where = (form) => `${place()}:${form.dataset.keep}`;
const key = (form) => `${PREFIX}${record ? `${record}:` : ""}${where(form)}`; // job 1 of another job record is another
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
    localStorage.setItem(key(form), JSON.stringify({ once: form.elements.once.value, at: Date.now(), typed: typed(form), page: document.title }));
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

function names() {
  try {
    return Object.keys(localStorage).filter((name) => name.startsWith(PREFIX));
  } catch {
    return [];
  }
}

/** Forget what the server has written down, and what nobody came back for. */
function forget() {
  const done = writtenDown();
  for (const name of names()) {
    const found = held(name);
    if (!found || done.has(found.once) || Date.now() - found.at > KEPT_MS) drop(name);
  }
}

function putBack(form) {
  const found = held(key(form));
  if (!found || !Array.isArray(found.typed)) return;
  if (JSON.stringify(found.typed) === JSON.stringify(typed(form))) return;
  fill(form, found);
  form.elements.once.value = found.once; // the same form again, should it have arrived after all
  tell(form);
}

function fill(form, found) {
  for (const each of fields(form)) {
    const values = found.typed.filter(([name]) => name === each.name).map(([, value]) => value);
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
    const text = found.typed.map(([, value]) => value).filter(Boolean).join(", ").slice(0, 300);
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

function tell(form) {
  const empty = () => {
    form.reset();
    drop(key(form));
    line.remove();
  };
  const line = lineWith("p", "Typed here before and not sent: it is back. ", ["Empty it", empty]);
  line.classList.add("small");
  line.setAttribute("role", "status");
  form.prepend(line);
}

function begin(form) {
  if (form.dataset.keep) {
    putBack(form);
    offer(form);
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
