"""What is typed is neither written down twice nor lost: the back button, and a browser that keeps nothing.

In a real browser. No outside source but where one is named: these are the page's own promises. That a browser puts the
text back into the fields of a page one goes back to is as in the HTML standard, 7.4.6 (restoring persisted state).
"""

import pytest
from PIL import Image
from serve import Browser

from enginelog.store import open_store

NOTE = "return document.getElementById('note').value"
TYPED = "return Object.values(localStorage).some((kept) => kept.includes(arguments[0]))"
BACK = "history.back()"
# A form is sent and written down, and the phone hears nothing of it: no answer, no cookie.
SENT_UNHEARD = """
const form = document.querySelector(arguments[0]);
const body = new URLSearchParams(new FormData(form));
return fetch(form.action, { method: "POST", body, redirect: "manual" }).then(() => {
  for (const [name] of document.cookie.matchAll(/enginelog_done_[0-9]+/g))
    document.cookie = `${name}=; Path=/; Max-Age=0`;
});
"""


@pytest.fixture
def phone(phone, chromium):
    """The same, and that the page complained of nothing."""
    yield phone
    chromium.complaints()


def note(chromium, text: str) -> None:
    chromium.type("#note", text)
    chromium.until(TYPED, text)


def add(chromium, form: str) -> None:
    chromium.click(f"{form} button:not([disabled]):not([type=button])")


def part(chromium, cost: str) -> None:
    chromium.run("document.querySelector('#work details').open = true")
    chromium.type("#text", "spark plug")
    chromium.type("#cost", cost)
    chromium.until(TYPED, cost)
    add(chromium, "#work form[data-keep=work]")


def listed(chromium, place: str, many: int) -> None:
    chromium.until("return document.querySelectorAll(arguments[0]).length === arguments[1]", place, many)
    chromium.shown()


def test_back_after_saving_shows_an_empty_form_and_what_is_typed_then_is_written_down(phone, store):
    chromium, where, job = phone
    note(chromium, "rang the owner")
    add(chromium, "#notes > form")
    listed(chromium, ".notes > li", 1)
    note(chromium, "left a message")
    add(chromium, "#notes > form")
    listed(chromium, ".notes > li", 2)
    for _ in range(2):
        chromium.run(BACK)
        chromium.until("return document.readyState === 'complete' && document.getElementById('note')")
        listed(chromium, ".notes > li", 2)  # as it stands now
        assert chromium.run(NOTE) == ""
    note(chromium, "rang the owner")  # the very same once more: meant, this time
    add(chromium, "#notes > form")
    listed(chromium, ".notes > li", 3)
    with open_store(store) as opened:
        assert [each.text for each in opened.job(job).notes] == ["rang the owner", "left a message", "rang the owner"]


def test_back_after_a_part_was_written_down_does_not_double_its_cost(phone, store):
    chromium, where, job = phone
    part(chromium, "4.50")
    listed(chromium, "#work > ul > li", 1)
    chromium.run(BACK)
    chromium.until("return document.readyState === 'complete' && document.getElementById('cost').value === ''")
    assert chromium.run("return document.getElementById('text').value") == ""
    with open_store(store) as opened:
        assert opened.record(job).cost_cents == 450


def test_back_after_an_answer_that_got_lost_writes_it_down_once(phone, store):
    """Whether it was written down the phone cannot know: it sends the same form again, with the mark it had."""
    chromium, where, job = phone
    note(chromium, "rang the owner")
    chromium.run(SENT_UNHEARD, "#notes > form")
    chromium.open(where.rsplit("/jobs", 1)[0] + "/machines")
    chromium.run(BACK)
    chromium.until("return document.getElementById('note')?.value === 'rang the owner'")
    add(chromium, "#notes > form")
    chromium.until("return location.hash === '#notes'")
    with open_store(store) as opened:
        assert [each.text for each in opened.job(job).notes] == ["rang the owner"]


