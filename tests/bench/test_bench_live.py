"""The live view of the bench page: start, events, end of the sound, stop; a microphone that is missing or goes."""

import http.client
import json
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from serve import Browser, Server, new_job

from enginelog.bench import hearing
from enginelog.bench.desk import Desk
from enginelog.bench.rescuing import rescue
from enginelog.bench.settings import Settings
from enginelog.live import Source, sources
from enginelog.media import read, write
from enginelog.store import StoreUnreadableError

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"


@pytest.fixture
def sound(tmp_path) -> Path:
    """Three seconds of a generator."""
    clip = read(DEMO / "generator_lantern_50hz.flac")[0]
    short = type(clip)(clip.samples[: int(3 * clip.rate_hz)], clip.rate_hz)
    write(tmp_path / "short.wav", short)
    return tmp_path / "short.wav"


def events(server: Server, browser: Browser, most: int) -> list[dict]:
    """The first events, as the page's EventSource reads them."""
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
    connection.request("GET", "/live/events", headers={"Host": server.host, "Cookie": browser.cookie})
    got = connection.getresponse()
    assert got.getheader("content-type").startswith("text/event-stream")
    found: list[dict] = []
    while len(found) < most and (line := got.readline()):
        if line.startswith(b"data: "):
            found.append(json.loads(line[6:]))
    connection.close()
    return found


def test_start_watch_and_stop(store, sound):
    job = new_job(store)
    with Server(Settings(store=store, port=0, sound=sound)) as server:
        browser = Browser(server)
        browser.get("/")
        assert "Start listening" in browser.get(f"/jobs/{job}/live").text
        assert browser.post(f"/jobs/{job}/live/stop").status == 409
        assert browser.post(f"/jobs/{job}/live").status == 303
        assert browser.post(f"/jobs/{job}/live").status == 409  # one at a time
        told = events(server, browser, 1000)
        assert told[-1]["running"] is False and any(each.get("rpm") for each in told)
        known = [each for each in told if "at_s" in each]
        assert {
            "rpm",
            "confidence",
            "trend_rpm_per_s",
            "band_percent",
            "level_db",
            "clipped_percent",
            "misfires",
        } <= set(known[0])
        assert [each["at_s"] for each in known] == sorted(each["at_s"] for each in known)
        assert "Stop and analyse" in browser.get(f"/jobs/{job}/live").text  # the sound has ended by itself
        done = browser.post(f"/jobs/{job}/live/stop")
        assert done.status == 303
        take = server.desk.takes.get(done.headers["location"].split("/")[-1])
        assert take.job_id == job and abs(read(take.path)[0].seconds - 3.0) < 0.11


def test_a_missing_microphone_is_one_line(store, server, browser, monkeypatch):
    def missing() -> None:
        raise sources.NoMicrophoneError(sources.NO_LIBRARY)

    monkeypatch.setattr(sources, "_library", missing)
    job = new_job(store)
    told = browser.post(f"/jobs/{job}/live")
    assert told.status == 503 and "libportaudio2" in told.text
    assert "Start listening" in browser.get(f"/jobs/{job}/live").text


def test_a_microphone_that_is_pulled_out(store, server, browser, monkeypatch):
    """What was heard until then is kept."""
    import numpy as np

    def broken(stop):
        for _ in range(20):
            yield np.zeros(400, np.float32)
        raise sources.NoMicrophoneError("'USB' gives no sound: unplugged")

    monkeypatch.setattr(hearing, "microphone", lambda device: Source("USB", 8000, broken))
    job = new_job(store)
    assert browser.post(f"/jobs/{job}/live").status == 303
    until = time.monotonic() + 10
    while server.desk.live.running and time.monotonic() < until:
        time.sleep(0.02)
    assert "unplugged" in events(server, browser, 1)[0]["problem"]
    done = browser.post(f"/jobs/{job}/live/stop")
    take = server.desk.takes.get(done.headers["location"].split("/")[-1])
    assert abs(read(take.path)[0].seconds - 1.0) < 0.01


def begun(running: subprocess.Popen, store: Path) -> Browser:
    """A browser at a server in a process of its own, which records for job 1."""
    while "127.0.0.1" not in (line := running.stdout.readline()):
        assert running.poll() is None
    url = line.split(" at ")[1].strip().rstrip("/")
    where = SimpleNamespace(url=url, host=url.removeprefix("http://"), port=int(url.rsplit(":", 1)[1]))
    browser = Browser(where)
    browser.get("/")
    assert browser.post("/jobs/1/live").status == 303
    events(where, browser, 4)
    return browser


def unreadable(desk) -> None:
    raise StoreUnreadableError("the job record cannot be read just now; try again")


def test_a_recording_stays_where_the_job_record_cannot_be_read_as_it_is_stopped(store, sound, monkeypatch):
    job = new_job(store)
    with Server(Settings(store=store, port=0, sound=sound)) as server:
        browser = Browser(server)
        browser.get("/")
        assert browser.post(f"/jobs/{job}/live").status == 303
        events(server, browser, 4)
        with monkeypatch.context() as patched:
            patched.setattr(Desk, "store", unreadable)
            assert browser.post(f"/jobs/{job}/live/stop").status == 500
        assert not server.desk.live.running and server.desk.takes.of_job(job) == []
        assert "Stop and analyse" in browser.get(f"/jobs/{job}/live").text
        assert browser.post(f"/jobs/{job}/live").status == 409  # nothing is begun over it
        done = browser.post(f"/jobs/{job}/live/stop")
        assert done.status == 303
        [take] = server.desk.takes.of_job(job)
        assert read(take.path)[0].samples.size > 1000
        assert browser.post(f"/jobs/{job}/live").status == 303
        events(server, browser, 4)
        monkeypatch.setattr(Desk, "store", unreadable)
        assert browser.post(f"/jobs/{job}/live/stop").status == 500
    assert len(server.app.state.rescued) == 2  # the take, and what could not be stopped
    assert all(read(path)[0].samples.size > 1000 for path in server.app.state.rescued)


