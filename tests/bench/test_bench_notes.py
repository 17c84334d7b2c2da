"""The bench's own notes, and those the owner may read. No outside source: the page's own promises."""

import html
import re

import pytest
from serve import new_job

from enginelog import report
from enginelog.model import UsageError
from enginelog.store import open_store

HOSTILE = "<b>x</b>\x1b[31m\u202e"


def owners(store, job: int) -> str:
    with open_store(store) as opened:
        return html.unescape(report.hand_back_html(opened.record(job)))


def forms(page: str) -> list[dict[str, str]]:
    """The forms that show a note or keep it, in the order of the notes."""
    found = re.findall(r'<form method="post" action="/jobs/\d+/notes/show".*?</form>', page, re.DOTALL)
    return [dict(re.findall(r'name="(place|mark|for_owner)" value="([^"]*)"', each)) for each in found]


def test_a_note_is_the_benchs_own_unless_the_owner_may_read_it(store, browser):
    job = new_job(store)
    page = browser.get(f"/jobs/{job}").text
    assert "for the bench alone: it is not on the owner" in page and "the owner reads it if the check fails" in page
    browser.post(f"/jobs/{job}/notes", {"note": "charge double"})
    browser.post(f"/jobs/{job}/notes", {"note": "empty the tank\r\nbefore winter", "for_owner": "1"})
    said = owners(store, job)
    assert "charge double" not in said and "empty the tank" in said and "before winter" in said
    for kind in ("html", "pdf"):
        assert b"charge double" not in browser.ask("GET", f"/jobs/{job}/papers/owner.{kind}").body
    assert "charge double" in browser.get(f"/jobs/{job}/papers/bench.html").text
    assert "charge double" not in browser.get(f"/jobs/{job}/hand-back").text


def test_a_note_of_which_one_line_would_go_to_the_owner_is_refused_and_kept_in_the_form(store, browser):
    job = new_job(store)
    answer = browser.post(f"/jobs/{job}/notes", {"note": "For the owner: empty the tank\r\ncharge double"})
    assert answer.status == 400 and "note what is for the owner by itself" in html.unescape(answer.text)
    assert "empty the tank" not in owners(store, job)


@pytest.mark.parametrize("text", ["charge double", HOSTILE, "For the owner", "a" * 900])
def test_a_note_is_shown_to_the_owner_afterwards_and_kept_again(store, browser, text):
    job = new_job(store)
    browser.post(f"/jobs/{job}/notes", {"note": "first"})
    browser.post(f"/jobs/{job}/notes", {"note": text})
    for shown in (True, False):
        page = browser.get(f"/jobs/{job}").text
        assert "<b>x" not in page and "\x1b" not in page
        told = forms(page)[1]
        assert told["for_owner"] == ("1" if shown else "0")
        assert browser.post(f"/jobs/{job}/notes/show", told).status == 303
        with open_store(store) as opened:
            assert opened.job(job).notes_for_owner == ((text,) if shown else ())
    with open_store(store) as opened:
        assert opened.job(job).note == f"first\n{text}"


def test_a_note_that_is_another_one_by_now_is_left_alone(store, browser):
    job = new_job(store)
    browser.post(f"/jobs/{job}/notes", {"note": "first"})
    told = forms(browser.get(f"/jobs/{job}").text)[0]
    with open_store(store) as opened:
        opened.change_job(job, note="put right meanwhile")
    wrong = [told, {"place": "9", "mark": told["mark"], "for_owner": "1"}, {"place": "x"}, {}]
    assert [browser.post(f"/jobs/{job}/notes/show", each).status for each in wrong] == [400] * 4
    assert browser.post("/jobs/99/notes/show", told).status == 404
    with open_store(store) as opened:
        assert opened.job(job).note == "put right meanwhile" and opened.job(job).notes_for_owner == ()
        with pytest.raises(UsageError, match="another one by now"):
            opened.show_note(job, 0, "first", True)


def test_the_take_in_note_stays_at_the_bench(store, browser):
    assert "for the bench alone" in browser.get("/jobs/new").text
    browser.post("/jobs", {"label": "saw Thistle", "note": "lends it to everybody", "damage": "guard bent"})
    said = owners(store, 1)
    assert "lends it" not in said and "guard bent" in said


def test_a_note_bears_the_time_told_and_no_other(store, browser):
    """As `note --at` does: written in front, kept where it is odd, with a remark; refused where it is no time."""
    job = new_job(store)
    assert 'type="datetime-local"' in browser.get(f"/jobs/{job}").text
    browser.post(f"/jobs/{job}/notes", {"note": "rang the owner", "at": ""})
    made = browser.post(f"/jobs/{job}/notes", {"note": "cord is new\r\nlid is loose", "at": "1999-01-12T09:20"})
    with open_store(store) as opened:
        noted = opened.job(job)
    assert noted.note.splitlines() == [
        "rang the owner", "1999-01-12 09:20: cord is new", "1999-01-12 09:20: lid is loose"]  # fmt: skip
    page = html.unescape(browser.get(made.headers["location"].split("#")[0]).text)
    early = f"The note is kept, but dated 1999-01-12, before job {job} was taken in ({noted.opened.local_date})"
    assert early in page
    assert "noted=1999-01-12T09%3A20" in made.headers["location"], "as it was told, by which the page sees more"
    for shown in ("", "?noted=%3Cb%3Ex", f"?noted={noted.opened.utc}"):
        text = browser.get(f"/jobs/{job}{shown}").text
        assert "The note is kept, but" not in text and "<b>x" not in text
    for wrong in ("2999-01-01T00:00", "yesterday", HOSTILE):
        assert browser.post(f"/jobs/{job}/notes", {"note": "never", "at": wrong}).status == 400
    with open_store(store) as opened:
        assert "never" not in opened.job(job).note
