"""The bench page of a machine whose clock is behind. No outside source: the page's own promises."""

from datetime import UTC, datetime, timedelta

from enginelog.store import moments, open_store


def test_a_job_is_finished_and_handed_back_though_the_clock_is_behind(store, browser):
    taken_in = moments.moment(datetime.now(UTC) + timedelta(days=2))
    with open_store(store, clock=lambda: taken_in) as opened:
        opened.take_in(opened.remember("pump Heron", kind="pump"), "hunts")
    for path in ("/jobs/1", "/jobs/1/hand-back"):
        text = " ".join(browser.get(path).text.split())
        assert "by this machine" in text and "set the clock" in text, path
    assert browser.post("/jobs/1/state", {"state": "done"}).status == 303
    assert browser.post("/jobs/1/hand-back", {"told": "", "watch": "", "next_service": ""}).status == 303
    with open_store(store) as opened:
        assert opened.job(1).state == "handed_back" and opened.job(1).handback.at == taken_in


def test_nothing_is_said_of_a_clock_that_goes_right(store, browser):
    with open_store(store) as opened:
        opened.take_in(opened.remember("pump Heron", kind="pump"), "hunts")
    assert "set the clock" not in browser.get("/jobs/1").text
