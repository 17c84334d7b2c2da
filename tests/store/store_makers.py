"""Runs, recordings and filled stores for the tests of the job record. Machines are invented."""

import hashlib
from dataclasses import fields, is_dataclass, replace

import make_runs
import numpy as np

from enginelog.model import TakeIn
from enginelog.store.schema import TABLES


def same(one, other) -> bool:
    """Whether two values of the model are equal, arrays included (unknown equals unknown, kinds must match)."""
    if isinstance(one, np.ndarray):
        alike = isinstance(other, np.ndarray) and one.dtype == other.dtype and one.shape == other.shape
        return alike and np.array_equal(one, other, equal_nan=one.dtype.kind == "f")
    if is_dataclass(one):
        return type(one) is type(other) and all(same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    if isinstance(one, tuple):
        return isinstance(other, tuple) and len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, float) and one != one:
        return other != other
    return one == other


def rows_of(store) -> dict[str, list]:
    """Every row of every table, for comparing two stores; but for their identity, which each has of its own."""
    return {table: list(store.all_rows(table)) for table in TABLES if table != "identity"}


def run_of(content: bytes, maker=make_runs.pulls_only, **clip):
    """A run that says it is of a recording of this content."""
    run = maker()
    return replace(run, clip=replace(run.clip, sha256=hashlib.sha256(content).hexdigest(), **clip))


def fill(store, folder, texts=("stutters when warm",)):
    """Two machines, three jobs (one dropped), checks with a photo, work, two runs, one of them with its recording."""
    tiller = store.remember("tiller Marigold", kind="tiller", rated_rpm=3350.0, cost_limit_cents=4000)
    mower = store.remember("mower Clover", kind="mower", blade_length_mm=455.0, serial="A-17", currency="GBP")
    photo, recording = folder / "plug.JPG", folder / "before.m4a"
    photo.write_bytes(b"picture")
    recording.write_bytes(b"sound")
    job = store.take_in(tiller, texts[0], TakeIn("low", "old", "varnish", "none"), texts[-1])
    store.tick(job.id, "compression", "pass", texts[0], 650.0, "kPa", photo)
    store.tick(job.id, "spark", "fail", texts[-1])
    store.attach(job.id, run_of(b"sound"), "before", ("cold", texts[0][:80]), texts[-1], recording)
    store.add_analysis(1, run_of(b"sound"))
    store.add_work(job.id, "part", "spark plug", 450, 10)
    store.finish(job.id)
    store.hand_back(job.id, texts[0], "smoke", "April", b"<html>report</html>")
    second = store.take_in(mower, texts[-1])
    store.attach(second.id, run_of(b"other", make_runs.healthy_generator), "after", (), "", None)
    store.wait(second.id, "a gasket")
    third = store.take_in(tiller)
    store.drop("job", third.id)
    return job.id, second.id, third.id
