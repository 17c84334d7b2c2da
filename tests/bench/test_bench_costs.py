"""The agreed cost limit at the bench page: set, changed, taken away, warned of. No outside source: the page's own
promises."""

import html
import re

import pytest
from serve import new_job

from enginelog.store import open_store


def text_of(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def limit_of(store, job: int):
    with open_store(store) as opened:
        machine = opened.record(job).machine
    return machine.cost_limit_cents, machine.currency


def test_a_limit_is_set_at_take_in_and_an_empty_field_leaves_what_was_agreed(store, browser):
    where = browser.post("/jobs", {"label": "tiller Marigold", "limit": "40,50"}).headers["location"]
    assert limit_of(store, 1) == (4050, "EUR")
    assert "Agreed limit: 40.50 EUR" in text_of(browser.get(where).text)
    again = browser.post("/jobs", {"label": "tiller Marigold", "limit": ""}).headers["location"]
    assert again != where and limit_of(store, 2) == (4050, "EUR")


def test_a_limit_is_set_on_the_job_changed_and_taken_away(store, browser):
    job = new_job(store)
    page = browser.get(f"/jobs/{job}").text
    assert "Set a cost limit" in page and 'name="limit"' in page
    told = browser.post(f"/jobs/{job}/limit", {"limit": "30", "currency": "gbp"})
    assert (told.status, told.headers["location"]) == (303, f"/jobs/{job}#work") and limit_of(store, job) == (
        3000,
        "GBP",
    )
    assert 'value="30.00"' in browser.get(f"/jobs/{job}").text and "30.00 GBP" in browser.get("/machines/1").text
    assert browser.post(f"/jobs/{job}/limit", {"limit": "", "currency": "GBP"}).status == 303
    assert limit_of(store, job) == (None, "GBP") and "Set a cost limit" in browser.get(f"/jobs/{job}").text


@pytest.mark.parametrize("wrong", ["-5", "abc", "1e3", "12.345", "<b>1</b>", "9" * 40, "nan", "\u0663"])
def test_a_limit_that_is_no_amount_is_refused_and_changes_nothing(store, browser, wrong):
    job = new_job(store)
    for address, more in ((f"/jobs/{job}/limit", {}), ("/jobs", {"label": "saw Thistle"})):
        got = browser.post(address, {"limit": wrong} | more)
        assert got.status == 400 and "Cost limit:" in got.text and "<b>1" not in got.text
    assert limit_of(store, job) == (None, "EUR")
    with open_store(store) as opened:
        assert len(opened.jobs()) == 1, "no job was opened with it"
    assert browser.post(f"/jobs/{job}/limit", {"limit": "5", "currency": "pounds"}).status == 400
    assert browser.post("/jobs/99/limit", {"limit": "5"}).status == 404


def test_costs_near_the_limit_and_past_it_are_warned_of_on_the_job(store, browser):
    job = new_job(store)
    browser.post(f"/jobs/{job}/limit", {"limit": "40"})
    steps = (("31.99", None), ("0.01", "watch"), ("8.01", "fault"))
    for cost, tone in steps:
        browser.post(f"/jobs/{job}/work", {"kind": "part", "text": "plug", "cost": cost})
        page = browser.get(f"/jobs/{job}").text
        [*warned] = re.findall(r'<p class="card (\w+)"><strong>Costs:</strong> ([^<]*)', page)
        assert [each[0] for each in warned] == ([tone] if tone else []), warned
    assert "0.01 EUR past the limit of 40.00 EUR: ask the owner" in text_of(page)
    assert "0.01 EUR past the limit" in text_of(browser.get(f"/jobs/{job}/hand-back").text)


def shown_in(page: str, action: str) -> str:
    """What a form says of the text that stood on its page."""
    return re.search(rf'action="{action}".*?name="shown" value="([^"]*)"', page, re.S)[1]


def test_a_limit_that_another_phone_changed_meanwhile_is_not_put_back(store, browser):
    job = new_job(store)
    browser.post(f"/jobs/{job}/limit", {"limit": "40", "currency": "EUR"})
    older = shown_in(browser.get(f"/jobs/{job}").text, f"/jobs/{job}/limit")
    assert browser.post(f"/jobs/{job}/limit", {"limit": "60", "currency": "EUR", "shown": older}).status == 303
    refused = browser.post(f"/jobs/{job}/limit", {"limit": "40.00", "currency": "CHF", "shown": older})
    assert refused.status == 400 and "changed meanwhile, elsewhere: it is 60.00 EUR now" in text_of(refused.text)
    assert limit_of(store, job) == (6000, "EUR")
    assert (
        browser.post(f"/jobs/{job}/limit", {"limit": "60", "currency": "EUR", "shown": older}).status == 303
    )  # agreed
    now = shown_in(browser.get(f"/jobs/{job}").text, f"/jobs/{job}/limit")
    assert browser.post(f"/jobs/{job}/limit", {"limit": "", "currency": "CHF", "shown": now}).status == 303
    refused = browser.post(f"/jobs/{job}/limit", {"limit": "70", "currency": "CHF", "shown": now})
    assert refused.status == 400 and "there is none now" in text_of(refused.text)
    assert limit_of(store, job) == (None, "CHF")


def test_what_a_job_waits_for_is_not_put_back_either(store, browser):
    job = new_job(store)
    browser.post(f"/jobs/{job}/state", {"state": "waiting", "waiting_for": "a belt"})
    older = shown_in(browser.get(f"/jobs/{job}").text, f"/jobs/{job}/state")
    told = {"state": "waiting", "shown": older}
    assert browser.post(f"/jobs/{job}/state", told | {"waiting_for": "a spark plug"}).status == 303
    refused = browser.post(f"/jobs/{job}/state", told | {"waiting_for": "a belt"})
    assert refused.status == 400 and "it waits for “a spark plug” now" in text_of(refused.text)
    with open_store(store) as opened:
        assert opened.job(job).waiting_for == "a spark plug"
    assert browser.post(f"/jobs/{job}/state", {"state": "done", "shown": older, "waiting_for": "a belt"}).status == 303
