"""How fast a large job record answers: opening, lists, search, what waits longest, history, one job.

    python3 scripts/store_speed.py                         # 1000, 10 000 and 100 000 jobs with five runs each
    python3 scripts/store_speed.py --jobs 10000 --record-bytes 35000    # records of the size of real ones

Each figure is the median and the slowest of several rounds, the store freshly opened; the system's file cache is warm.
Prints a table in Markdown. Records are random bytes: only their size matters, since lists do not read them. The machine
of the history is the one with most jobs.
"""

from __future__ import annotations

import argparse
import os
import random
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

from measuring.starting import ensure_environment

RUNS_A_JOB = 5
WORDS = ("stutters", "hunts", "will not start", "smokes", "stops when warm", "no power", "leaks", "rattles", "surges")
NAMES = ("Marigold", "Clover", "Heron", "Badger", "Lantern", "Thistle", "Daisy", "Sorrel")
FIGURES = (
    '{"heard": true, "usable": true, "pulls": 1, "rpm": 3012.5, "rpm_low": 3001.0, "rpm_high": 3020.0, '
    '"misfire_percent": 2.5, "misfire_low": 1.1, "misfire_high": 4.0, "hunting_swing_percent": null, '
    '"seconds_to_run": 1.5, "rundown_s": 2.0, "worst": "watch", "amiss": ["misfire"]}'
)
ZONE = "+01:00"


def moments(count: int) -> Iterator[str]:
    """Times over ten years, in order."""
    start = datetime(2016, 1, 1)
    for number in range(count):
        yield (start + timedelta(days=3650 * number / count)).strftime("%Y-%m-%dT%H:%M:%SZ")


def insert(db, table: str, rows: Iterator[tuple], columns: str) -> None:
    """Add many rows at once."""
    marks = ", ".join("?" * len(columns.split(",")))
    db.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", rows)


