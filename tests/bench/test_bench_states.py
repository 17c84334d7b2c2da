"""What the bench page says of a job that ends unmended, and of a second one of the same machine. No outside source: the
page's own promises."""

import html
import re

from serve import new_job

from enginelog.store import open_store


def text_of(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def test_a_job_is_ended_without_a_mend_on_its_page(store, browser):
    job = new_job(store)
    told = browser.post(f"/jobs/{job}/state", {"state": "not_mended", "waiting_for": "worn rings"})
    assert told.status == 303
    page = browser.get(f"/jobs/{job}").text
    assert "done, not mended: worn rings" in text_of(page) and 'value="worn rings"' in page
    with open_store(store) as opened:
        assert opened.job(job).not_mended == "worn rings"


def test_a_machine_that_is_still_here_is_not_taken_in_again_without_a_word(store, browser):
    browser.post("/jobs", {"label": "tiller Marigold"})
    assert "Not handed back yet: job 1." in text_of(browser.get("/machines/1").text)
    assert "Not handed back yet" not in text_of(browser.get("/jobs/1").text)
    browser.post("/jobs", {"label": "tiller Marigold"})
    assert "Not handed back yet: job 1." in text_of(browser.get("/jobs/2").text)
    with open_store(store) as opened:
        opened.hand_back(1)
    assert "Not handed back yet" not in text_of(browser.get("/jobs/2").text)
