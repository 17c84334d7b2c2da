"""One address, several job records: what a browser keeps for job 1 of one of them is not job 1's of another.

No outside source: the page's own promise.
"""

import io
import re
from pathlib import Path

import pytest
from PIL import Image
from serve import Browser, Server, new_job

from enginelog.bench.settings import Settings
from enginelog.store import back_up, open_store, restore

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"
CHOSEN = "return !document.getElementById('taken').hidden"
APART = "return document.querySelector('#apart:not([hidden]) li')?.textContent"
NOTE = "form[data-keep=note]"
TYPED = "return Object.keys(localStorage).filter((name) => name.endsWith(':/jobs/1:note'))"
ANSWERED = "window.confirm = (asked) => { window.asked = asked; return arguments[0]; }"


def record_of(page: str) -> str:
    return re.search(r'<meta name="record" content="([0-9a-f]*)">', page)[1]


def test_the_page_tells_which_job_record_it_was_made_from(store, tmp_path):
    job = new_job(store)
    with open_store(store) as opened:
        back_up(opened, tmp_path / "shed.zip")
        known = opened.identity()
    with Server(Settings(store=store, port=0)) as server:
        browser = Browser(server)
        first = browser.get(f"/jobs/{job}").text  # the very first page, without a session yet
        assert record_of(first) == known and record_of(browser.get(f"/jobs/{job}/clip").text) == known
        told = {"job": job, "name": "a.wav", "size": 5, "stage": "before", "record": known}
        assert browser.post("/takes", told).status == 201
        restore(tmp_path / "shed.zip", store, replace=True)
        refused = browser.post("/takes", told, Accept="application/json")
        assert refused.status == 400 and "another job record; reload it" in refused.json["problem"]
        assert record_of(browser.get(f"/jobs/{job}").text) not in ("", known)


def test_an_unpaired_device_is_not_told(store):
    new_job(store)
    with Server(Settings(store=store, port=0, lan=True, host="127.0.0.1", code="12345678")) as server:
        stranger, paired = Browser(server), Browser(server)
        paired.cookie = paired.post("/pair", {"code": "12345678"}, token=False).headers["set-cookie"].split(";")[0]
        assert record_of(paired.get("/").text) and record_of(stranger.get("/pair").text) == ""


@pytest.fixture
def two(tmp_path):
    """(store of a tiller, store of a mower, photo)"""
    stores = tmp_path / "a.enginelog", tmp_path / "b.enginelog"
    new_job(stores[0])
    new_job(stores[1], "mower Badger", kind="mower", rated_rpm=2900.0)
    stream = io.BytesIO()
    Image.new("RGB", (40, 30), "red").save(stream, "JPEG")
    (tmp_path / "plug.jpg").write_bytes(stream.getvalue())
    return *stores, tmp_path / "plug.jpg"


def choose_a_photo(chromium, photo) -> None:
    chromium.run("for (const each of document.querySelectorAll('details')) each.open = true")
    chromium.type("#photo-spark", str(photo))
    chromium.until("return document.querySelector('#tick-spark [name=photo]').value")


def leave_things_in(chromium, server, photo) -> None:
    """A clip, a note and a photo in this browser alone, all for job 1."""
    chromium.open(f"{server.url}/jobs/1")
    choose_a_photo(chromium, photo)
    chromium.type("#note", "plug lead burnt")
    chromium.until(TYPED)
    chromium.open(f"{server.url}/jobs/1/clip")
    chromium.type("#file", str(DEMO / "tiller_marigold_before.m4a"))
    chromium.until(CHOSEN)
    chromium.until("return document.getElementById('status').textContent.startsWith('Kept')")


