"""Recordings on their way: in pieces, broken off, resumed, analysed apart, attached whole or not at all."""

import io
import json
import os
import re
import socket
import subprocess
import sys
import threading
import time
from dataclasses import asdict

import make_runs
import numpy as np
import pytest
import soundfile
from serve import Browser, Server, bounds, new_job, with_answer

from enginelog.bench.settings import Settings
from enginelog.bench.takes import NoTakeError, RefusedTakeError, Takes
from enginelog.model import Engine
from enginelog.store import open_store, run_codec


def test_upload_answer_attach(store, server, browser, clip_bytes):
    """The main path: what was sent is analysed in another process and kept byte for byte."""
    job = new_job(store)
    take = browser.send(job, clip_bytes, "vor der Arbeit 1.m4a", piece=40_000, conditions=["warm"])
    told = browser.wait(take)
    assert told["state"] == "done" and told["share"] == 1.0
    shown = browser.get(f"/takes/{take}").text
    assert "misfire" in shown.lower() and "rpm" in shown and "vor der Arbeit 1.m4a" in shown
    assert browser.get(f"/jobs/{job}").text.count(f"/takes/{take}") == 1
    done = browser.post(f"/takes/{take}/attach", {"stage": "before", "conditions": ["warm", "no load"], "note": "ä"})
    assert done.status == 303 and done.headers["location"] == "/runs/1?attached=1"
    assert browser.get(f"/takes/{take}").status == 303 and not list(server.desk.takes._folder.path.rglob("*.m4a"))
    with open_store(store) as opened:
        run = opened.run(1)
        assert opened.recording(1).read_bytes() == clip_bytes
        assert (run.stage, run.conditions, run.note) == ("before", ("warm", "no load"), "ä")
        assert run.recording_name == "vor der Arbeit 1.m4a" and abs(run.run.measures.speed.rpm / 3363 - 1) < 0.01
    got = browser.ask("GET", "/runs/1/recording", Range="bytes=1000-1999")  # RFC 9110, 14: ranges
    assert got.status == 206 and got.body == clip_bytes[1000:2000]
    assert got.headers["content-range"] == f"bytes 1000-1999/{len(clip_bytes)}"
    assert got.headers["content-type"] == "audio/mp4"
    assert browser.ask("GET", "/runs/1/recording", Range=f"bytes={len(clip_bytes)}-").status == 416
    track = browser.ask("GET", "/runs/1/track").json
    assert len(track["t"]) == len(track["rpm"]) == len(track["sure"]) and track["rated"] == 3350.0
    assert browser.get("/runs/1").status == 200 and "<svg" in browser.get("/runs/1/report").text


def test_a_broken_upload_goes_on_where_it_stopped(store, server, browser, clip_bytes):
    job = new_job(store)
    take = browser.announced(job, len(clip_bytes))
    head = browser.head("PUT", f"/takes/{take}?offset=0", f"Content-Length: {len(clip_bytes)}")
    with socket.create_connection(("127.0.0.1", server.port), 10) as raw:
        raw.sendall(head + clip_bytes[:30_000])
        time.sleep(0.3)
    until = time.monotonic() + 5
    while (state := browser.ask("GET", f"/takes/{take}/state").json)["received"] == 0 and time.monotonic() < until:
        time.sleep(0.05)
    assert state["state"] == "arriving" and state["received"] == 30_000
    with open_store(store) as opened:
        assert not opened.record(job).runs  # nothing half stored
    assert browser.post(f"/takes/{take}/attach", {"stage": "after"}).status == 409
    wrong = browser.ask("PUT", f"/takes/{take}?offset=0", clip_bytes[:10], X_Csrf_Token=browser.csrf)
    assert wrong.status == 409 and "30000" in wrong.text
    rest = browser.ask("PUT", f"/takes/{take}?offset=30000", clip_bytes[30_000:], X_Csrf_Token=browser.csrf)
    assert rest.json["received"] == len(clip_bytes)
    assert rest.json["state"] != "arriving"
    assert server.desk.takes.get(take).path.read_bytes() == clip_bytes


