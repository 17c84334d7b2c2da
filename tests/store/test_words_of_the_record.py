"""What an entry, a machine's open jobs and a time are called wherever they are told (the project's own words)."""

import pytest

from enginelog import report
from enginelog.limits.trade import knowledge
from enginelog.model import UsageError
from enginelog.store import moments, words


@pytest.mark.parametrize(
    ("step", "result", "line"),
    [
        ("fuel_tank", "fail", "fuel in the tank failed"),
        ("turns_free", "fail", "turning over by hand failed"),
        ("cutting_gear", "pass", "chain or head passed"),
        ("choke_test", "fail", "choke test: helped"),
        ("choke_test", "pass", "choke test: did not help"),
        ("oil_in_cylinder", "fail", "compression again, with oil: rises with oil"),
        ("load_off", "fail", "the same without load: gone without load"),
        ("load_off", "not_checked", "the same without load: not checked"),
    ],
)
def test_a_check_is_told_by_its_title_and_a_trial_as_no_fault(store, step, result, line):
    """ "Load off failed", "turns free failed", "choke test failed" where it had helped."""
    job = store.take_in(store.remember("pump Heron"))
    store.tick(job.id, step, result)
    assert words.check_line(store.record(job.id).checks[0]) == line


def test_every_trial_says_what_it_showed_and_no_title_is_a_question():
    for check in knowledge.load().checks.values():
        assert bool(check.found) == check.trial and len(check.found) in (0, 2), check.name
        assert not check.title.lower().startswith(("does ", "is ", "do ")), check.title


def test_jobs_that_are_not_handed_back_are_named(store):
    machine = store.remember("pump Heron")
    first, second = store.take_in(machine), store.take_in(machine)
    assert words.not_handed_back([first, second]) == f"Not handed back yet: job {first.id}, {second.id}."
    assert words.not_handed_back([store.hand_back(first.id)]) == ""


def test_a_time_too_far_ahead_is_told_how_far_it_may_be():
    """ "Not in the future", though up to a day ahead is kept."""
    with pytest.raises(UsageError, match="no more than a day ahead"):
        moments.given("2999-01-01")


def test_the_paper_of_the_bench_calls_no_trial_failed(store):
    job = store.take_in(store.remember("pump Heron"))
    store.tick(job.id, "choke_test", "fail")
    store.tick(job.id, "spark", "fail")
    rows = report.handback_sheet.sheet(store.record(job.id), "bench").checks
    assert [(row.title, row.result) for row in rows] == [("Choke test", "helped"), ("Spark", "fail")]
