"""Taking recordings, checks and work back at the bench page, and putting them back. No outside source: the page's own
promises."""

import html
import re
from dataclasses import replace

import make_runs
import pytest
from serve import new_job, with_answer

from enginelog.store import open_store

HOSTILE = "<script>alert(1)</script>\x1b[31m"


def text_of(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


@pytest.fixture
def job(store, server, browser) -> int:
    """A job with a recording from before and one from after the work, a check and a part."""
    made = new_job(store)
    for stage, run in (("before", make_runs.hunting_pump()), ("after", make_runs.healthy_generator())):
        take = with_answer(server, made, run, sound=stage.encode())
        assert browser.post(f"/takes/{take}/attach", {"stage": stage}).status == 303
    browser.post(f"/jobs/{made}/checks", {"step": "spark", "result": "fail", "note": "plug black"})
    browser.post(f"/jobs/{made}/work", {"kind": "part", "text": "spark plug", "cost": "7.20"})
    return made


@pytest.mark.parametrize("kind", ["run", "check", "work"])
def test_taken_back_it_is_struck_through_with_its_reason_and_can_be_put_back(store, browser, job, kind):
    number = 2 if kind == "run" else 1
    told = browser.post(f"/jobs/{job}/take-back", {"kind": kind, "entry": number, "why": HOSTILE})
    assert (told.status, told.headers["location"]) == (303, f"/jobs/{job}#taken-back")
    page = browser.get(f"/jobs/{job}").text
    section = page.split('id="taken-back"')[1].split("</section>")[0]
    assert "<del>" in section and "<script" not in section and "\x1b" not in page
    assert "<script>alert(1)</script>" in html.unescape(text_of(section)), "the reason can be read as it was given"
    assert f'name="kind" value="{kind}"' in section and f"/jobs/{job}/put-back" in section
    back = browser.post(f"/jobs/{job}/put-back", {"kind": kind, "entry": number})
    assert back.status == 303
    with open_store(store) as opened:
        record = opened.record(job)
        assert (len(record.runs), len(record.checks), len(record.work)) == (2, 1, 1) and not opened.taken_back(job)
    assert 'id="taken-back"' not in browser.get(f"/jobs/{job}").text


def test_a_note_is_taken_back_and_put_back(store, browser, job):
    for text in ("tank half empty", HOSTILE):
        browser.post(f"/jobs/{job}/notes", {"note": text})
    told = browser.post(f"/jobs/{job}/take-back", {"kind": "note", "entry": f"{job}.2", "why": "other job"})
    assert (told.status, told.headers["location"]) == (303, f"/jobs/{job}#taken-back")
    page = browser.get(f"/jobs/{job}").text
    notes, section = page.split('id="notes"')[1].split("</section>")[0], page.split('id="taken-back"')[1]
    assert "tank half empty" in notes and "alert" not in notes
    assert "<script>alert" not in page and "alert(1)" in section and "other job" in section
    back = browser.post(f"/jobs/{job}/put-back", {"kind": "note", "entry": f"{job}.2"})
    assert (back.status, back.headers["location"]) == (303, f"/jobs/{job}#notes")
    page = browser.get(f"/jobs/{job}").text
    assert "alert(1)" in page and 'id="taken-back"' not in page
    for entry in ("2", f"{job}.3", f"{job + 1}.1", f"{job}.x", f"{job}.-1", "9" * 40 + ".1"):
        assert browser.post(f"/jobs/{job}/take-back", {"kind": "note", "entry": entry}).status == 400


def test_the_photo_of_a_check_taken_back_is_still_shown(store, browser, job, tmp_path):
    from PIL import Image

    Image.new("RGB", (40, 30), "red").save(tmp_path / "plug.jpg")
    with open_store(store) as opened:
        check = opened.tick(job, "air", "fail", photo=tmp_path / "plug.jpg")
        opened.drop("check", check.id, why="other saw")
    address = f"/jobs/{job}/checks/{check.id}/photo"
    section = browser.get(f"/jobs/{job}").text.split('id="taken-back"')[1]
    assert f'src="{address}"' in section and "taken back" in section
    shown = browser.ask("GET", address)
    assert shown.status == 200 and shown.body == (tmp_path / "plug.jpg").read_bytes()


def test_two_recordings_of_one_stage_and_day_are_told_apart_by_their_names(store, server, browser):
    made = new_job(store)
    names = ["pump, tank full.m4a", "pump, tank low.m4a"]
    for name in names:
        run = make_runs.hunting_pump()
        take = with_answer(server, made, replace(run, clip=replace(run.clip, name=name)), sound=name.encode())
        assert browser.post(f"/takes/{take}/attach", {"stage": "before"}).status == 303
    section = browser.get(f"/jobs/{made}").text.split('id="runs"')[1].split("</section>")[0]
    links = [text_of(link) for link in re.findall(r'<a href="/runs/.*?</a>', section, re.DOTALL)]
    assert len(links) == 2 and all(name in link for name, link in zip(names, links, strict=True))


def test_a_recording_taken_back_is_in_no_comparison_and_says_so_on_its_own_page(browser, job):
    assert "Before against after" in browser.get(f"/jobs/{job}").text
    assert "Take it back" in browser.get("/runs/2").text
    browser.post(f"/jobs/{job}/take-back", {"kind": "run", "entry": "2", "why": "wrong job"})
    assert "Before against after" not in browser.get(f"/jobs/{job}").text
    shown = text_of(browser.get("/runs/2").text)
    assert "Taken back" in shown and "wrong job" in shown and "Put it back" in shown
    refused = browser.get("/compare?before=1&after=2")
    assert refused.status == 400 and "taken back" in refused.text
    assert browser.get("/compare.svg?before=1&after=2").status == 400
    assert "It runs better" not in browser.get(f"/jobs/{job}/papers/owner.html").text


def test_the_same_recording_is_not_attached_twice(store, server, browser, job):
    take = with_answer(server, job, make_runs.hunting_pump(), sound=b"before")
    page = browser.get(f"/takes/{take}").text
    assert "not attached twice" in page and f"/takes/{take}/attach" not in page and "Throw this clip away" in page
    refused = browser.post(f"/takes/{take}/attach", {"stage": "after"})
    assert refused.status == 400 and "its hash is known" in text_of(refused.text)
    browser.post(f"/jobs/{job}/take-back", {"kind": "run", "entry": "1"})
    assert browser.post(f"/takes/{take}/attach", {"stage": "after"}).status == 303
    doubled = browser.post(f"/jobs/{job}/put-back", {"kind": "run", "entry": "1"})
    assert doubled.status == 400 and "holds this recording already" in doubled.text
    with open_store(store) as opened:
        assert [run.id for run in opened.record(job).runs] == [2, 3]


@pytest.mark.parametrize("way", ["take-back", "put-back"])
@pytest.mark.parametrize(("kind", "entry"), [("run", "9"), ("job", "1"), ("run", "x"), ("run", "9" * 30), ("", "1")])
def test_what_is_no_entry_of_the_job_is_refused(store, browser, job, way, kind, entry):
    other = new_job(store, "saw Thistle")
    for place in (job, other):
        assert browser.post(f"/jobs/{place}/{way}", {"kind": kind, "entry": entry}).status == 400
    assert browser.post(f"/jobs/{other}/{way}", {"kind": "run", "entry": "1"}).status == 400
    assert browser.post(f"/jobs/99/{way}", {"kind": "run", "entry": "1"}).status == 404
    with open_store(store) as opened:
        assert len(opened.record(job).runs) == 2


def test_a_second_tap_takes_back_once(store, browser, job):
    told = {"kind": "work", "entry": "1", "once": "abcdefghijkl"}
    assert [browser.post(f"/jobs/{job}/take-back", told).status for _ in range(2)] == [303, 303]
    assert browser.post(f"/jobs/{job}/take-back", {"kind": "work", "entry": "1"}).status == 400
    with open_store(store) as opened:
        assert len(opened.taken_back(job)) == 1


def test_a_recording_is_moved_to_the_job_where_it_belongs(store, browser, job):
    assert "Belongs to another job" not in browser.get("/runs/2").text, "there is no other"
    other = new_job(store, HOSTILE[:25], kind="saw")
    page = browser.get("/runs/2").text
    assert "Belongs to another job" in page and f'<option value="{other}">' in page and "<script>alert" not in page
    told = browser.post("/runs/2/move", {"job": str(other)})
    assert (told.status, told.headers["location"]) == (303, "/runs/3")
    assert f"moved to job {other} as run 3" in text_of(browser.get(f"/jobs/{job}").text)
    assert browser.get("/runs/3/recording").body == b"after"
    for wrong in ("99", "x", "", "1"):
        assert browser.post("/runs/1/move", {"job": wrong}).status in (400, 404)
    assert browser.post("/runs/99/move", {"job": str(other)}).status == 404
    with open_store(store) as opened:
        assert [len(opened.record(each).runs) for each in (job, other)] == [1, 1]