def test_a_connection_that_hangs_half_open_is_let_go(store, clip_bytes):
    """Out of reach, a phone does not close its connection: after a pause the take can be gone on with over another."""
    with Server(Settings(store=store, port=0, bounds=bounds(body_pause_s=1))) as server:
        browser = Browser(server)
        browser.get("/")
        take = browser.announced(new_job(store), len(clip_bytes))
        head = browser.head("PUT", f"/takes/{take}?offset=0", f"Content-Length: {len(clip_bytes)}")
        with socket.create_connection(("127.0.0.1", server.port), 10) as hanging:
            hanging.sendall(head + clip_bytes[:20_000])
            time.sleep(0.3)
            went, until = 0, time.monotonic() + 10
            while went != len(clip_bytes) and time.monotonic() < until:
                offset = browser.ask("GET", f"/takes/{take}/state").json["received"]
                piece = clip_bytes[offset:]
                got = browser.ask("PUT", f"/takes/{take}?offset={offset}", piece, X_Csrf_Token=browser.csrf)
                assert got.status in (200, 409)
                went = got.json["received"] if got.status == 200 else 0
                time.sleep(0.2)
        assert server.desk.takes.get(take).path.read_bytes() == clip_bytes


def test_a_second_tap_does_not_attach_twice(store, server, browser):
    job = new_job(store)
    take = with_answer(server, job, make_runs.healthy_generator())
    statuses = []
    taps = [
        threading.Thread(
            target=lambda: statuses.append(browser.post(f"/takes/{take}/attach", {"stage": "before"}).status)
        )
        for _ in range(4)
    ]
    for tap in taps:
        tap.start()
    for tap in taps:
        tap.join()
    assert sorted(statuses)[0] == 303 and statuses.count(303) == 1
    with open_store(store) as opened:
        assert len(opened.record(job).runs) == 1


def test_what_is_no_recording_says_so(store, server, browser):
    job = new_job(store)
    for data, name in ((b"<html>hello</html>" * 50, "a.m4a"), (os.urandom(5000), "b.wav")):
        take = browser.send(job, data, name)
        told = browser.wait(take)
        assert told["state"] == "failed" and len(told["problem"]) > 20, told
        page = browser.get(f"/takes/{take}")
        assert page.status == 200 and "could not be analysed" in page.text
        assert browser.post(f"/takes/{take}/attach", {"stage": "before"}).status == 409
        assert browser.post(f"/takes/{take}/discard").status == 303


@pytest.mark.parametrize("name", sorted(make_runs.ALL))
def test_any_answer_can_be_shown_and_attached(store, server, browser, name):
    """Whatever an analysis may come to, hostile names and two hours among it."""
    job = new_job(store)
    take = with_answer(server, job, make_runs.ALL[name](), name="<b>x</b>.m4a")
    shown = browser.get(f"/takes/{take}")
    assert shown.status == 200 and 'class="answer"' in shown.text
    assert "<script>alert" not in shown.text and "<img src=x" not in shown.text and "\u202e" not in shown.text
    track = browser.ask("GET", f"/takes/{take}/track").json
    assert len(track["t"]) == len(track["rpm"]) == len(track["sure"]) <= 6000
    assert browser.post(f"/takes/{take}/attach", {"stage": "before"}).status == 303
    for path in ("/runs/1", f"/jobs/{job}", "/machines/1", f"/jobs/{job}/compare"):
        assert browser.get(path).status == 200, path


def test_who_stood_beside_it_can_say_that_it_ran(store, server, browser):
    """Where none was heard the page asks; the recording is listened to again by that word, and only then."""
    job = new_job(store)
    rng, t_s = np.random.default_rng(3), np.arange(8 * 16_000) / 16_000
    waves = [np.sin(2 * np.pi * 3350.0 / 120.0 * k * t_s + rng.uniform(0, 6.28)) / k for k in range(1, 7)]
    sound, stream = np.sum(waves, axis=0) + 0.1 * rng.standard_normal(len(t_s)), io.BytesIO()
    soundfile.write(stream, 0.3 * sound / np.abs(sound).max(), 16_000, format="WAV")
    take = browser.send(job, stream.getvalue(), "tone.wav")
    assert browser.wait(take)["state"] == "done"
    asked = browser.get(f"/takes/{take}").text
    assert "No running engine" in asked and f"/takes/{take}/again" in asked
    assert browser.post(f"/takes/{take}/again").status == 303
    assert browser.wait(take)["state"] == "done"
    told = browser.get(f"/takes/{take}").text.replace("\xa0", " ")
    assert "at your word" in told and "3350 rpm" in told and f"/takes/{take}/again" not in told
    waits = with_answer(server, job, make_runs.ALL[sorted(make_runs.ALL)[0]]())
    server.desk.takes.get(waits).run = None
    assert browser.post(f"/takes/{waits}/again").status == 409


