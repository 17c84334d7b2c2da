"""Recordings analysed again at the bench page, once their machine was told otherwise. No outside source: the page's own
promises; the analysis itself is the real one."""

import html
import re
import time
from dataclasses import replace

import make_runs
import pytest
from serve import Browser, Server, bounds, new_job, with_answer

from enginelog.bench.settings import Settings
from enginelog.model.telling import told_otherwise
from enginelog.store import open_store


def text_of(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def until(browser, job: int, most_s: float = 90) -> list[dict]:
    """What is left of the job's queue once none is waited for."""
    end = time.monotonic() + most_s
    while time.monotonic() < end:
        left = browser.get(f"/jobs/{job}/again").json
        if not [each for each in left if each["state"] in ("waiting", "analysing")]:
            return left
        time.sleep(0.1)
    raise AssertionError(f"not analysed within {most_s} s: {left}")


def attached(browser, job: int, clip: bytes) -> int:
    take = browser.send(job, clip)
    assert browser.wait(take)["state"] == "done"
    where = browser.post(f"/takes/{take}/attach", {"stage": "before"}).headers["location"]
    return int(re.match(r"/runs/(\d+)", where)[1])


def test_strokes_put_right_and_the_recording_analysed_again(store, server, browser, clip_bytes):
    """Taken for a two-stroke its speed is not sure: the new result counts, the earlier stays."""
    job = new_job(store, strokes=2)
    run = attached(browser, job, clip_bytes)
    assert "told otherwise since" not in browser.get(f"/jobs/{job}").text
    refused = browser.post(f"/jobs/{job}/again")
    assert refused.status == 400 and "as it is told now" in refused.text
    assert browser.post("/machines/1/engine", {"strokes": "4"}).status == 303
    for path in (f"/jobs/{job}", "/machines/1"):
        page = browser.get(path).text
        assert "The engine was told otherwise since" in page and f'action="/jobs/{job}/again"' in page
    asked = f"Run {run} was analysed before the engine was told otherwise (strokes): analyse again first?"
    assert asked in text_of(browser.get(f"/jobs/{job}/hand-back").text)
    assert "told otherwise since: Strokes." in text_of(browser.get(f"/runs/{run}").text)
    told = browser.post(f"/jobs/{job}/again")
    assert (told.status, told.headers["location"]) == (303, f"/jobs/{job}#again")
    assert "<progress" in browser.get(f"/jobs/{job}").text
    assert until(browser, job) == []
    with open_store(store) as opened:
        stored = opened.run(run)
        before, after = (opened.analysed(each.id) for each in (stored.earlier[0], stored.analysis))
    assert (before.engine.strokes, after.engine.strokes, len(stored.earlier)) == (2, 4, 1)
    assert after.measures.speed.rpm == pytest.approx(3358, rel=0.01), "as told with the recording"
    assert before.measures.speed.confidence < 0.5 < after.measures.speed.confidence
    page = browser.get(f"/runs/{run}").text
    assert "Earlier results (1)" in page and "told otherwise" not in page
    assert "told otherwise since" not in browser.get(f"/jobs/{job}").text + browser.get("/machines/1").text
    assert "told otherwise" not in browser.get(f"/jobs/{job}/hand-back").text


def test_a_take_says_that_the_engine_was_told_otherwise_and_is_analysed_again(store, server, browser, clip_bytes):
    job = new_job(store, strokes=2)
    take = browser.send(job, clip_bytes)
    browser.wait(take)
    assert "told otherwise since" not in browser.get(f"/takes/{take}").text
    browser.post("/machines/1/engine", {"strokes": "4"})
    page = browser.get(f"/takes/{take}").text
    assert "The engine was told otherwise since: Strokes." in text_of(page) and 'name="told" value="1"' in page
    assert browser.post(f"/takes/{take}/again", {"told": "1"}).status == 303
    assert browser.wait(take)["state"] == "done"
    found = server.desk.takes.get(take)
    assert found.run.engine.strokes == 4 and not found.ran and not found.run.timeline.by_word
    assert "told otherwise since" not in browser.get(f"/takes/{take}").text


def test_one_recording_is_analysed_again_by_itself(store, server, browser, clip_bytes):
    job = new_job(store)
    run = attached(browser, job, clip_bytes)
    assert browser.post(f"/runs/{run}/again").status == 303 and browser.post(f"/runs/{run}/again").status == 303
    assert until(browser, job) == []
    with open_store(store) as opened:
        assert len(opened.run(run).earlier) in (1, 2), "a second tap while it waits is no second analysis"


def test_what_fails_leaves_the_earlier_result_and_can_be_tried_once_more(store, server, browser):
    """The bytes of this take are no recording at all: its answer was made by hand."""
    job = new_job(store)
    take = with_answer(server, job, make_runs.hunting_pump(), sound=b"sound")
    browser.post(f"/takes/{take}/attach", {"stage": "before"})
    assert browser.post(f"/jobs/{job}/again").status == 303
    assert [each["state"] for each in until(browser, job)] == ["failed"]
    page = browser.get(f"/jobs/{job}").text
    assert "The earlier result stays" in page and "Try once more" in page
    with open_store(store) as opened:
        assert len(opened.run(1).earlier) == 0 and opened.run(1).run is not None
    assert browser.post("/runs/1/again").status == 303 and until(browser, job)[0]["state"] == "failed"


def test_time_is_bounded_and_the_queue_too(tmp_path, clip_bytes):
    place = tmp_path / "shed.enginelog"
    clip = tmp_path / "clip.m4a"
    clip.write_bytes(clip_bytes)
    job = new_job(place)
    import hashlib

    sha256 = hashlib.sha256(clip_bytes).hexdigest()
    with open_store(place) as opened:
        run = make_runs.hunting_pump()
        opened.attach(job, replace(run, clip=replace(run.clip, sha256=sha256)), "before", recording=clip)
    with Server(Settings(store=place, port=0, bounds=bounds(worker_wall_s=0.05))) as server:
        browser = Browser(server)
        browser.get("/")
        assert browser.post("/runs/1/again").status == 303
        assert until(browser, job, 20)[0]["state"] == "failed"
        assert "more memory or time" in browser.get(f"/jobs/{job}").text
    with Server(Settings(store=place, port=0, bounds=bounds(most_takes=0))) as server:
        browser = Browser(server)
        browser.get("/")
        assert browser.post("/runs/1/again").status == 400
    with open_store(place) as opened:
        assert opened.run(1).earlier == () and opened.verify() == ()


def test_a_recording_of_which_no_copy_was_kept_is_said(store, browser):
    job = new_job(store)
    with open_store(store) as opened:
        opened.attach(job, make_runs.hunting_pump(), "before")
    page = browser.get(f"/jobs/{job}").text
    assert "no copy was kept" in page and f'action="/jobs/{job}/again"' not in page
    assert "Analyse it again" not in browser.get("/runs/1").text
    for path in (f"/jobs/{job}/again", "/runs/1/again"):
        refused = browser.post(path)
        assert refused.status == 400 and "no kept recording" in refused.text
    assert browser.post("/runs/9/again").status == browser.post("/jobs/9/again").status == 404
    assert browser.get("/jobs/9/again").json == []


def test_phones_go_first(tmp_path):
    """What somebody waits for at the bench stands before what is analysed again."""
    from types import SimpleNamespace

    from enginelog.bench.workshop import Workshop

    shop = Workshop(Settings(store=tmp_path / "shed.enginelog"))
    orders = [SimpleNamespace(patient=each, name=at) for at, each in enumerate((True, True, False, False))]
    for each in orders:
        shop.add(each)
    assert [shop.place(each) for each in orders] == [2, 3, 0, 1]


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({}, ()),
        ({"strokes": 2}, ("strokes",)),
        ({"rated_rpm": 3600.0, "blade_length_mm": 500.0}, ("rated_rpm", "blade_length_mm")),
        ({"assumed": ("strokes",)}, ()),
        ({"alternator_poles": 4, "machine": "other"}, ("machine", "poles")),
        ({"cylinders": 1, "firing_angles_deg": (0.0,)}, ("cylinders",)),
        ({"firing_angles_deg": (0.0, 270.0)}, ("firing_angles",)),
        ({"firing_angles_deg": (0.0, 270.0), "assumed": ("firing_angles_deg",)}, ()),
    ],
)
def test_in_what_an_engine_is_told_otherwise(changed, said):
    then = replace(make_runs.healthy_generator().engine, cylinders=2, firing_angles_deg=(0.0, 360.0), strokes=4)
    assert told_otherwise(then, replace(then, **changed)) == said


def test_a_job_handed_back_says_how_the_engine_was_told_then_and_asks_for_nothing(store, server, browser):
    """Another engine may have been fitted since: what was judged and handed back was of the former."""
    job = new_job(store, strokes=2)
    with open_store(store) as opened:
        run = make_runs.hunting_pump()
        opened.attach(job, replace(run, engine=opened.machine(1).engine), "before")
        opened.hand_back(job, "", "", "", b"<html></html>")
    browser.post("/machines/1/engine", {"strokes": "4"})
    page = text_of(browser.get(f"/jobs/{job}").text)
    assert "The engine is told otherwise since this was handed back: strokes 2 then, 4" in page
    assert "run 1 was judged with the former" in page and "Analyse it again" not in page
    assert browser.post(f"/jobs/{job}/again").status == 400
    assert "told otherwise since" not in text_of(browser.get("/machines/1").text)
    with open_store(store) as opened:
        opened.reopen(job)
    assert "The engine was told otherwise since" in text_of(browser.get(f"/jobs/{job}").text)
