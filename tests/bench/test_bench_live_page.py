"""The live page in a real browser, at a phone's size: what it says once the recording, or the way to it, has ended."""

import time
from pathlib import Path

import pytest
from serve import Browser, Server, new_job

from enginelog.bench.settings import Settings

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"
LIVE_SAYS = "return document.getElementById('status').textContent"
# Whether the line lies where it is seen on a page just opened, and not under the button that stands before the page.
LINE_IS_SEEN = """const line = document.getElementById('status').getBoundingClientRect();
    const thumb = document.querySelector('.thumb').getBoundingClientRect();
    return scrollY === 0 && line.top >= 0 && line.height > 0 && line.bottom <= thumb.top;"""
RPM = "document.getElementById('rpm').textContent"


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """(server, store, job) for all tests of this file; the server hears a generator."""
    store = tmp_path_factory.mktemp("store") / "shed.enginelog"
    with Server(Settings(store=store, port=0, sound=DEMO / "generator_lantern_50hz.flac")) as server:
        yield server, store, new_job(store)


def watched(chromium, place) -> str:
    """A live page that shows a speed; its address."""
    server, _, job = place
    chromium.size(360, 740)
    chromium.open(f"{server.url}/jobs/{job}/live")
    chromium.click("main form .button")
    chromium.until(f"return /^[0-9]+$/.test({RPM})", most_s=30)
    chromium.run("scrollTo(0, 0)")
    return f"{server.url}/jobs/{job}"


def test_a_live_page_that_lost_its_connection_shows_no_old_speed(chromium, place):
    watched(chromium, place)
    try:
        place[0].desk.live.leave()  # the open answer ends, and no new one begins
        chromium.offline(True)
        chromium.until(f"{LIVE_SAYS}.includes('No connection')")
        assert chromium.run(f"return {RPM}") == "–" and chromium.run(LINE_IS_SEEN)
        place[0].desk.live.leaving = False
        chromium.offline(False)
        chromium.until(f"return /^[0-9]+$/.test({RPM})", most_s=30)
        assert chromium.run(LIVE_SAYS) == ""
    finally:
        place[0].desk.live.leaving = False
        chromium.offline(False)
        chromium.open(f"{place[0].url}/jobs/{place[2]}/live")
        chromium.click("main form .button")
        chromium.until("return location.pathname.startsWith('/takes/')")
    chromium.complaints()


def test_a_live_page_says_that_it_was_stopped_elsewhere(chromium, place, monkeypatch):
    server, store, job = place
    other = new_job(store, "pump Heron")
    where = watched(chromium, place)
    browser = Browser(server)
    browser.get("/")
    finish = server.desk.takes.finished
    monkeypatch.setattr(server.desk.takes, "finished", lambda *given: (time.sleep(1), finish(*given))[1])
    assert browser.post(f"/jobs/{job}/live/stop").status == 303  # the sound has ended a while before it is kept
    monkeypatch.undo()
    assert browser.post(f"/jobs/{other}/live").status == 303
    try:
        chromium.until(f"{LIVE_SAYS}.includes('stopped elsewhere')")
        assert chromium.run(f"return {RPM}") == "–" and chromium.run(LINE_IS_SEEN)
        assert not chromium.run("return document.getElementById('stop').checkVisibility()")
        assert server.desk.live.active
    finally:
        browser.post(f"/jobs/{other}/live/stop")
    chromium.click("#leave")
    chromium.until("return location.href === arguments[0]", where)
    assert chromium.complaints() == []