def order(tmp_path, clip_bytes, **changed) -> dict:
    recording = tmp_path / "recording.m4a"
    recording.write_bytes(clip_bytes)
    usual = {"recording": str(recording), "name": "a.m4a", "result": str(tmp_path / "run.bin"), 
             "engine": asdict(Engine()), "ran": False, "memory_bytes": 1_500_000_000, "cpu_s": 600}  # fmt: skip
    return usual | changed


def two_minutes() -> bytes:
    """A recording that takes a good deal more than a second of processor time."""
    stream = io.BytesIO()
    noise = np.random.default_rng(1).standard_normal(120 * 48_000)
    soundfile.write(stream, 0.1 * np.clip(noise, -5, 5), 48_000, format="WAV", subtype="PCM_16")
    return stream.getvalue()


def work(told: dict) -> subprocess.CompletedProcess:
    command = [sys.executable, "-P", "-m", "enginelog.bench.worker"]
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    return subprocess.run(command, input=json.dumps(told), capture_output=True, text=True, timeout=100, env=environment)


def test_the_worker_gives_the_run(tmp_path, clip_bytes):
    done = work(order(tmp_path, clip_bytes))
    assert done.returncode == 0
    run = run_codec.from_bytes((tmp_path / "run.bin").read_bytes())
    assert run.clip.name == "a.m4a" and run.timeline.engine_heard


@pytest.mark.skipif(sys.platform == "win32", reason="resource limits are those of POSIX systems")
def test_the_worker_is_bound_in_memory_and_time(tmp_path, clip_bytes):
    starved = work(order(tmp_path, clip_bytes, memory_bytes=250_000_000))
    assert starved.returncode != 0 and not (tmp_path / "run.bin").exists()
    hurried = work(order(tmp_path, two_minutes(), cpu_s=1))
    assert hurried.returncode != 0 and not (tmp_path / "run.bin").exists()


def test_a_worker_that_takes_too_long_is_ended(store, clip_bytes):
    with Server(Settings(store=store, port=0, bounds=bounds(worker_wall_s=0.2))) as server:
        browser = Browser(server)
        browser.get("/")
        told = browser.wait(browser.send(new_job(store), clip_bytes))
        assert told["state"] == "failed" and "more memory or time" in told["problem"]


def test_the_queue_shows_its_place_and_the_page_answers_meanwhile(store, server, browser, clip_bytes):
    job = new_job(store)
    takes = [browser.send(job, clip_bytes, f"{n}.m4a") for n in range(4)]
    states = [browser.ask("GET", f"/takes/{take}/state").json for take in takes]
    assert [state["before"] for state in states[-2:]] in ([1, 2], [0, 1])
    begun = time.monotonic()
    assert browser.get(f"/jobs/{job}").status == 200
    assert time.monotonic() - begun < 2.0  # generous: the machine of the tests may be busy with others
    for take in takes[1:]:
        browser.post(f"/takes/{take}/discard")
    assert browser.wait(takes[0])["state"] == "done"


