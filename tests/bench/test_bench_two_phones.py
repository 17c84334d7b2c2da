"""What a phone says and does when answers get lost, or another phone was quicker. In a real browser."""

import pytest
from PIL import Image
from serve import Browser, Server, new_job

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
    """(server, store, job, the other phone) for all tests of this file."""
    store = tmp_path_factory.mktemp("store") / "shed.enginelog"
    with Server(Settings(store=store, port=0)) as server:
        other = Browser(server)
        other.get("/")
        yield server, store, new_job(store), other


@pytest.mark.parametrize("note", ["", "plug black"])
def test_a_check_with_a_photo_whose_answer_got_lost_is_written_down_once(chromium, place, tmp_path, note):
    server, store, _, _ = place
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
