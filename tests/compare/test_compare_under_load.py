"""A run under load and one without differ by that alone. That hunting shows most without load is common practice of
the trade, no source; how a load is heard is of our own design."""

from dataclasses import replace

import pytest
from test_compare_runs import named, of_code, run

from enginelog.compare import FOR_THE_BENCH, compare
from enginelog.compare.under_load import RECORD_ALIKE, told_load
from enginelog.model import LoadRelease, LoadStep, Run
from enginelog.report.comparison import comparison_text


@pytest.fixture(scope="module")
def hunting() -> Run:
    return run("hunting", 3, hunt_hz=0.6, hunt_swing_percent=8.0)


@pytest.fixture(scope="module")
def calm() -> Run:
    return run("calm", 4)


def loaded(one: Run, *taken_s: float, released_s: tuple[float, ...] = ()) -> Run:
    measures = replace(
        one.measures,
        loads=tuple(LoadStep(at_s, 15.0, 5.0, 1.6, 1.0) for at_s in taken_s),
        releases=tuple(LoadRelease(at_s, 5.0, 5.0, 1.0) for at_s in released_s),
    )
    return named(one, f"{one.clip.name} {taken_s} {released_s}", measures=measures)


def test_hunting_without_load_is_not_called_cured_by_a_run_under_load(hunting, calm):
    """'It runs better than before: hunting, none heard after', of a pump that was loaded from second 2 on."""
    assert of_code(compare(hunting, calm), "hunting").verdict == "better"
    found = compare(hunting, loaded(calm, 2.0))
    assert found.verdict == "cannot_tell" and "hunting" in found.left_open
    assert {one.verdict for one in found.measures} == {"cannot_tell"}
    assert "only one of the two ran under load" in of_code(found, "hunting").text
    assert "the run after was under load" in " ".join(comparison_text(found).lower().split())
    assert RECORD_ALIKE in found.notes and RECORD_ALIKE in FOR_THE_BENCH, "how to record it is not for the owner"
    back = compare(loaded(calm, 2.0), hunting)
    assert of_code(back, "hunting").verdict == "cannot_tell", "nor is it said to have begun"


@pytest.mark.parametrize(
    ("taken", "released", "so"),
    [((2.0,), (), True), ((20.0,), (), False), ((2.0,), (6.0,), False), ((), (20.0,), True), ((), (4.0,), False)],
)
def test_under_load_is_what_was_loaded_for_most_of_its_running(hunting, calm, taken, released, so):
    """Of a run that is without load for a third, what shows without load is heard there all the same."""
    found = compare(hunting, loaded(calm, *taken, released_s=released))
    assert (of_code(found, "hunting").verdict == "cannot_tell") == so


def test_two_runs_under_load_are_compared(hunting, calm):
    assert of_code(compare(loaded(hunting, 2.0), loaded(calm, 2.0)), "hunting").verdict == "better"


@pytest.mark.parametrize(
    ("told", "so"),
    [((False, True), True), ((True, False), True), ((True, True), False), ((None, True), False), ((None, None), False)],
)
def test_what_was_told_of_the_load_counts(hunting, calm, told, so):
    """Told of one alone, nobody knows the other's."""
    found = compare(hunting, calm, loaded=told)
    assert (of_code(found, "hunting").verdict == "cannot_tell") == so
    heard = compare(hunting, loaded(calm, 2.0), loaded=(True, None))
    assert of_code(heard, "hunting").verdict == "better", "told of the one, heard of the other"


def test_the_words_by_which_a_load_is_told():
    assert told_load(("warm", "Under load ")) is True and told_load(("no load",)) is False
    assert told_load(("warm",)) is None and told_load(("no load", "under load")) is None
