"""What a phone says and does when answers get lost, or another phone was quicker. In a real browser."""

import secrets

import make_runs
import pytest
from PIL import Image
from serve import Browser, Server, new_job, with_answer

from enginelog.bench.settings import Settings
from enginelog.store import open_store

SPARK = "document.querySelector('#tick-spark')"
PHOTO_SAYS = f"return {SPARK}.querySelector('.photo .status').textContent"
# The check is sent and written down, and the phone hears nothing of it: no answer, no cookie.
TICK_UNHEARD = f"""
const told = new URLSearchParams(new FormData({SPARK}));
told.append("result", "pass");
return fetch({SPARK}.action, {{ method: "POST", body: told, redirect: "manual" }}).then(() => {{
  for (const [name] of document.cookie.matchAll(/enginelog_done_[0-9]+/g))
    document.cookie = `${{name}}=; Path=/; Max-Age=0`;
}});
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """(server, store, the other phone) for all tests of this file."""
    store = tmp_path_factory.mktemp("store") / "shed.enginelog"
    with Server(Settings(store=store, port=0)) as server:
        other = Browser(server)
        other.get("/")
        yield server, store, other


@pytest.mark.parametrize("note", ["", "plug black"])
def test_a_check_with_a_photo_whose_answer_got_lost_is_written_down_once(chromium, place, tmp_path, note):
    server, store, _ = place
    job = new_job(store)
    Image.new("RGB", (400, 300), "teal").save(tmp_path / "plug.png")
    chromium.open(f"{server.url}/jobs/{job}")
    chromium.run(f"{SPARK}.closest('details').open = true")
    chromium.until(f"return !{SPARK}.querySelector('.photo').hidden")
    if note:
        chromium.type("#note-spark", note)
    chromium.type("#photo-spark", str(tmp_path / "plug.png"))
    chromium.until(PHOTO_SAYS + ".includes('has arrived')")
    chromium.run(TICK_UNHEARD)
    chromium.open(f"{server.url}/jobs/{job}")
    chromium.until(PHOTO_SAYS + ".includes('it is back. The photo has arrived')")
    chromium.click("#tick-spark button[value=pass]")
    chromium.until("return location.search.includes('ticked=spark')")
    with open_store(store) as opened:
        [check] = opened.record(job).checks
    assert (check.note, check.photo_name) == (note, "spark.jpg")
    assert chromium.complaints() == []


def test_a_photo_too_large_that_the_browser_cannot_shrink_is_called_so(chromium, place, tmp_path):
    server, store, _ = place
    (tmp_path / "plug.dng").write_bytes(b"II*\0" + bytes(20_000_000))
    chromium.open(f"{server.url}/jobs/{new_job(store)}")
    chromium.run(f"{SPARK}.closest('details').open = true")
    chromium.until(f"return !{SPARK}.querySelector('.photo').hidden")
    chromium.type("#photo-spark", str(tmp_path / "plug.dng"))
    chromium.until(PHOTO_SAYS + ".includes('20.0 MB are too much')")
    assert not chromium.run(f"return {SPARK}.querySelector('button[value=pass]').disabled")
    assert chromium.complaints() == []  # it was not even sent


# After its first piece a clip is held up: the connection is lost, or the answer is long on its way. `goOn()` ends that.
# (Not `window.held`: of an element with that id the browser makes one that is there from the start.)
HOLD_UP = """
const [lost] = arguments;
const real = window.fetch;
let held = new Promise((done) => (window.goOn = () => { held = null; done(); }));
let pieces = 0;
window.fetch = async (path, options = {}) => {
  if (lost && pieces && held) throw new TypeError("Failed to fetch");
  const answer = await real(path, options);
  if (options.method === "PUT" && answer.ok && ++pieces === 1) {
    window.heldUp = true;
    if (!lost) await held;
  }
  return answer;
};
"""
SAYS = "return document.getElementById('status').textContent"
ON_ITS_WAY = 2_500_000


def held_up(chromium, server, store, tmp_path, lost: bool, size: int = ON_ITS_WAY) -> tuple[int, str]:
    """A phone in the middle of sending a clip, held up after its first piece; the job and the clip's id."""
    job = new_job(store)
    (tmp_path / "clip.m4a").write_bytes(secrets.token_bytes(size))
    chromium.open(f"{server.url}/jobs/{job}/clip")
    chromium.type("#file", str(tmp_path / "clip.m4a"))
    chromium.until("return !document.getElementById('send').disabled")
    chromium.run(HOLD_UP, lost)
    chromium.click("#send")
    chromium.until("return window.heldUp")
    [take] = server.desk.takes.of_job(job)
    return job, take.id


# Whether an element lies whole within what the phone shows, and nothing over it.
SEEN = """
const each = document.getElementById(arguments[0]);
const { left, right, top, bottom } = each.getBoundingClientRect();
const at = document.elementFromPoint((left + right) / 2, (top + bottom) / 2);
return top >= 0 && bottom <= innerHeight && bottom > top && at === each;
"""


def test_what_becomes_of_a_clip_is_seen_without_scrolling(chromium, place, tmp_path):
    """How far it is sent, and that the connection is lost; the bar does not fall back while it is."""
    server, store, _ = place
    chromium.size(360, 740)
    held_up(chromium, server, store, tmp_path, lost=True)
    chromium.until(f"{SAYS}.includes('connection is lost')")
    chromium.run("scrollTo(0, 0)")
    for name in ("status", "progress", "send"):
        assert chromium.run(SEEN, name), name
    assert chromium.run("return document.getElementById('progress').value") == round(100 * (1 << 20) / ON_ITS_WAY)
    chromium.run("scrollTo(0, document.body.scrollHeight)")
    last = "return document.querySelector('form#clip > section:last-of-type').getBoundingClientRect().bottom"
    assert chromium.run(last) <= chromium.run("return document.querySelector('.thumb').getBoundingClientRect().top")
    chromium.run("window.goOn()")
    chromium.until("return location.pathname.startsWith('/takes/')")
    chromium.complaints()