def test_what_is_kept_for_another_job_record_is_shown_apart(chromium, two):
    tiller, mower, photo = two
    with Server(Settings(store=tiller, port=0)) as server:
        port = server.port
        leave_things_in(chromium, server, photo)
    with Server(Settings(store=mower, port=port)) as server:
        for path in ("/", "/jobs/1"):
            chromium.open(f"{server.url}{path}")
            assert "for tiller Marigold, job 1 of another job record" in chromium.until(APART)
            assert chromium.run("return document.getElementById('held').hidden")
        assert chromium.run("return document.getElementById('note').value") == ""
        offered = chromium.run(f"return document.querySelector('{NOTE} p').textContent")
        assert "plug lead burnt" in offered and "tiller Marigold" in offered and "another machine" in offered
        assert not chromium.run("return document.querySelector('#tick-spark [name=photo]').value")
        assert "of another job record" in chromium.run(
            "return document.querySelector('#tick-spark .photo').textContent"
        )
        chromium.click("#tick-spark .photo p.row button")
        chromium.until("return document.querySelector('#tick-spark [name=photo]').value")
        chromium.until("return !document.querySelector('#tick-spark .photo p.row')")
        chromium.click(f"{NOTE} p button")
        assert chromium.run("return document.getElementById('note').value") == "plug lead burnt"
        chromium.open(f"{server.url}/jobs/1/clip")
        chromium.until(APART)
        assert not chromium.run(CHOSEN) and chromium.run("return document.getElementById('send').disabled")
        chromium.run(ANSWERED, False)
        chromium.click("#apart button")
        asked = chromium.run("return window.asked")
        assert "tiller Marigold, job 1 of another job record" in asked and "of mower Badger, job 1 here?" in asked
        assert not chromium.run(CHOSEN)
        chromium.run(ANSWERED, True)
        chromium.click("#apart button")
        chromium.until(CHOSEN)
        assert not server.desk.takes.of_job(1)  # that takes one tap more
        chromium.type("#file", str(DEMO / "tiller_marigold_after.m4a"))  # another after all: the first is not forgotten
        chromium.until("return document.querySelector('#held:not([hidden])')?.textContent.includes('before.m4a')")
        chromium.open(f"{server.url}/jobs/1/clip")  # and nothing is settled before it
        chromium.until(APART)
    with Server(Settings(store=tiller, port=port)) as server:
        chromium.open(f"{server.url}/jobs/1/clip")
        chromium.until(CHOSEN)
        assert "tiller Marigold" in chromium.run("return document.getElementById('taken-name').textContent")
        chromium.click("#send")
        chromium.until("return location.pathname.startsWith('/takes/')")
        assert [take.size for take in server.desk.takes.of_job(1)] == [
            (DEMO / "tiller_marigold_before.m4a").stat().st_size
        ]
        chromium.run("localStorage.clear()")
    chromium.complaints()  # what the other server does not know


# What the page kept before job records were told apart: by the path alone.
EARLIER = """
localStorage.setItem('enginelog-typed:/jobs/1:note', JSON.stringify(
  { once: 'abcdefghijkl', at: Date.now(), typed: [['note', 'rang the owner'], ['at', '']] }));
return import('/static/kept.js').then(async ({ keep, keepPhoto }) => {
  await keep({ key: 'old', job: 1, name: 'older.wav', blob: new Blob(['x']), stage: 'before', conditions: [], at: 1 });
  const photo = await fetch(arguments[0]).then((got) => got.blob());
  return keepPhoto({ key: '/jobs/1/photos/spark', once: 'abcdefghijkl', at: Date.now(), blob: photo });
});
"""


def test_what_was_kept_before_they_were_told_apart_is_still_offered(chromium, two):
    store, _, photo = two
    with open_store(store) as opened:
        opened.tick(1, "spark", "fail", photo=photo)
    with Server(Settings(store=store, port=0)) as server:
        chromium.open(f"{server.url}/machines")
        assert chromium.run(EARLIER, "/jobs/1/checks/1/photo")
        chromium.open(f"{server.url}/jobs/1")
        assert chromium.until(APART).endswith("job 1 of a job record not known")
        offered = chromium.run(f"return document.querySelector('{NOTE} p').textContent")
        assert "rang the owner" in offered and "a job record not known" in offered
        assert "a job record not known" in chromium.until(
            "return document.querySelector('#tick-spark .photo p.row')?.textContent"
        )
        chromium.click(f"{NOTE} p button")
        assert chromium.run("return document.getElementById('note').value") == "rang the owner"
        assert chromium.run("return localStorage.getItem('enginelog-typed:/jobs/1:note')") is None
        chromium.open(f"{server.url}/jobs/1")  # as any other that was typed
        assert chromium.run("return document.getElementById('note').value") == "rang the owner"
        chromium.open(f"{server.url}/jobs/1/clip")
        chromium.until(APART)
        chromium.run(ANSWERED, True)
        chromium.click("#apart button")
        chromium.until(CHOSEN)
        chromium.click("#send")
        chromium.until("return location.pathname.startsWith('/takes/')")
        chromium.run("localStorage.clear()")
    chromium.complaints()
