"""The options that describe the engine: what is accepted, what is refused and how, and what is assumed and said."""

import pytest

from enginelog import model
from enginelog.cli import main
from enginelog.cli.engine_options import engine_from, hints
from enginelog.model.telling import MACHINES

UNTOLD = dict.fromkeys(
    ["strokes", "cylinders", "firing_angles", "rated_rpm", "idle_rpm", "machine", "blade_length_mm", "poles"]
)


def engine(**told) -> model.Engine:
    return engine_from(**{**UNTOLD, **told})


def test_what_is_not_told_is_assumed_and_named():
    assert engine() == model.Engine(assumed=("strokes", "cylinders", "firing_angles_deg"))
    assert engine(strokes="2").assumed == ("cylinders", "firing_angles_deg")
    assert engine(strokes="4", cylinders=1).assumed == ("firing_angles_deg",)


@pytest.mark.parametrize(
    ("strokes", "cylinders", "angles"),
    [
        # Even firing divides the cycle of 720 (four-stroke) or 360 degrees (two-stroke): textbook firing intervals.
        ("4", 1, (0,)),
        ("4", 2, (0, 360)),
        ("4", 3, (0, 240, 480)),
        ("4", 4, (0, 180, 360, 540)),
        ("2", 1, (0,)),
        ("2", 2, (0, 180)),
    ],
)
def test_even_firing(strokes, cylinders, angles):
    made = engine(strokes=strokes, cylinders=cylinders)
    assert made.firing_angles_deg == angles and made.even_firing


def test_firing_angles_tell_the_number_of_cylinders():
    # A 90 degree V-twin fires at intervals of 270 and 450 degrees (published firing-order tables).
    made = engine(strokes="4", firing_angles=(0.0, 270.0))
    assert (made.cylinders, made.assumed, made.even_firing) == (2, (), False)


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"cylinders": 2, "firing_angles": (0.0,)}, "1 given, one for each of 2 cylinders"),
        ({"cylinders": 1, "firing_angles": (0.0, 270.0)}, "2 given, one for each of 1 cylinder expected"),
        ({"firing_angles": (90.0, 270.0)}, "the first is 0"),
        ({"firing_angles": (0.0, 720.0)}, "below 720"),
        ({"strokes": "2", "firing_angles": (0.0, 360.0)}, "below 360"),
        ({"firing_angles": (0.0, 0.0)}, "apart"),
        ({"firing_angles": (0.0, 450.0, 270.0)}, "rising"),
        ({"firing_angles": (0.0, -90.0)}, "rising"),
        ({"rated_rpm": 3000.0, "idle_rpm": 3000.0}, "idle must be the lower"),
    ],
)
def test_contradictions_are_refused(told, words):
    with pytest.raises(model.UsageError, match=words):
        engine(**told)


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--strokes", "3"),
        ("--strokes", "four"),
        ("--cylinders", "0"),
        ("--cylinders", "13"),
        ("--cylinders", "1.5"),
        ("--cylinders", "nan"),
        ("--firing-angles", "0;270"),
        ("--firing-angles", "0,"),
        ("--firing-angles", "0,inf"),
        ("--rated-rpm", "99"),
        ("--rated-rpm", "20001"),
        ("--rated-rpm", "nan"),
        ("--rated-rpm", "3,6"),
        ("--idle-rpm", "-1"),
        ("--idle-rpm", "inf"),
        ("--blade-length-mm", "21"),
        ("--poles", "3"),
        ("--poles", "0"),
        ("--poles", "2.5"),
        ("--machine", "mowers"),
        ("--machine", ""),
    ],
)
def test_values_out_of_range_are_refused_with_what_was_given_and_expected(option, value, capsys):
    assert main(["check", "clip.wav", option, value]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1
    assert option in err and f"'{value}'" in err


@pytest.mark.parametrize("kind", MACHINES)
@pytest.mark.parametrize("spelling", [str, str.upper, lambda kind: kind.replace(" ", "-"), lambda kind: f" {kind}\t"])
def test_machines_are_known_in_any_spelling(kind, spelling, capsys):
    # An unreadable clip shows that the option itself was taken.
    assert main(["check", "no-such-clip.wav", "--poles", "3", "--machine", spelling(kind)]) == 2
    assert "--poles" in capsys.readouterr().err


@pytest.mark.parametrize("machine", ["saw", "trimmer"])
def test_four_strokes_are_never_silently_assumed_where_two_are_common(machine):
    assert any("--strokes 2" in line for line in hints(engine(machine=machine)))
    assert engine(machine=machine).strokes == 4
    assert not any("--strokes" in line for line in hints(engine(machine=machine, strokes="4")))


def test_other_assumptions_worth_a_word():
    assert any("--cylinders 2" in line for line in hints(engine(machine="mower twin")))
    assert any("0,270" in line and "--firing-angles" in line for line in hints(engine(cylinders=2)))
    assert any("(0,180)" in line and "--firing-angles" in line for line in hints(engine(strokes="2", cylinders=2)))
    assert hints(engine(machine="pump")) == []
    assert hints(engine(strokes="4", firing_angles=(0.0, 360.0), machine="mower twin")) == []


@pytest.mark.parametrize(
    ("said", "kind"), [("Brushcutter", "trimmer"), ("chain-saw", "saw"), ("lawnmower", "mower"), ("saw", "saw")]
)
def test_a_machine_may_have_its_everyday_name(said, kind):
    from enginelog.cli.engine_options import ALSO_CALLED, Machine

    assert Machine().convert(said, None, None) == kind
    assert set(ALSO_CALLED.values()) <= set(MACHINES) and not set(ALSO_CALLED) & set(MACHINES)