@pytest.mark.parametrize("lost", [True, False])
def test_a_clip_thrown_away_elsewhere_while_it_is_sent_does_not_come_back(chromium, place, tmp_path, lost):
    """It hears of it when it asks how much has come, or from the answer to its next piece."""
    server, store, other = place
    job, take = held_up(chromium, server, store, tmp_path, lost)
    assert other.post(f"/takes/{take}/discard").status == 303
    chromium.run("window.goOn()")
    chromium.until(f"{SAYS}.includes('thrown away elsewhere')")
    assert server.desk.takes.of_job(job) == []
    chromium.click("#send")  # it was a mistake
    chromium.until("return location.pathname.startsWith('/takes/')")
    [again] = server.desk.takes.of_job(job)
    assert again.received == ON_ITS_WAY and again.id != take
    chromium.complaints()


def test_a_clip_attached_elsewhere_while_its_phone_is_offline_leads_to_its_run(chromium, place, tmp_path):
    server, store, _ = place
    _, take = held_up(chromium, server, store, tmp_path, lost=True)
    server.desk.takes.end(take, 7)
    chromium.run("window.goOn()")
    chromium.until("return location.pathname === '/runs/7'")
    chromium.complaints()


def test_a_piece_of_what_was_thrown_away_is_refused(place):
    server, store, other = place
    take = other.post("/takes", {"job": new_job(store), "name": "a.m4a", "size": 10, "stage": "before"}).json["id"]
    other.post(f"/takes/{take}/discard")
    got = other.ask("PUT", f"/takes/{take}?offset=0", b"12345", X_Csrf_Token=other.csrf)
    assert got.status == 409 and "thrown away" in got.text
    assert other.ask("PUT", "/takes/never?offset=0", b"12345", X_Csrf_Token=other.csrf).status == 404


def test_a_recording_attached_elsewhere_leads_to_its_run_and_keeps_the_note(chromium, place):
    server, store, other = place
    job = new_job(store)
    take = with_answer(server, job, make_runs.healthy_generator(), stage="after")
    chromium.size(360, 740)
    chromium.open(f"{server.url}/takes/{take}")
    chromium.type("#note", "knocks when warm")
    chromium.until("return Object.values(localStorage).some((kept) => kept.includes('knocks when warm'))")
    told = {"stage": "before", "note": "of the other phone"}
    run = other.post(f"/takes/{take}/attach", told).headers["location"].split("?")[0]
    chromium.click(".attach .thumb button")
    chromium.until("return document.querySelector('h1.answer')?.textContent.startsWith('Attached meanwhile')")
    assert chromium.run("return document.querySelector('.thumb a').pathname") == run
    said = chromium.run("return document.querySelector('main').textContent")
    assert "It was attached as: before the work." in said and "Here was chosen: after the work." in said
    # Left alone, it is offered on the job's page; written down, no longer.
    chromium.open(f"{server.url}/jobs/{job}")
    assert "knocks when warm" in chromium.until("return document.querySelector('#notes form > p')?.textContent")
    chromium.run(BACK_TO, f"/takes/{take}")
    chromium.until("return location.pathname === arguments[0]", run)  # where the take leads by now
    again = other.post(f"/takes/{take}/attach", told | {"note": "<b>again", "once": "abcdefghijkl"})
    assert again.status == 409 and "&lt;b&gt;again" in again.text and 'value="abcdefghijkl"' in again.text
    chromium.open(f"{server.url}/jobs/{job}")
    chromium.until("return document.querySelector('#notes form > p')")
    chromium.click("#notes form > p button")
    chromium.click("#notes > form button:not([type=button])")
    chromium.until("return document.querySelectorAll('.notes > li').length === 1")
    assert chromium.run("return document.querySelector('#notes form > p')") is None
    with open_store(store) as opened:
        record = opened.record(job)
    assert [each.text for each in record.job.notes] == ["knocks when warm"]
    assert [each.note for each in record.runs] == ["of the other phone"]
    chromium.complaints()


BACK_TO = "location.assign(arguments[0])"


def test_the_note_is_written_down_from_the_page_that_says_so(chromium, place):
    server, store, other = place
    job = new_job(store)
    take = with_answer(server, job, make_runs.healthy_generator())
    chromium.open(f"{server.url}/takes/{take}")
    chromium.type("#note", "knocks when warm")
    chromium.until("return Object.values(localStorage).some((kept) => kept.includes('knocks when warm'))")
    other.post(f"/takes/{take}/attach", {"stage": "before"})
    chromium.click(".attach .thumb button")
    chromium.click("form.attach button")
    chromium.until("return document.querySelectorAll('.notes > li').length === 1")
    assert chromium.run("return document.querySelector('#notes form > p')") is None  # kept no longer
    with open_store(store) as opened:
        assert [each.text for each in opened.record(job).job.notes] == ["knocks when warm"]
    chromium.complaints()


def test_attaching_what_was_thrown_away_elsewhere_says_so(place):
    server, store, other = place
    take = with_answer(server, new_job(store), make_runs.healthy_generator())
    other.post(f"/takes/{take}/discard")
    got = other.post(f"/takes/{take}/attach", {"stage": "before", "note": "x"})
    assert got.status == 404 and "thrown away already" in got.text and "sent again" not in got.text