def test_a_recording_that_cannot_be_moved_stays(store, sound, monkeypatch):
    job = new_job(store)
    with Server(Settings(store=store, port=0, sound=sound)) as server:
        browser = Browser(server)
        browser.get("/")
        browser.post(f"/jobs/{job}/live")
        events(server, browser, 4)

        def full(*given) -> None:
            raise OSError(28, "No space left on device")

        with monkeypatch.context() as patched:
            patched.setattr("enginelog.bench.takes.shutil.move", full)
            told = browser.post(f"/jobs/{job}/live/stop")
        assert told.status == 409 and "No space left" in told.text and server.desk.takes.of_job(job) == []
        assert browser.post(f"/jobs/{job}/live/stop").status == 303


def test_an_old_page_of_one_job_ends_no_recording_of_another(store, sound):
    first, second = new_job(store), new_job(store, "pump Heron")
    with Server(Settings(store=store, port=0, sound=sound)) as server:
        browser = Browser(server)
        browser.get("/")
        assert browser.post(f"/jobs/{second}/live").status == 303
        told = browser.post(f"/jobs/{first}/live/stop")
        assert told.status == 409 and "stopped elsewhere" in told.text
        assert server.desk.live.active and server.desk.takes.of_job(first) == []
        assert events(server, browser, 4)[-1]["active"] is True
        assert browser.post(f"/jobs/{second}/live/stop").status == 303


def test_two_phones_start_at_the_same_moment(store, server, browser, monkeypatch):
    """One of them is refused: a second recording could never be stopped."""
    opened = []

    def slow(device) -> Source:
        opened.append(device)
        time.sleep(0.5)
        return Source("USB", 8000, lambda stop: iter(lambda: stop.wait(0.1), True))

    monkeypatch.setattr(hearing, "microphone", slow)
    job, told = new_job(store), []
    begin = [threading.Thread(target=lambda: told.append(browser.post(f"/jobs/{job}/live").status)) for _ in range(2)]
    for each in begin:
        each.start()
    for each in begin:
        each.join()
    assert sorted(told) == [303, 409] and len(opened) == 1


def serving(store: Path, sound: Path, folder: Path) -> subprocess.Popen:
    """A server in a process of its own, which hears this recording."""
    program = "import sys; from pathlib import Path; from enginelog import bench; bench.serve(bench.Settings("
    program += "store=Path(sys.argv[1]), port=0, sound=Path(sys.argv[2])), lambda line: print(line, flush=True))"
    command = [sys.executable, "-c", program, str(store), str(sound)]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent as a POSIX signal")
@pytest.mark.parametrize("stopped", [False, True])
def test_ctrl_c_loses_no_recording_of_this_machine(store, sound, tmp_path, stopped):
    """While it is being recorded, and when it was stopped but not attached: there is no other copy of it."""
    new_job(store)
    with serving(store, sound, tmp_path) as running:
        browser = begun(running, store)
        if stopped:
            assert browser.post("/jobs/1/live/stop").status == 303
        running.send_signal(signal.SIGINT)
        told = running.stdout.read()
    [kept] = tmp_path.glob("listen-job-1-*.wav")
    assert str(kept) in told
    assert read(kept)[0].samples.size > 1000


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent as a POSIX signal")
def test_ctrl_c_while_a_phone_watches_says_nothing_of_the_program(store, tmp_path):
    new_job(store)
    with serving(store, DEMO / "generator_lantern_50hz.flac", tmp_path) as running:
        browser = begun(running, store)
        watching = http.client.HTTPConnection("127.0.0.1", browser.server.port, timeout=20)
        watching.request("GET", "/live/events", headers={"Host": browser.server.host, "Cookie": browser.cookie})
        answer = watching.getresponse()
        answer.readline()
        asked_s = time.monotonic()
        running.send_signal(signal.SIGINT)
        told, complained = running.stdout.read(), running.stderr.read()
        took_s = time.monotonic() - asked_s
        watching.close()
    # (The Ctrl-C itself comes out of `serve` as an exception, which the command answers.)
    assert "it is kept" in told and "ERROR" not in complained and "ASGI" not in complained
    assert took_s < 3  # nobody is waited for until the patience of the server is over


def test_a_kept_recording_is_written_over_nothing(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    recorded = tmp_path / "take" / "recording.wav"
    recorded.parent.mkdir()
    recorded.write_bytes(b"x" * 100)
    found = [rescue([(7, recorded)], tmp_path / "shed.enginelog")[0] for _ in range(3)]
    assert len(set(found)) == 3 and all(path.read_bytes() == b"x" * 100 for path in found)
    recorded.write_bytes(b"x" * 44)  # a head and no sound
    assert rescue([(7, recorded), (7, tmp_path / "none.wav")], None) == []
