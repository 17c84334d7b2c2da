"""What arrives is byte for byte what was sent, or refused: a disk full for a moment, a folder that was cleared away.

No outside source but where named: the page's own promise, held against a disk that really stops within a write.
"""

import contextlib
import io
import os
import shutil
import sys
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import make_runs
import pytest
from PIL import Image
from serve import new_job, with_answer

from enginelog.bench.own_folder import OwnFolder
from enginelog.bench.settings import Settings
from enginelog.bench.takes import NoTakeError, RefusedTakeError, Takes
from enginelog.store import open_store

DATA = os.urandom(300_000)
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="limits and locks are those of POSIX systems")


@contextlib.contextmanager
def full_at(size: int):
    """No file may grow beyond this size: what fits is written, the rest is not (POSIX, setrlimit: RLIMIT_FSIZE)."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.fixture
def takes(tmp_path):
    made = Takes(Settings(store=tmp_path / "s"))
    yield made
    made.clear()


def piece(takes, take, data):
    """A piece as it comes from a phone, from where the server says it goes on."""
    takes.open_piece(take.id, take.received)
    try:
        takes.add(take, data)
    finally:
        takes.close_piece(take)


@POSIX
def test_a_disk_full_in_the_middle_of_a_write_spoils_nothing(takes):
    take = takes.begin(1, "a.wav", len(DATA), "before", (), "")
    piece(takes, take, DATA[:100_000])
    for _ in range(2):
        with full_at(150_000), pytest.raises(RefusedTakeError, match="cannot be kept here"):
            piece(takes, take, DATA[take.received :])
        assert take.received == 100_000 == take.path.stat().st_size
    piece(takes, take, DATA[take.received :])
    assert take.path.read_bytes() == DATA and take.state == "waiting"


def test_a_full_disk_is_not_told_as_too_many_recordings(takes, monkeypatch):
    monkeypatch.setattr(takes, "_free", lambda: 200_000_010)
    with pytest.raises(RefusedTakeError, match="nearly full"):
        takes.begin(1, "a.wav", 11, "before", (), "")
    assert takes.begin(1, "a.wav", 10, "before", (), "").state == "arriving"


def test_what_a_failed_write_left_is_written_over(takes):
    """Also where the file cannot be cut back, as on a disk that fails for a while."""
    take = takes.begin(1, "a.wav", len(DATA), "before", (), "")
    piece(takes, take, DATA[:100_000])
    with take.path.open("ab") as left:
        left.write(b"half of a piece")
    piece(takes, take, DATA[100_000:])
    assert take.path.read_bytes() == DATA and take.state == "waiting"


@pytest.mark.parametrize(
    "spoilt", [lambda whole: whole[:-1], lambda whole: whole + b"x", lambda whole: b"x" + whole[1:]]
)
def test_what_is_not_what_was_sent_must_be_sent_again(takes, spoilt):
    """The phone is told that it is not here (404), and begins anew while it has it still."""
    take = takes.begin(1, "a.wav", len(DATA), "before", (), "")
    takes.open_piece(take.id, 0)
    takes.add(take, DATA)
    take.path.write_bytes(spoilt(DATA))
    with pytest.raises(NoTakeError, match="sent again"):
        takes.close_piece(take)
    with pytest.raises(NoTakeError):
        takes.get(take.id)
    assert take.state == "arriving" and not take.folder.exists()


def test_a_disk_that_refuses_the_whole_at_last(takes, monkeypatch):
    """After fsync has failed nobody can tell what is on the disk (fsync(2)): it is sent again."""
    take = takes.begin(1, "a.wav", len(DATA), "before", (), "")
    takes.open_piece(take.id, 0)
    takes.add(take, DATA)
    monkeypatch.setattr(os, "fsync", lambda handle: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(NoTakeError, match="sent again"):
        takes.close_piece(take)


def test_a_folder_cleared_away_is_made_anew(store, server, browser, clip_bytes):
    """The place for passing files is cleared now and then: the page goes on, and asks for what is gone with it."""
    job = new_job(store)
    take = with_answer(server, job, make_runs.healthy_generator())
    stream = io.BytesIO()
    Image.new("RGB", (40, 30), "red").save(stream, "JPEG")

    def photo():
        path = f"/jobs/{job}/photos/spark"
        return browser.ask("PUT", path, stream.getvalue(), X_Csrf_Token=browser.csrf, Accept="application/json")

    assert photo().status == 201
    for folder in (server.desk.takes._folder, server.desk.photos._folder, server.desk.reruns._folder):
        shutil.rmtree(folder.path)
    assert browser.ask("GET", f"/takes/{take}/state").status == 404  # so that its phone offers it again
    again = photo()
    assert again.status == 201
    ticked = {"step": "spark", "result": "fail", "photo": again.json["id"]}
    assert browser.post(f"/jobs/{job}/checks", ticked).status == 303
    sent = browser.send(job, clip_bytes)
    assert browser.wait(sent)["state"] == "done"
    assert browser.post(f"/takes/{sent}/attach", {"stage": "before"}).status == 303
    assert browser.post("/runs/1/again").status == 303
    folders = (server.desk.takes._folder.path, server.desk.photos._folder.path, server.desk.reruns._folder.path)
    if sys.platform != "win32":
        assert {folder.stat().st_mode & 0o777 for folder in folders} == {0o700}


def test_no_place_for_passing_files_is_told_in_a_line(store, server, browser, clip_bytes, monkeypatch, tmp_path):
    job = new_job(store)
    with open_store(store) as opened:
        recording = tmp_path / "a.m4a"
        recording.write_bytes(clip_bytes)
        run = make_runs.healthy_generator()
        same = replace(run.clip, sha256=sha256(clip_bytes).hexdigest())
        opened.attach(job, replace(run, clip=same), "before", (), "", recording)
    for folder in (server.desk.takes._folder, server.desk.photos._folder, server.desk.reruns._folder):
        shutil.rmtree(folder.path)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "gone"))
    told = {"job": job, "name": "a.wav", "size": 5000, "stage": "before"}
    asked = (
        browser.post("/takes", told, Accept="application/json"),
        browser.ask("PUT", f"/jobs/{job}/photos/spark", b"x", X_Csrf_Token=browser.csrf, Accept="application/json"),
        browser.post("/runs/1/again", Accept="application/json"),
        browser.post(f"/jobs/{job}/live", Accept="application/json"),
    )
    for answer in asked[:3]:
        assert answer.status == 409 and "No such file or directory" in answer.json["problem"], answer.text
        assert str(tmp_path) not in answer.text
    assert asked[3].status in (409, 503)  # 503: this machine has no microphone, which is asked first


@POSIX
def test_the_folder_is_held_against_the_systems_own_cleaner():
    """tmpfiles.d(5), "Age": what another program holds locked is left out."""
    import fcntl

    folder = OwnFolder("enginelog-test-")
    handle = os.open(folder.path, os.O_RDONLY)
    with pytest.raises(BlockingIOError):
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    folder.clear()
    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(handle)


@POSIX
def test_another_ones_folder_of_that_name_is_not_taken(tmp_path):
    """Whoever sees the name in /tmp could lay a link there once it has been cleared."""
    folder = OwnFolder("enginelog-test-")
    shutil.rmtree(folder.path)
    (tmp_path / "theirs").mkdir()
    folder.path.symlink_to(tmp_path / "theirs")
    planted = folder.path
    assert folder.there() != planted and folder.there().is_dir() and not Path(folder.there()).is_symlink()
    folder.clear()
    planted.unlink()