def test_many_pictures_at_once_do_not_hold_up_the_pages(store, server, browser):
    job = new_job(store)
    for stage, run in (("before", make_runs.hunting_pump()), ("after", make_runs.healthy_generator())):
        browser.post(f"/takes/{with_answer(server, job, run)}/attach", {"stage": stage})
    paths = [f"/jobs/{job}/before-after.svg", "/runs/1/report", "/machines/1/trend.svg"] * 20
    statuses: list[int] = []
    asking = [
        threading.Thread(target=lambda path=path: statuses.append(browser.ask("GET", path).status)) for path in paths
    ]
    for each in asking:
        each.start()
    took = []
    while any(each.is_alive() for each in asking):
        begun = time.monotonic()
        assert browser.ask("GET", "/").status == 200
        took.append(time.monotonic() - begun)
        time.sleep(0.05)
    assert statuses == [200] * len(paths)
    assert sorted(took)[len(took) // 2] < 0.5 and len(took) > 5


def test_old_takes_are_forgotten(tmp_path):
    now = [0.0]
    takes = Takes(Settings(store=tmp_path / "s"), clock=lambda: now[0])
    arriving = takes.begin(1, "a.wav", 10, "before", (), "")
    folder = arriving.folder
    now[0] = 1000.0
    assert takes.get(arriving.id).state == "arriving"
    now[0] = 2000.0
    other = takes.begin(1, "b.wav", 10, "before", (), "")
    with pytest.raises(NoTakeError):
        takes.get(arriving.id)
    assert not folder.exists() and other.folder.exists()
    takes.clear()
    assert not other.folder.parent.exists()


def test_a_trickle_does_not_go_on_for_ever(tmp_path):
    now = [0.0]
    takes = Takes(Settings(store=tmp_path / "s"), clock=lambda: now[0])
    take = takes.begin(1, "a.wav", 100_000, "before", (), "")
    takes.open_piece(take.id, 0)
    for _ in range(10):
        now[0] += 700
        takes.add(take, b"x")
    now[0] += 700
    with pytest.raises(RefusedTakeError, match="too long"):
        takes.add(take, b"x")
    takes.forget_old()
    with pytest.raises(NoTakeError):
        takes.get(take.id)
    takes.clear()


def test_what_this_machine_recorded_is_not_forgotten_by_age(tmp_path):
    """A phone has its own copy of what it sent; of this there is no other."""
    now = [0.0]
    takes = Takes(Settings(store=tmp_path / "s"), clock=lambda: now[0])
    (tmp_path / "live.wav").write_bytes(b"x" * 100)
    take = takes.finished(1, "live recording.wav", tmp_path / "live.wav", "before")
    take.state = "done"
    now[0] += 10 * takes._settings.bound("take_kept_s")
    takes.forget_old()
    assert takes.only_here() == [(1, take.path)]
    takes.clear()


def test_a_take_thrown_away_while_it_comes(tmp_path):
    takes = Takes(Settings(store=tmp_path / "s"))
    take = takes.begin(1, "a.wav", 10, "before", (), "")
    takes.open_piece(take.id, 0)
    takes.discard(take.id)
    with pytest.raises(NoTakeError, match="sent again"):
        takes.add(take, b"12345")
    takes.close_piece(take)
    take = takes.begin(1, "a.wav", 10, "before", (), "")
    takes.open_piece(take.id, 0)
    takes.end(take.id)  # on purpose: its phone must not begin anew
    with pytest.raises(RefusedTakeError, match="thrown away already"):
        takes.add(take, b"12345")
    takes.close_piece(take)
    takes.clear()


def test_two_writers_of_one_take_are_kept_apart(tmp_path):
    takes = Takes(Settings(store=tmp_path / "s"))
    take = takes.begin(1, "a.wav", 10, "before", (), "")
    takes.open_piece(take.id, 0)
    with pytest.raises(RefusedTakeError):
        takes.open_piece(take.id, 0)
    takes.add(take, b"12345")
    takes.close_piece(take)
    takes.open_piece(take.id, 5)
    takes.clear()


def test_the_first_visitor_does_not_wait(store):
    """Templates are read before the server answers: the first page else took half a second."""
    from enginelog.bench.rendering import environment

    environment.cache_clear()
    with Server(Settings(store=store, port=0)):
        read = {name for _, name in environment().cache}
        assert set(environment().list_templates(extensions=["html"])) <= read


def test_what_became_of_a_take_is_known(store, server, browser):
    """Back after attaching leads to the run, and the phone learns that it may forget its copy."""
    job = new_job(store)
    take, other = (with_answer(server, job, make_runs.healthy_generator()) for _ in range(2))
    assert browser.post(f"/takes/{take}/attach", {"stage": "before"}).status == 303
    back = browser.get(f"/takes/{take}")
    assert (back.status, back.headers["location"]) == (303, "/runs/1")
    assert browser.get(f"/takes/{take}/state").json == {"state": "attached", "run": 1}
    assert browser.post(f"/takes/{other}/discard").status == 303
    assert browser.get(f"/takes/{other}/state").json == {"state": "discarded", "run": None}
    gone = browser.get(f"/takes/{other}")
    assert gone.status == 404 and "was thrown away" in gone.text.replace("This", "this")
    assert browser.get("/takes/never/state").status == 404


def test_no_clip_is_thrown_away_by_one_tap(store, server, browser):
    page = browser.get(f"/takes/{with_answer(server, new_job(store), make_runs.healthy_generator())}").text
    assert re.search(r"<details><summary>Throw this clip away</summary>\s*<form", page)
