"""The parts behind a lost firing: the grid's path, ways of parting, the trained judges; and both on made-up engines."""

import numpy as np
import pytest

from enginelog import firing, limits, speed, synthesis
from enginelog.firing import bursts, cues, grid, groups, judging, nets

LIMITS = limits.load("firing")


def folds_of(drift, lost, seed=0):
    """Rows of one cycle each with a sharp pulse and its tail at the given places, noise alone where lost."""
    rng = np.random.default_rng(seed)
    x = np.arange(grid.FOLD_POINTS) / grid.FOLD_POINTS
    rows = np.array([np.exp(-12 * np.mod(x - at - 0.3, 1.0)) for at in drift])
    rows[lost] = 0.15
    return rows + 0.15 * rng.standard_normal(rows.shape)


def test_the_grid_finds_its_way_over_rows_that_tell_nothing():
    """Three tenths of a cycle lost in a burst of eight: from neighbour to neighbour it locks on wrongly or late."""
    drift = np.concatenate([np.zeros(90), np.linspace(0, 0.3, 8), np.full(40, 0.3)])
    folds = folds_of(drift, np.arange(90, 98))
    found = grid.lock(folds)
    off = found - drift
    off = (off - np.median(off[:50]) + 0.5) % 1.0 - 0.5
    assert np.abs(off[:90]).max() < 0.05 and np.abs(off[98:]).max() < 0.05
    first = grid._guess(folds) - drift
    first = (first - np.median(first[:50]) + 0.5) % 1.0 - 0.5
    assert np.abs(first[98:110]).max() > 0.1


def test_parting_of_two_levels_is_otsus():
    """Otsu (1979): for two pure levels the cut lies between them; nothing is left within."""
    apart, left, share = cues.parting(np.array([0.2] * 30 + [1.0] * 70))
    assert share == pytest.approx(0.3) and left == pytest.approx(0.2) and apart > 1e3


def test_one_group_cut_in_two_parts_by_its_known_distance():
    """A normal distribution cut at its mean: means at +-sqrt(2/pi) sigma, within sigma sqrt(1 - 2/pi): apart 2.65."""
    y = 5 + np.random.default_rng(0).standard_normal(20_000)
    assert cues.parting(y)[0] == pytest.approx(2 * np.sqrt(2 / np.pi) / np.sqrt(1 - 2 / np.pi), rel=0.02)


def test_the_linear_cut_is_fishers_direction():
    """Fisher's discriminant is S^-1 (m1 - m0) (textbook): a part that is noise common to both is used to cancel it."""
    rng = np.random.default_rng(1)
    common = rng.standard_normal(900)
    lost = np.zeros(900)
    lost[::5] = 1.0
    x = np.column_stack([common + (1 - lost), common + 0.1 * rng.standard_normal(900)])
    strength = groups.linear_cut(groups.folded(x), lost, keep=0.0)
    assert np.mean(strength[lost == 0]) == pytest.approx(1.0, abs=0.05)
    assert np.mean(strength[lost == 1]) == pytest.approx(0.0, abs=0.05)
    assert np.std(strength[lost == 0]) == pytest.approx(0.1, rel=0.2)  # the common noise alone would give 1


def test_too_few_lost_make_no_cut():
    lost = np.zeros(60)
    lost[3] = 1.0
    assert groups.linear_cut(groups.folded(np.random.default_rng(2).standard_normal((60, 4))), lost) is None


def test_what_is_left_of_the_pulse():
    shape = np.tile(np.r_[np.zeros(3), 1.0, 0.6, 0.3, np.zeros(4)], 2)
    parts = np.array([shape] * 40 + [0.3 * shape] * 10)
    lost = np.r_[np.zeros(40), np.ones(10)]
    assert groups.pulse_left(parts, lost) == pytest.approx((0.3, 0.3))
    assert groups.pulse_left(parts, np.zeros(50)) == (1.0, 1.0)


def test_the_shipped_judges_fit_what_they_are_given():
    judges = nets.shipped()
    assert {len(net.mean) for net in judges.event} == {len(cues.NAMES)}
    assert {len(net.mean) for net in judges.right} == {len(groups.EVIDENCE)}
    with pytest.raises(ValueError, match="3 inputs given"):
        judges.event[0].logit(np.zeros((1, 3)))


def made(kind, behaviour, seed, **fixed):
    scenario = synthesis.random_scenario(seed, kind, "easy", behaviour, seconds=9.0, **fixed)
    clip, truth = synthesis.make(scenario)
    track = speed.track(clip, scenario.engine, limits.load("speed"))
    return firing.locate(clip, track, scenario.engine, LIMITS), truth


def test_a_made_up_engine_close_by_is_counted():
    """A seed beyond those fitted on; truth from the simulated crank."""
    found, truth = made("generator", "misfire_random", 50_001)
    judged = np.isfinite(found.miss_probability)
    assert judged.mean() > 0.9
    percent = 100 * np.mean(found.miss_probability[judged] > 0.5)
    assert percent == pytest.approx(100 * truth.missed.mean(), abs=max(1.0, 10 * truth.missed.mean()))