def fill(store, jobs: int, record_bytes: int) -> None:
    """Fill an empty store: a machine for each twenty jobs (one has ten times as many), every tenth job not done."""
    chance = random.Random(1)
    machines = max(1, jobs // 20)
    of_job = [1 if chance.random() < 200 / jobs else chance.randint(1, machines) for _ in range(jobs)]
    times = list(moments(jobs))
    states = ["waiting" if n % 20 == 0 else "open" if n % 20 == 10 else "done" for n in range(jobs)]
    with store.transaction() as db:
        labels = [f"{chance.choice(NAMES)} {number}" for number in range(1, machines + 1)]
        insert(
            db,
            "machines",
            (
                (label, label.casefold(), "mower", 4, 1, "[0.0]", "[]", "", "EUR", "", times[0], ZONE)
                for label in labels
            ),
            "label,label_key,kind,strokes,cylinders,firing_angles_deg,assumed,serial,currency,note,added_utc,added_zone",
        )
        complaints = [f"{chance.choice(WORDS)}, seen by neighbour {n}, {chance.choice(WORDS)}" for n in range(jobs)]
        insert(
            db,
            "jobs",
            ((of_job[n], times[n], ZONE, complaints[n], "low", "old", "", "", "lid is loose " * 10, states[n], "",
              times[n], ZONE) for n in range(jobs)),
            "machine_id,opened_utc,opened_zone,complaint,oil_level,fuel_state,smell,damage,note,state,waiting_for,"
            "since_utc,since_zone",
        )  # fmt: skip
        fill_entries(db, jobs, times, record_bytes)
        from enginelog.store import texts

        for number in range(1, jobs + 1):
            texts.refresh(db, number)


def fill_entries(db, jobs: int, times: list[str], record_bytes: int) -> None:
    """Checks, work and runs with their records, for every job."""
    numbers = range(1, jobs + 1)
    steps = ("compression", "spark", "fuel_tank", "air")
    insert(
        db,
        "checks",
        ((job, times[job - 1], ZONE, step, "pass", "looks well", "", "") for job in numbers for step in steps),
        "job_id,at_utc,at_zone,step,result,note,unit,photo_name",
    )
    insert(
        db,
        "work",
        ((job, times[job - 1], ZONE, "part", "spark plug", 450, 10, 1.0) for job in numbers),
        "job_id,at_utc,at_zone,kind,text,cost_cents,minutes,quantity",
    )
    runs = jobs * RUNS_A_JOB
    stages = ("before", "before", "during", "after", "after")
    insert(
        db,
        "runs",
        ((1 + n // RUNS_A_JOB, times[n // RUNS_A_JOB], ZONE, stages[n % 5], '["warm"]', "", f"clip_{n}.m4a",
          f"{n:064x}", 0) for n in range(runs)),
        "job_id,at_utc,at_zone,stage,conditions,note,recording_name,recording_sha256,recording_kept",
    )  # fmt: skip
    insert(
        db,
        "analyses",
        ((1 + n, times[n // RUNS_A_JOB], ZONE, "0.1.0", FIGURES) for n in range(runs)),
        "run_id,at_utc,at_zone,program_version,figures",
    )
    data = os.urandom(record_bytes)
    insert(db, "records", ((1 + n, data) for n in range(runs)), "analysis_id,data")


def questions(path: Path, jobs: int) -> dict[str, Callable[[], object]]:
    """What is asked of the store, each on a store opened anew (opening is part of it only where named)."""
    from enginelog.store import open_store

    def asked(question: Callable) -> Callable[[], object]:
        def ask() -> object:
            with open_store(path) as store:
                begun = time.perf_counter()
                question(store)
                return time.perf_counter() - begun

        return ask

    def opening() -> object:
        begun = time.perf_counter()
        open_store(path).close()
        return time.perf_counter() - begun

    return {
        "open the store": opening,
        "list, newest 50": asked(lambda store: store.jobs()),
        "list, newest 50 that wait": asked(lambda store: store.jobs(states=["waiting"])),
        "list, jobs with a run after": asked(lambda store: store.jobs(stage="after")),
        "list, page 100": asked(lambda store: store.jobs(offset=min(5000, jobs - 50))),
        "waiting longest, 50": asked(lambda store: store.jobs(longest_waiting=True)),
        "search, word of one job": asked(lambda store: store.jobs(f"neighbour {jobs // 2},")),
        "search, word of a fifth of the jobs": asked(lambda store: store.jobs("stutters")),
        "search, word of no job": asked(lambda store: store.jobs("zebra")),
        "count what is found": asked(lambda store: store.count_jobs("stutters")),
        "history of an ordinary machine, 20 jobs": asked(lambda store: store.history(2)),
        "history of the machine with most jobs, 220": asked(lambda store: store.history(1)),
        "list of machines": asked(lambda store: store.machines()),
        "one job, figures of its runs": asked(lambda store: store.record(jobs // 2, whole=False)),
    }


def measure(jobs: int, record_bytes: int, rounds: int, folder: Path) -> dict[str, tuple[float, float]]:
    """Median and slowest time of each question in milliseconds; the store's size is printed."""
    from enginelog.store import open_store

    path = folder / f"speed-{jobs}.enginelog"
    begun = time.perf_counter()
    with open_store(path) as store:
        fill(store, jobs, record_bytes)
        most = len(store.history(1).visits)
    size = path.stat().st_size / 1e6
    print(
        f"\n{jobs} jobs, {jobs * RUNS_A_JOB} runs with records of {record_bytes} bytes: {size:.0f} MB, "
        f"made in {time.perf_counter() - begun:.0f} s; most jobs of a machine: {most}"
    )
    found = {}
    for name, ask in questions(path, jobs).items():
        times = [1000 * float(ask()) for _ in range(rounds)]  # type: ignore[arg-type]
        found[name] = (statistics.median(times), max(times))
    return found


def main() -> int:
    """Measure every size asked for and print one table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", default="1000,10000,100000", help="sizes, separated by commas")
    parser.add_argument("--record-bytes", type=int, default=1000, help="size of each run's record")
    parser.add_argument("--rounds", type=int, default=9)
    chosen = parser.parse_args()
    sizes = [int(size) for size in chosen.jobs.split(",")]
    with tempfile.TemporaryDirectory() as folder:
        tables = [measure(size, chosen.record_bytes, chosen.rounds, Path(folder)) for size in sizes]
    print(f"\n| median (slowest) of {chosen.rounds}, ms | " + " | ".join(f"{size} jobs" for size in sizes) + " |")
    print("|---|" + "---:|" * len(sizes))
    for name in tables[0]:
        print(f"| {name} | " + " | ".join("{:.1f} ({:.1f})".format(*table[name]) for table in tables) + " |")
    return 0


if __name__ == "__main__":
    ensure_environment()
    raise SystemExit(main())
