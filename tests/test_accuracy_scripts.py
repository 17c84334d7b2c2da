"""The scripts that measure: their scores are right on cases worked out by hand, and their tables come out."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from enginelog import media, speed, synthesis
from enginelog.model import Clip, Engine
from enginelog.synthesis import truth

SCRIPTS = Path(__file__).resolve().parents[1] / "scripts"
sys.path.append(str(SCRIPTS))  # at the end: one of the scripts has the name of a package of Python's own

import accuracy  # noqa: E402
import cost  # noqa: E402
import peers  # noqa: E402
import test_layers  # noqa: E402
from measuring import (  # noqa: E402
    bound,
    expense,
    made,
    others,
    real,
    real_at_bench,
    scores,
    side_by_side,
    speed_tables,
    tables,
)
from measuring import trackers as trackers_  # noqa: E402

STEADY = made.Case(1, "mower", "ordinary", "steady")


def reading(rpm, low=None, high=None, confidence=0.9, case=STEADY, rated=False, true=3000.0):
    return made.Reading(case, rated, true, rpm, low, high, confidence, rpm is not None, True, (rpm or np.nan) / true)


# ---------------------------------------------------------------- scores


def test_octaves_and_nearness():
    ratio = np.array([1.0, 1.003, 1.0031, 0.5, 0.514, 0.516, 1.5, 3.0, 0.25, 1.1, np.nan])
    assert scores.within(ratio, 0.3).tolist() == [True, True] + [False] * 9
    assert scores.is_octave(ratio).tolist() == [False] * 3 + [True, True, False, True, True, True, False, False]


def test_frames_are_read_between_but_not_across_a_jump():
    frame_s, hz = np.array([0.025, 0.075, 0.125, 0.175]), np.array([20.0, 22.0, 44.0, np.nan])
    found = scores.at_times(np.array([0.05, 0.09, 0.11, 0.13, 0.16, 9.0]), frame_s, hz)
    expected = [np.sqrt(20.0 * 22.0), 22.0, 44.0, 44.0, np.nan, np.nan]
    np.testing.assert_allclose(found, expected, rtol=1e-12)


@pytest.mark.parametrize(("n", "expected_percent"), [(100, 2.95), (250, 1.19), (500, 0.597), (1000, 0.299)])
def test_interval_of_a_share_follows_the_rule_of_three(n, expected_percent):
    """None in n: the one-sided 95 % bound 1 - 0.05^(1/n), as in statistics textbooks (rule of three)."""
    low, high = tables.limits_of_share(0, n, level=0.9)
    assert low == 0 and 100 * high == pytest.approx(expected_percent, abs=0.005)


def test_a_table_is_markdown():
    assert tables.table(("a", "b"), [["x", 1]]) == "| a | b |\n|---|---:|\n| x | 1 |"
    assert tables.percent(1, 3) == "33.3" and tables.percent(0, 0) == "-" and tables.number(float("nan")) == "-"


# ---------------------------------------------------------------- made-up recordings


def test_speed_row_counts_what_happened():
    found = [
        reading(3000.0),
        reading(3012.0),  # 0.4 % off
        reading(1500.0, confidence=0.8),  # an octave below, and sure
        reading(3300.0, confidence=0.4),  # wrong, but not sure
        reading(None, confidence=0.0),
    ]
    row = speed_tables.speed_row("all", found)
    assert row == ["all", 5, "20.0", "40.0", 1, 1, 1, 0, 1, "5.200", "20.0", "40.0"]


def test_coverage_row_counts_intervals_that_hold():
    found = [
        reading(3001.0, 2998.0, 3004.0),
        reading(3010.0, 3005.0, 3015.0),
        reading(1500.0, 1499.0, 1501.0),
        reading(None),
    ]
    row = speed_tables.coverage_row("all", found)
    assert row[:3] == ["all", 3, "33.3"] and row[4] == "50.0" and row[5] == "0.100"


def test_tables_keep_hardness_and_what_was_told_apart():
    hard = replace(STEADY, hardness="hard", kind="saw")
    found = [reading(3000.0, 2990, 3010), reading(1500.0, 1490, 1510, case=hard), reading(3000.0, rated=True)]
    speeds, coverage = speed_tables.speed_table(found), speed_tables.coverage_table(found)
    assert "| **rated speed not told** | 2 | 50.0 |" in speeds
    assert "| **rated speed told** (machines that have one) | 1 | 100.0 |" in speeds
    assert "| saw | 1 | 0.0 |" in speeds
    assert "| **ordinary** | 1 | 100.0 |" in coverage and "| **hard** | 1 | 0.0 |" in coverage
    assert speed_tables.worst(found, 5) == [
        "- seed 1, saw, hard, steady: 1500 for 3000 rpm, confidence 0.90",
    ]
    silent = [*found, reading(None), replace(reading(None), heard=True), replace(reading(None), usable=False)]
    assert [line.split(": ")[1].split(",")[0] for line in speed_tables.unknown(silent, 9)] == [
        *("no engine heard", "engine heard", "clip called unusable"),
    ]


def test_what_somebody_said_and_how_loud_it_was_are_kept_apart():
    found = [replace(reading(None), disturbed_db=3.0), replace(reading(3000.0), disturbed_db=-2.0)]
    found.append(replace(reading(3000.0), disturbed_db=3.0, said_to_run=True))
    speeds = speed_tables.speed_table(found)
    for row in (
        "**rated speed not told** | 2 | 50.0",
        "own level | 1 | 100.0",
        "louder noise | 1 | 0.0",
        "throttle not moved, said to run | 1 | 100.0",
    ):
        assert f"{row} |" in speeds
    assert "own level" not in speed_tables.speed_table([found[0]])
    place = synthesis.Place(noise_db=-10.0, wind_db=-10.0, talk_db=None, hum_db=None, birds_db=None, knocks_db=None)
    assert made.disturbed_db(place) == pytest.approx(-10 + 10 * np.log10(2))


def test_every_kind_meets_every_behaviour():
    drawn = made.cases(130, 7, "hard")
    assert len({(case.kind, case.behaviour) for case in drawn}) == 130
    assert [case.seed for case in drawn] == list(range(7, 137)) and accuracy.RUNS >= 200


def test_what_is_told_of_the_engine():
    engine = synthesis.random_scenario(3, "twin_270").engine
    assert engine.rated_rpm and made.as_told(engine, rated=True).rated_rpm == engine.rated_rpm
    told = made.as_told(engine, rated=False)
    assert (told.rated_rpm, told.machine, told.firing_angles_deg) == (None, "mower twin", (0.0, 270.0))


def test_the_true_speed_counts_every_moment_alike():
    """Half a second of run-up left out, then 3000 rpm for 4 s and 1800 rpm for 3.6 s: the median is 3000, however the
    quarters of a second fall; a recording without a run has none."""
    t = np.arange(0, 8.1, 0.005)
    rpm = np.where(t < 0.5, 600.0, np.where(t < 4.5, 3000.0, 1800.0))
    turns = np.concatenate([[0.0], np.cumsum(rpm[:-1] / 60 * 0.005)])
    assert truth.median_speed(t, turns, 0.5, 8.1) == pytest.approx(3000.0)
    assert truth.median_speed(t, turns, 0.5, 0.7) is None
    assert np.isnan(made.true_speed(truth.nothing(8.1)))


@pytest.fixture
def short(monkeypatch):
    """Made-up recordings of three seconds, so that a few of them are quick."""

    def scenario(case):
        return synthesis.random_scenario(case.seed, case.kind, "easy", "steady", seconds=3.0)

    monkeypatch.setattr(made, "scenario_of", scenario)


def test_accuracy_prints_what_the_analysis_said(short, capsys, monkeypatch, tmp_path):
    seen = []
    analysed = made.analysed

    def spoilt(clip, engine, name="made up", ran=False):
        """The analysis, but where the rated speed is told, it is made to say twice the true speed."""
        run = analysed(clip, engine, name)
        seen.append(run)
        if engine.rated_rpm is None:
            return run
        return replace(run, measures=replace(run.measures, speed=replace(run.measures.speed, rpm=2 * true_rpm)))

    true_rpm = made.true_speed(synthesis.simulate(made.scenario_of(made.cases(1, 33_000, "ordinary")[0]))[1])
    monkeypatch.setattr(made, "analysed", spoilt)
    out = tmp_path / "tables.md"
    arguments = ["--rows", "ordinary", "--runs", "1", "--jobs", "1", "--first-seed", "33000", "--out", str(out)]
    assert accuracy.main(arguments) == 0
    printed = capsys.readouterr().out
    rows = {line.split("|")[1].strip(): line.split("|")[2:] for line in printed.splitlines() if line.startswith("| ")}
    untold = [cell.strip() for cell in rows["**rated speed not told**"]]
    rpm = seen[0].measures.speed.rpm
    error = "-" if rpm is None else f"{100 * abs(rpm / true_rpm - 1):.3f}"
    assert len(seen) == 2 and (untold[0], untold[4], untold[8]) == ("1", str(int(rpm is None)), error)
    told = [cell.strip() for cell in rows["**rated speed told** (machines that have one)"]]
    assert (told[0], told[2], told[3], told[8]) == ("1", "0.0", "1", "100.000")
    assert "Seeds 33000 to 33000" in printed
    assert out.read_text(encoding="utf-8").strip() == printed.strip()


def test_wrong_options_are_refused(capsys):
    for arguments in (["--rows", "speeds"], ["--runs", "0"], ["--jobs", "x"]):
        with pytest.raises(SystemExit) as ended:
            accuracy.main(arguments)
        assert ended.value.code == 2 and "expected" in capsys.readouterr().err


def test_sounds_without_engine_are_counted():
    sound = others.Sound("wind", 1, "ordinary")
    told = list(others.TOLD)
    heard = [others.Heard(sound, told[0], True, 3000.0, 0.7, 2), others.Heard(sound, told[1], False, None, 0.0, 0)]
    row = others.row("wind", heard)
    assert row[:3] == ["wind", 2, "50.0"] and row[4:] == [1, 0, 0, 1, "0.70", 1]


# ---------------------------------------------------------------- the bound


@pytest.mark.parametrize(
    ("rate_hz", "seconds", "eta", "lines", "expected_hz"),
    [
        (8000, 1, 1.0, [1], 0.0061640),
        (8000, 5, 0.1, [1], 0.00174346),
        (44_100, 1, 1.0, [1], 0.00262538),
        (8000, 1, 1.0, range(1, 11), 0.000314149),
        (8000, 1, 1.0, range(4, 11), 0.000320021),
    ],
)
def test_the_bound(rate_hz, seconds, eta, lines, expected_hz):
    """Cramer-Rao bound of one real line (Rife & Boorstyn 1974) and of ten lines, also without the first three."""
    assert bound.bound_hz(rate_hz, rate_hz * seconds, eta, np.array(lines)) == pytest.approx(expected_hz, rel=1e-5)


@pytest.mark.parametrize("snr_db", bound.SNRS_DB)
def test_signals_of_the_bound_are_what_they_say(snr_db):
    x, f0 = bound.signal_of(bound.Trial(snr_db, 5.0, 3))
    at = np.arange(len(x)) / bound.RATE_HZ
    angle = 2 * np.pi * f0 * np.outer(bound.LINES, at)
    basis = np.concatenate([np.cos(angle), np.sin(angle)])
    lines = np.linalg.lstsq(basis.T, x, rcond=None)[0] @ basis
    found_db = 10 * np.log10(np.mean(lines**2) / np.mean((x - lines) ** 2))
    assert found_db == pytest.approx(snr_db, abs=0.2)
    assert not np.array_equal(x, bound.signal_of(bound.Trial(snr_db, 5.0, 4))[0])


def test_bound_row_is_an_rms_over_the_bound():
    trial = bound.Trial(10.0, 5.0, 1)
    unit = bound.bound_of(trial)
    errors = [bound.Errors(trial, 3 * unit, np.nan, unit), bound.Errors(trial, -unit, np.nan, np.nan)]
    row = bound.bound_row(errors)
    assert row[:2] == ["10 dB, 5 s", 2] and row[3:] == ["2.24", 0, "-", 2, "1.00", 1]


# ---------------------------------------------------------------- real recordings and peers


def test_frame_row_counts_frames():
    sound = real.Sound("saw.ogg", "engine", "B", (Engine(strokes=2),), (0.1,) * 4, (100.0,) * 4)
    path, told = np.array([1.0, 1.02, 0.5, 1.2]), np.array([1.0, np.nan, 0.5, np.nan])
    verdict = real.Verdict(sound, sound.engines[0], True, 0.9, True, 6000.0, 0.9, path, told)
    row = real.frame_row("saw", [verdict])
    assert row == ["saw", 4, "50.0", "25.0", "25.0", "50.0", "50.0", "50.0", "1.00"]
    assert "in 1 of 1 recordings of engines" in real.heard_lines([verdict])


def test_real_recordings_are_left_out_with_the_reason(monkeypatch, tmp_path):
    monkeypatch.setenv("ENGINELOG_RECORDINGS", str(tmp_path / "none"))
    text = accuracy.Tables(accuracy.Told(("real",), 2, 1, 1)).real()
    assert "Left out: no index.csv" in text and side_by_side.real_recordings() == []


def test_real_frames_are_scored_against_their_labels(real_recordings, monkeypatch):
    monkeypatch.setenv("ENGINELOG_RECORDINGS", str(real_recordings))
    sound = next(sound for sound in real.sounds() if sound.name.startswith("car_motor"))
    clip, _ = media.read(sound.path)
    right, _ = real.frame_ratios(sound, clip, sound.engines[0])
    assert len(right) == len(sound.label_hz) > 50 and np.ptp(right) > 0
    assert scores.within(right, 3.0).mean() > 0.9


def test_real_recordings_at_the_bench_are_left_out_with_the_reason(monkeypatch, tmp_path):
    monkeypatch.setenv("ENGINELOG_RECORDINGS", str(tmp_path / "none"))
    assert "Left out: no index.csv" in accuracy.Tables(accuracy.Told(("bench",), 2, 1, 1)).bench()


def test_real_recordings_at_the_bench_are_scored_against_their_labels(real_recordings, monkeypatch):
    monkeypatch.setenv("ENGINELOG_RECORDINGS", str(real_recordings))
    puts = real_at_bench.places(2, 7)
    assert len({put.seed for put in puts}) == len(puts) == 6 * len(real.sounds())
    put = next(put for put in puts if put.hardness == "easy" and put.sound.name.startswith("car_motor"))
    (verdict,) = real_at_bench.judge(put)
    assert verdict.heard and scores.within(verdict.path_ratio, 3.0).mean() > 0.9
    row = real_at_bench._row("cars", [verdict])
    assert row[:4] == ["cars", 1, "100.0", len(put.sound.label_hz)] and len(row) == len(real_at_bench.HEAD)


def pulses(rate: float, seconds: float = 3.0) -> np.ndarray:
    """Bursts of noise, `rate` a second, at 8 kHz."""
    rng = np.random.default_rng(5)
    phase = (np.arange(int(seconds * trackers_.RATE_HZ)) / trackers_.RATE_HZ * rate) % 1.0
    return 0.1 * rng.normal(size=len(phase)) * np.exp(-12 * phase)


@pytest.mark.parametrize("rate", [13.0, 27.0, 55.0])
@pytest.mark.parametrize("name", [name for name in trackers_.PEERS if name not in trackers_.absent()])
def test_peers_follow_plain_pulses(name, rate):
    """Each peer that is installed, called as the script calls it, finds the rate or a simple part or multiple of it.

    The waveform is noise, so that only the envelope repeats: of the trackers only that of the envelope has to be right.
    """
    t_s, f0 = trackers_.PEERS[name][0](pulses(rate), trackers_.RATE_HZ, 8.0, 220.0)
    middle = (t_s > 0.5) & (t_s < 2.5)
    assert 30 <= middle.sum() <= 50
    if name.startswith("envelope"):
        assert np.median(f0[middle]) == pytest.approx(rate, rel=0.01)


def test_peers_rows_come_from_the_frames():
    clip = Clip(np.zeros(16_000, np.float32), 8000.0)
    one = side_by_side.Labelled("x", "made up", clip, Engine(), np.zeros(4), np.ones(4))
    ratio = np.array([1.01, 2.0, 1.1, np.nan])
    row = side_by_side.row("peer", [side_by_side.Result("peer", one, ratio, 0.5)])
    assert row == ["peer", 4, "25.0", "50.0", "75.0", "25.0", "66.7", "1.00", "250.0"]


def test_peers_print_a_table(short, monkeypatch, capsys):
    monkeypatch.setattr(side_by_side, "scenario_of", made.scenario_of)
    monkeypatch.setattr(trackers_, "PEERS", {k: v for k, v in trackers_.PEERS.items() if k.startswith("envelope")})
    assert peers.main(["--made", "1", "--no-real"]) == 0
    printed = capsys.readouterr().out
    rows = {line.split("|")[1].strip(): line.split("|") for line in printed.splitlines() if line.startswith("| ")}
    assert {"**enginelog, best path**", "envelope autocorrelation (scipy)"} <= set(rows)
    own = rows["**enginelog, best path**"]
    assert int(own[2]) > 40 and float(own[5]) < 50 and float(own[9]) > 0


# ---------------------------------------------------------------- cost


def test_hours_are_understood():
    assert cost.hours_of("1,6") == (1.0, 6.0) and cost.hours_of("0") == ()
    for wrong in ("six", "-1", "1000"):
        with pytest.raises(SystemExit):
            cost.options(["--hours", wrong])


def test_stages_are_timed_and_left_as_they_were():
    before = speed.track
    clip = Clip(np.random.default_rng(1).normal(0, 0.1, 24_000).astype(np.float32), 8000.0)
    with expense.watched() as times:
        assert speed.track is not before
        from enginelog import limits

        speed.track(clip, Engine(), limits.load("speed"))
    assert speed.track is before
    assert times["speed"] > 0 and all(times[name] == 0 for name in times if name != "speed")


def test_least_times_alternate():
    calls = []
    works = {"a": lambda: calls.append("a"), "b": lambda: calls.append("b") or sum(range(200_000))}
    least = expense.alternating(works, 2)
    assert calls == ["a", "b", "a", "b"] and least["b"].process_s > least["a"].process_s >= 0


def test_a_long_recording_and_its_peak_memory(tmp_path):
    short_one, long_one = tmp_path / "a.m4a", tmp_path / "b.m4a"
    sound = 0.1 * np.random.default_rng(2).normal(size=96_000)
    media.write(short_one, Clip(sound.astype(np.float32), 48_000.0))
    expense.write_long(short_one, long_one, 4)
    assert expense.decode(long_one) == pytest.approx(4 * expense.decode(short_one), rel=0.03)
    peak_mb, seconds, clock_s = expense.peak_memory(long_one)
    assert seconds == pytest.approx(8.0, rel=0.05) and 40 < peak_mb < 1000 and clock_s > 0
    (tmp_path / "bad.m4a").write_text("no sound", encoding="utf-8")
    assert "bad.m4a" in expense.peak_memory(tmp_path / "bad.m4a")


@pytest.mark.parametrize("path", sorted((SCRIPTS / "measuring").glob("*.py")), ids=lambda path: path.name)
def test_the_measuring_modules_keep_the_habits(path):
    test_layers.test_functions_and_files_stay_small(path)
    test_layers.test_what_is_public_is_documented(path)


# ---------------------------------------------------------------- the fit of the judges of lost firings


def test_slopes_are_those_of_the_loss():
    """Backward slopes against central differences (numerical analysis, textbook)."""
    import fit_firing

    rng = np.random.default_rng(3)
    shapes = [(4, 5), (5,), (5, 3), (3,), (3, 1), (1,)]
    values = [rng.standard_normal(shape) for shape in shapes]
    x, wanted = rng.standard_normal((20, 4)), (rng.random(20) < 0.4).astype(float)

    def loss(at):
        middle = np.tanh(np.tanh(x @ at[0] + at[1]) @ at[2] + at[3])
        chance = 1 / (1 + np.exp(-(middle @ at[4] + at[5])[:, 0]))
        return -np.mean(wanted * np.log(chance) + (1 - wanted) * np.log(1 - chance))

    for i, slope in enumerate(fit_firing.slopes(values, x, wanted, 0.0)):
        for place in (0, -1):
            high, low = [v.copy() for v in values], [v.copy() for v in values]
            high[i].flat[place] += 1e-5
            low[i].flat[place] -= 1e-5
            assert slope.flat[place] == pytest.approx((loss(high) - loss(low)) / 2e-5, abs=1e-5)


@pytest.mark.parametrize(
    ("called", "right"),
    [(range(0, 100, 10), True), (range(1, 101, 10), False), (range(0, 200, 10), False), (range(0, 0), False)],
)
def test_a_way_of_parting_is_right_event_by_event(called, right):
    """Ten of 400 lost: the same ten are right; ten others, twice as many or none are not."""
    import fit_firing

    truth, lost = np.zeros(400, bool), np.full(400, 0.001)
    truth[0:100:10] = True
    lost[list(called)] = 0.99
    assert fit_firing.is_right(lost, truth) is right