def test_a_healthy_made_up_engine_loses_none():
    for kind, seed in (("generator", 50_011), ("twin_360", 50_012)):
        found, _ = made(kind, "steady", seed)
        assert np.mean(np.nan_to_num(found.miss_probability) > 0.5) <= 0.005


def test_the_widest_gap_lies_between_the_lost_and_the_others():
    """Logits of 90 firings about -7 and 10 lost about -3: the gap is between, and not at 0."""
    rng = np.random.default_rng(4)
    told = np.r_[-7 + 0.4 * rng.standard_normal(90), -2.5 + 0.3 * rng.standard_normal(10)]
    gap = groups.widest_gap(told)
    assert told[:90].max() < gap < told[90:].min()


@pytest.mark.parametrize("lost", [np.array([]), np.full(10, 4.0)])
def test_no_gap_to_move_to_where_there_is_none_or_it_is_at_0(lost):
    rng = np.random.default_rng(5)
    told = np.r_[-7 + 0.4 * rng.standard_normal(90), lost + 0.3 * rng.standard_normal(len(lost))]
    assert groups.widest_gap(told) is None


def crank_with_bursts(lengths, slowing=6.0, rate=25.0, gap=40):
    """(true, laid, lost of laid): moments of an engine whose rate falls while nothing fires and is back at once after,
    and what is laid where the rate is taken to stay as it was: lost ones too many in long bursts."""
    t, true, laid, lost = 0.0, [], [], []
    for length in lengths:
        for _ in range(gap):
            true.append(t)
            laid.append(t)
            lost.append(False)
            t += 1 / rate
        begin, now = t - 1 / rate, rate
        for _ in range(length):
            true.append(t)
            now -= slowing * (t - (true[-2] if len(true) > 1 else 0.0))
            t += 1 / now
        many = round((t - begin) * rate) - 1
        laid += [begin + (t - begin) * (k + 1) / (many + 1) for k in range(many)]
        lost += [True] * many
    for k in range(gap):
        true.append(t + k / rate)
        laid.append(t + k / rate)
        lost.append(False)
    return np.array(true), np.array(laid), np.array(lost)


def test_bursts_hold_as_many_as_the_slowing_crank_had_room_for():
    """Rate falling evenly from r by a: r T - a T^2 / 2 cycles in T (uniform deceleration, textbook). Bursts of one and
    two tell a; those of 12 are laid with some too many, which are taken out again."""
    true, laid, lost = crank_with_bursts([1, 2, 12, 1, 2, 14, 1, 9], slowing=9.0)
    assert len(laid) > len(true) + 3
    out = bursts.surplus(laid, np.where(lost, 0.99, 0.01))
    assert lost[out].all()
    assert abs(len(laid) - out.sum() - len(true)) <= 2


def test_nothing_is_taken_out_where_the_crank_keeps_its_speed_or_its_slowing_is_not_known():
    true, laid, lost = crank_with_bursts([1, 2, 12, 1, 2, 14], slowing=0.0)
    assert len(laid) == len(true)
    assert not bursts.surplus(laid, np.where(lost, 0.99, 0.01)).any()
    _, laid, lost = crank_with_bursts([12, 14, 9], slowing=9.0)
    assert not bursts.surplus(laid, np.where(lost, 0.99, 0.01)).any()
    assert not bursts.surplus(np.empty(0), np.empty(0)).any()


def test_a_gap_in_the_speed_is_bridged_by_a_dip():
    """Known at both edges of a parabola's dip, and its slopes there: cubic Hermite interpolation gives the parabola."""
    t = np.arange(0, 3, 0.05)
    rpm = 3000 - 900 * np.clip(1 - ((t - 1.5) / 0.6) ** 2, 0, None)
    known = np.abs(t - 1.5) > 0.33
    found = grid.bridged(t, t[known], rpm[known])
    assert found[known] == pytest.approx(rpm[known])
    assert np.abs(found - rpm).max() < 0.35 * np.abs(np.interp(t, t[known], rpm[known]) - rpm).max()
    level = grid.bridged(t, t[known], np.full(known.sum(), 3000.0))
    assert level == pytest.approx(np.full(len(t), 3000.0))


@pytest.mark.parametrize(
    ("doubts", "share", "told"),
    [((0.05, 0.5), 0.1, True), ((0.05, 0.5), 0.0, False), ((0.5, 0.5), 0.1, False), ((0.05, 0.05), 0.0, True)],
)
def test_a_twin_that_loses_some_is_told_by_the_mean_of_its_doubts(doubts, share, told):
    """A clean one only where neither cylinder is in doubt."""
    lost = np.where(np.arange(100) < 100 * share, 0.99, 0.01)
    assert judging._in_doubt(list(doubts), np.array([1.0, 0.8]), lost, LIMITS) is not told
    assert judging._in_doubt([doubts[1]], np.array([1.0]), lost, LIMITS) is (doubts[1] > LIMITS.value("most_doubt"))
    beside_dead = judging._in_doubt(list(doubts), np.array([1.0, 0.1]), lost, LIMITS)
    assert beside_dead is (max(doubts) > LIMITS.value("most_doubt_beside_dead"))
