"""What a store writes down once, and says as it was told: results of checks, numbers, a recording attached by two."""

import make_runs
import pytest
from store_makers import run_of

from enginelog.model import BenchCheck, UsageError
from enginelog.store import open_store
from enginelog.store.numbers import decimal
from enginelog.store.words import check_line


@pytest.mark.parametrize("text", ["120.500", "120,500", "1.200", "12,000", "999.999"])
def test_a_mark_that_may_part_thousands_is_asked_about(text):
    """120.500 is 120500 to some and 120.5 to others: a reading a thousand times off would be taken for one."""
    with pytest.raises(UsageError, match="which may be"):
        decimal(text)


@pytest.mark.parametrize(
    ("text", "number"), [("1200.500", 1200.5), ("0.500", 0.5), ("120.50", 120.5), ("120,5", 120.5), ("-50", -50.0)]
)
def test_one_that_cannot_is_taken(text, number):
    assert decimal(text) == number


@pytest.mark.parametrize(("result", "said"), [("pass", "passed"), ("fail", "failed"), ("not_checked", "not checked")])
def test_a_check_is_told_with_the_result_it_had(store, result, said):
    """What nobody checked must not read as passed."""
    job = store.take_in(store.remember("tiller Marigold", kind="tiller"), "stutters when warm")
    check: BenchCheck = store.tick(job.id, "spark_plug", result)
    assert check_line(check).startswith(f"spark plug {said}")


def test_a_recording_attached_by_two_at_the_same_moment_counts_once(store, tmp_path, monkeypatch):
    """The second comes in between the first one's look and its writing: while its recording is copied."""
    job = store.take_in(store.remember("tiller Marigold", kind="tiller"), "stutters when warm")
    recording = tmp_path / "before.m4a"
    recording.write_bytes(b"sound")
    run, put = run_of(b"sound", make_runs.pulls_only), store._put

    def slowly(*args):
        with open_store(tmp_path / "shed.enginelog") as other:
            other.attach(job.id, run, "before")
        return put(*args)

    monkeypatch.setattr(store, "_put", slowly)
    with pytest.raises(UsageError, match="holds this recording already"):
        store.attach(job.id, run, "before", recording=recording)
    assert len(store.record(job.id).runs) == 1
