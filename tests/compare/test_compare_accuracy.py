"""The accuracy script of comparing: its scores on cases worked out by hand, and its pairs."""

import sys
from pathlib import Path

import pytest

from enginelog.model import Compared, Comparison, Difference

SIDE = Compared("x", "x", "")


@pytest.fixture(scope="module")
def script():
    folder = str(Path(__file__).resolve().parents[2] / "scripts")
    sys.path.insert(0, folder)
    try:
        import accuracy_compare

        yield accuracy_compare
    finally:
        sys.path.remove(folder)


def said(verdict: str, difference: float, low: float, high: float, least: float = 1.0) -> Comparison:
    one = Difference("misfire", "Misfires", "%", verdict, "", 0.0, difference, difference, low, high, least)
    return Comparison(True, verdict, "", SIDE, SIDE, (one,))


def test_a_claim_where_nothing_changed_counts_against_it(script):
    scores = {}
    assert script.claims.note(scores, said("better", -3.0, -4.0, -2.0), {"misfire": 0.0}) == ["misfire"]
    assert script.claims.note(scores, said("same", 0.1, -0.5, 0.7), {"misfire": 0.0}) == []
    assert scores["misfire"].claimed_falsely == [True, False] and scores["misfire"].covered == [False, True]


def test_claims_are_right_by_their_direction(script):
    scores = {}
    script.claims.note(scores, said("better", -3.0, -4.0, -2.0), {"misfire": -5.0})
    script.claims.note(scores, said("worse", 3.0, 2.0, 4.0), {"misfire": -5.0})
    script.claims.note(scores, said("cannot_tell", -3.0, -9.0, 3.0), {"misfire": -5.0})
    script.claims.note(scores, said("cannot_tell", -3.0, -4.5, -1.5), {"misfire": -5.0})
    score = scores["misfire"]
    assert score.claims == [True, False]
    # The third pair's change, 5, is smaller than its half width, 6: it does not exceed what is stated.
    assert score.exceeding == ["right", "wrong", "cannot_tell"] and score.clear == ["right", "wrong", "cannot_tell"]
    assert script.claims.share(score.exceeding, "right") == "33.3" and script.claims.share([]) == "-"


def test_all_intervals_of_a_pair_must_hold(script):
    found = said("better", -3.0, -4.0, -2.0)
    assert script.claims.all_hold(found, {"misfire": -3.9}) and not script.claims.all_hold(found, {"misfire": -4.1})
    assert script.claims.all_hold(found, {"speed": 100.0})


def test_unknown_values_and_measures_without_truth_are_no_score(script):
    scores = {}
    missing = Comparison(True, "cannot_tell", "", SIDE, SIDE, (Difference("misfire", "", "%", "cannot_tell", ""),))
    script.claims.note(scores, missing, {"misfire": 1.0})
    script.claims.note(scores, said("better", -3.0, -4.0, -2.0), {})
    assert scores == {}


def test_a_pair_is_one_engine_with_one_thing_changed(script):
    kind = next(one for one in script.KINDS if one.name == "misfire cured")
    first, second = script.scenarios(kind, 3, False)
    differ = {name for name in vars(first) if getattr(first, name) != getattr(second, name)}
    assert "miss_share" in differ and differ <= {"miss_share", *script.OF_THE_RECORDING}
    same = next(one for one in script.KINDS if one.change is None)
    first, second = script.scenarios(same, 3, False)
    assert {name for name in vars(first) if getattr(first, name) != getattr(second, name)} <= set(
        script.OF_THE_RECORDING
    )


def test_pairs_as_sound_meet_every_kind_with_every_change(script):
    from measuring import sound_pairs

    found = sound_pairs.cases(28, 1)
    assert len({(kind, change) for _, kind, change in found}) == 28 and [seed for seed, *_ in found] == [*range(1, 29)]


def test_a_pair_as_sound_with_its_truth(script):
    from measuring import sound_pairs

    one = sound_pairs.pair(3011, "generator", ("hunting", "steady"))
    assert not one.unchanged and one.true["hunting"] < 0 and one.true["misfire"] == 0.0
    assert set(sound_pairs.pair(3012, "pump", ("steady", "steady")).true.values()) == {0.0}