def test_back_after_a_refusal_keeps_what_was_typed(phone, store):
    chromium, _, job = phone
    part(chromium, "-4")
    chromium.until("return document.querySelector('h1.answer')")
    chromium.run(BACK)
    chromium.until("return document.getElementById('cost')?.value === '-4'")
    assert chromium.run("return document.getElementById('text').value") == "spark plug"
    with open_store(store) as opened:
        assert opened.record(job).work == ()


def test_of_what_is_kept_only_what_was_typed_comes_back(phone, server, store):
    """Not what the page had put into the form's other fields: another phone may have changed that meanwhile."""
    chromium, where, job = phone
    other = Browser(server)
    other.get("/")
    other.post(f"/jobs/{job}/limit", {"limit": "40", "currency": "EUR"})
    chromium.open(where)
    chromium.run("document.querySelector('#limit-box').open = true")
    chromium.run("document.getElementById('currency').value = ''")
    chromium.type("#currency", "CHF")
    chromium.until(TYPED, "CHF")
    other.post(f"/jobs/{job}/limit", {"limit": "60", "currency": "EUR"})
    add(chromium, "#limit-box form")
    chromium.until("return document.querySelector('h1.answer')?.textContent.includes('60.00')")
    chromium.click(".thumb a")
    chromium.until("return document.getElementById('currency')?.value === 'CHF'")
    assert chromium.run("return document.getElementById('limit').value") == "60.00"
    add(chromium, "#limit-box form")
    chromium.until("return document.querySelector('#limit-box summary')?.textContent.includes('60.00 CHF')")
    other.post(f"/jobs/{job}/limit", {"limit": "80", "currency": "CHF"})
    chromium.run("document.querySelector('#limit-box').open = true")
    chromium.type("#limit", "1")
    chromium.until(TYPED, "60.001")
    chromium.open(where)
    told = chromium.until("return document.querySelector('#limit-box [role=status]')?.textContent")
    assert "it is back. Written down meanwhile: “80.00”." in told


FULL = "Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); }"


def test_a_browser_that_keeps_nothing_says_so_once(phone, store):
    chromium, _, job = phone
    chromium.run(FULL)
    chromium.type("#note", "rang the owner")
    said = "return [...document.querySelectorAll('#notes .problem')].map((each) => each.textContent)"
    [line] = chromium.until(said)
    assert "keeps nothing that is typed" in line
    chromium.type("#note", " twice")
    assert len(chromium.run(said)) == 1
    add(chromium, "#notes > form")
    listed(chromium, ".notes > li", 1)
    with open_store(store) as opened:
        assert opened.job(job).note == "rang the owner twice"


AGED = """
for (const [name, kept] of Object.entries(localStorage))
  localStorage.setItem(name, JSON.stringify({ ...JSON.parse(kept), at: Date.now() - 45 * 86400 * 1000 }));
"""
AGED_PHOTO = """
return import('/static/kept.js').then(async ({ keepPhoto, keptPhotos }) => {
  const [photo] = await keptPhotos();
  return keepPhoto({ ...photo, at: Date.now() - 45 * 86400 * 1000 });
});
"""


def test_nothing_is_forgotten_for_its_age(phone, tmp_path):
    """The clock of a phone may be behind when something is typed, and be put right after."""
    chromium, where, _ = phone
    Image.new("RGB", (40, 30), "teal").save(tmp_path / "plug.png")
    note(chromium, "rang the owner")
    chromium.run("document.querySelector('#tick-spark').closest('details').open = true")
    chromium.until("return !document.querySelector('#tick-spark .photo').hidden")
    chromium.type("#photo-spark", str(tmp_path / "plug.png"))
    says = "return document.querySelector('#tick-spark .photo .status').textContent"
    chromium.until(says + ".includes('has arrived')")
    chromium.run(AGED)
    assert chromium.run(AGED_PHOTO)
    chromium.open(where)
    chromium.until("return document.getElementById('note').value === 'rang the owner'")
    told = chromium.until("return document.querySelector('#notes form [role=status]')?.textContent")
    assert told.startswith("Typed here before, on ") and "it is back" in told
    chromium.until(says + ".includes('it is back')")
