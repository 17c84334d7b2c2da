"""Killed at any moment, and several writers at once: every acknowledged write is there, and the store is sound.

A kill ends the program, not the system: what it shows is that no write is acknowledged before it is committed, and that
none is left half done. That a commit survives a power cut rests on SQLite's synchronous FULL (test_store_opening.py).
"""

import os
import random
import signal
import time

import pytest
from store_makers import run_of

from enginelog.store import open_store
from enginelog.store.files import PASSING

ROUNDS = 220

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


def child(task):
    """Run `task(write_line)` in a child process; the reading end of its lines, and its number."""
    reading, writing = os.pipe()
    number = os.fork()
    if number:
        os.close(writing)
        return reading, number
    try:
        os.close(reading)
        task(lambda line: os.write(writing, line.encode() + b"\n"))
    finally:
        os._exit(0)


def said_so_far(reading, least):
    """What the child has said once it has said at least so many lines."""
    said = b""
    while said.count(b"\n") < least:
        said += os.read(reading, 4096)
    return said


def lines_of(reading, begun=b""):
    """All whole lines the child has said, up to its end."""
    with os.fdopen(reading, "rb") as stream:
        return [line.decode() for line in (begun + stream.read()).split(b"\n")[:-1]]


def write_on(path, folder, tell):
    """Write entries of every kind without end, telling of each once it is acknowledged."""
    with open_store(path) as store:
        for number in range(100_000):
            content = os.urandom(64)
            recording = folder / f"{os.getpid()}.m4a"
            recording.write_bytes(content)
            job = store.take_in("pump Heron", f"complaint {number}")
            tell(f"job {job.id}")
            tell(f"check {store.tick(job.id, 'spark', 'fail', 'x' * 500, photo=recording).id}")
            tell(f"work {store.add_work(job.id, 'part', 'plug', 450, 5).id}")
            tell(f"run {store.attach(job.id, run_of(content), 'before', recording=recording).id}")
            store.hand_back(job.id, "told", report=content * 3)
            tell(f"handback {job.id}")
            if number % 5 == 4:
                store.drop("job", job.id)
                tell(f"dropped {job.id}")


def check_acknowledged(store, said):
    """Every entry of the child's lines is in the store, with its files."""
    readers = {
        "job": store.job,
        "check": lambda number: store.file_path(store._one("checks", number, "check")["photo_sha256"]),
        "work": lambda number: store._one("work", number, "work entry"),
        "run": lambda number: (store.run(number), store.recording(number)),
        "handback": lambda number: store.file_path(store.job(number).handback.report_sha256),
        "dropped": lambda number: store.job(number).dropped.utc,
    }
    for line in said:
        kind, number = line.split()
        assert readers[kind](int(number)), line


def test_killed_at_any_moment_nothing_acknowledged_is_lost(tmp_path):
    path = tmp_path / "shed.enginelog"
    with open_store(path) as store:
        store.remember("pump Heron")
    chance = random.Random(7)
    acknowledged = 0
    for _ in range(ROUNDS):
        reading, number = child(lambda tell: write_on(path, tmp_path, tell))
        begun = said_so_far(reading, chance.choice((0, 1, 1, 2, 3)))
        time.sleep(chance.uniform(0.0, 0.008))
        os.kill(number, signal.SIGKILL)
        os.waitpid(number, 0)
        said = lines_of(reading, begun)
        acknowledged += len(said)
        with open_store(path) as store:
            check_acknowledged(store, said)
            assert store._db.execute("PRAGMA quick_check").fetchone()[0] == "ok"
    assert acknowledged > ROUNDS, "too few writes were made to show anything"
    with open_store(path) as store:
        assert store.verify() == (), "integrity, references, and the content of every file"


def test_killed_while_a_new_store_is_made(tmp_path):
    chance = random.Random(8)
    for round_number in range(25):
        path = tmp_path / f"new-{round_number}.enginelog"

        def make(tell, path=path):
            open_store(path).close()
            tell("made")

        reading, number = child(make)
        time.sleep(chance.uniform(0.0, 0.012))
        os.kill(number, signal.SIGKILL)
        os.waitpid(number, 0)
        os.close(reading)
        with open_store(path) as store:
            assert store.take_in(store.remember("pump Heron")).id == 1 and store.verify() == ()


def test_two_writers_at_once_lose_nothing(tmp_path):
    path = tmp_path / "shed.enginelog"
    with open_store(path) as store:
        store.take_in(store.remember("pump Heron"))

    def write(tell):
        with open_store(path) as store:
            for _ in range(60):
                tell(str(store.add_work(1, "part", "plug", 100).id))
                store.change_job(1, add_note="seen")

    children = [child(write) for _ in range(2)]
    numbers = [line for reading, _ in children for line in lines_of(reading)]
    for _, number in children:
        assert os.waitpid(number, 0)[1] == 0
    with open_store(path) as store:
        record = store.record(1)
        assert len(numbers) == 120 and sorted(map(int, numbers)) == sorted(entry.id for entry in record.work)
        assert record.cost_cents == 12_000 and record.job.note.count("seen") == 120 and store.verify() == ()


def test_a_new_store_opened_by_four_at_once_is_made_once(tmp_path):
    for round_number in range(4):
        path = tmp_path / f"new-{round_number}.enginelog"

        def make(tell, path=path):
            with open_store(path) as store:
                tell(str(store.take_in(store.remember("pump Heron")).id))

        children = [child(make) for _ in range(4)]
        numbers = sorted(line for reading, _ in children for line in lines_of(reading))
        for _, number in children:
            os.waitpid(number, 0)
        with open_store(path) as store:
            assert numbers == ["1", "2", "3", "4"] and len(store.machines()) == 1 and store.verify() == ()


def test_a_passing_file_that_is_gone_meanwhile_does_not_stop_a_purge(tmp_path):
    """A link to nowhere is listed and is not there, as a file that another program has just given its name."""
    with open_store(tmp_path / "shed.enginelog") as store:
        store.drop("job", store.take_in(store.remember("pump Heron")).id)
        store.files.folder.mkdir(parents=True, exist_ok=True)
        (store.files.folder / f"gone{PASSING}").symlink_to(tmp_path / "nowhere")
        assert store.purge().jobs == 1


def test_purging_beside_one_who_attaches_takes_no_file_in_use(tmp_path):
    """The same recording is attached and dropped again and again, while another program purges."""
    path = tmp_path / "shed.enginelog"
    with open_store(path) as store:
        store.take_in(store.remember("pump Heron"))
    recording = tmp_path / "a.m4a"
    recording.write_bytes(b"sound")

    def attach(tell):
        with open_store(path) as store:
            for _ in range(25):
                run = store.attach(1, run_of(b"sound"), "before", recording=recording)
                assert store.recording(run.id).read_bytes() == b"sound"
                tell("there")
                store.drop("run", run.id)

    reading, number = child(attach)
    with open_store(path) as store:
        gone = 0
        while os.waitpid(number, os.WNOHANG) == (0, 0):
            gone += store.purge().runs
        assert len(lines_of(reading)) == 25 and gone > 0
        store.purge()
        assert store.verify() == () and store.files.names() == {}
