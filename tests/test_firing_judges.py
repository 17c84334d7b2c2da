"""The parts behind a lost firing: the grid's path, ways of parting, the trained judges; and both on made-up engines."""

from dataclasses import replace

import numpy as np
import pytest

from enginelog import firing, limits, speed, synthesis
from enginelog.firing import bursts, counting, cues, grid, groups, judging, nets, weighing
from enginelog.model import Engine

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
    first = grid._guess(np.fft.rfft(folds - folds.mean(1, keepdims=True), axis=1)) - drift
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
    assert all(len(getattr(judges, name)) >= 3 for name in nets.NAMES)
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


def crank_with_bursts(lengths, slowing=6.0, rate=25.0, gap=40, picks_up=True):
    """(true, laid, lost of laid): moments of an engine whose rate falls while nothing fires and is back after a dozen
    firings (or at once), and what is laid where the rate is taken to stay as it was: too many lost in long bursts."""
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
        for _ in range(12 if picks_up else 0):
            true.append(t)
            laid.append(t)
            lost.append(False)
            now += 0.25 * (rate - now)
            t += 1 / now
    for k in range(gap):
        true.append(t + k / rate)
        laid.append(t + k / rate)
        lost.append(False)
    return np.array(true), np.array(laid), np.array(lost)


def test_bursts_hold_as_many_as_the_slowing_crank_had_room_for():
    """Rate falling evenly from r to s: (r + s) T / 2 cycles in T (uniform deceleration, textbook). The two firings
    after tell s; bursts of 12 are laid with some too many, which are taken out again."""
    true, laid, lost = crank_with_bursts([12, 14, 9], slowing=9.0)
    assert len(laid) > len(true) + 3
    out = bursts.surplus(laid, np.where(lost, 0.99, 0.01))
    assert lost[out].all()
    assert abs(len(laid) - out.sum() - len(true)) <= 2


def test_where_the_rate_after_is_not_known_short_bursts_tell_the_slowing():
    """Bursts of one and two have no room for another number: they tell how fast the crank slows (r T - a T^2 / 2)."""
    true, laid, lost = crank_with_bursts([1, 2, 12, 1, 2, 14, 1, 9], slowing=9.0, picks_up=False)
    edges = np.flatnonzero(np.diff(np.r_[False, lost, False].astype(int)))
    doubtful = np.where(lost, 0.99, 0.01)
    doubtful[edges[1::2] + 1] = np.nan
    out = bursts.surplus(laid, doubtful)
    assert lost[out].all() and abs(len(laid) - out.sum() - len(true)) <= 3


def test_nothing_is_taken_out_where_the_crank_keeps_its_speed_or_its_slowing_is_not_known():
    true, laid, lost = crank_with_bursts([1, 2, 12, 1, 2, 14], slowing=0.0)
    assert len(laid) == len(true)
    assert not bursts.surplus(laid, np.where(lost, 0.99, 0.01)).any()
    _, laid, lost = crank_with_bursts([12, 14, 9], slowing=9.0)
    after = np.flatnonzero(np.diff(lost.astype(int)) == -1) + 2
    doubtful = np.where(lost, 0.99, 0.01)
    doubtful[after] = np.nan
    assert not bursts.surplus(laid, doubtful).any()
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


def read_cues(n=120, slots=1, bands=4, seed=3) -> cues.Cues:
    """Cues of noise: nothing to be told from them."""
    rng = np.random.default_rng(seed)
    table = 0.2 * rng.standard_normal((n, len(cues.NAMES))) + 1.0
    parts = 1 + 0.1 * rng.standard_normal((n, bands * cues.BINS))
    return cues.Cues(table, parts, rng.standard_normal((n, 2)), np.arange(n) % slots, slots, np.ones(slots))


def way(lost, kind=4):
    """A way of parting with strengths of 1 and 0.1."""
    lost = np.asarray(lost, float)
    return groups.Parted(1 - 0.9 * lost, lost, np.zeros(len(groups.EVIDENCE)), 0.1)


def slot_of(own, lost, level=1.0, dead=False) -> weighing.Slot:
    ways = [way(lost), way(np.full(len(own), 0.01))]
    right, clean = np.array([2.0, -2.0]), -2.0
    belief = weighing.believe(ways, right, clean)
    return weighing.Slot(np.asarray(own), ways, right, clean, belief, level, dead)


def test_a_second_look_reads_as_much_as_its_classifier_was_made_for():
    read = read_cues()
    lost = np.arange(120) % 10 == 0
    slots, logit = [slot_of(np.arange(120), lost)], np.where(lost, 2.0, -6.0)
    together = weighing.signs_of_all(read, slots, logit)
    inputs = weighing.second_inputs(read, slots, logit, together)
    judges = nets.shipped()
    assert inputs.shape == (120, len(judges.again[0].mean)) and np.isfinite(inputs).all()
    told = weighing.candidates(slots, np.where(lost, 0.9, 0.01))
    seen = counting.evidence(told, read, slots, logit, together)
    assert seen.shape == (len(weighing.CANDIDATES), len(judges.count[0].mean)) and np.isfinite(seen).all()


def test_candidates_agree_where_all_say_the_same_and_a_dead_cylinder_is_lost_in_each():
    n = 60
    lost = np.arange(0, n, 2) % 12 == 0
    slots = [slot_of(np.arange(0, n, 2), lost), slot_of(np.arange(1, n, 2), np.zeros(30), 0.1, dead=True)]
    slots[1] = replace(slots[1], belief=weighing._dead(30, 0.1))
    told = weighing.candidates(slots, np.repeat(np.where(lost, 0.9, 0.01), 2))
    assert told[:, 1::2] == pytest.approx(np.full((len(told), 30), weighing.DEAD))
    by_name = dict(zip(weighing.CANDIDATES, told > 0.5, strict=True))
    assert not by_name["none"][::2].any()
    for name in ("second", "between", "best"):
        assert (by_name[name][::2] == lost).all()


def test_a_crank_that_slows_where_firings_are_weak_is_a_sign():
    """Slowing that goes with the weakness of the firings correlates by -1 with their strength; dealt out anew by 0."""
    read, rng = read_cues(400), np.random.default_rng(1)
    slowing = np.tile(-read.column("pulse")[:, None], (1, 2))
    with_it = weighing.signs(replace(read, slowing=slowing), np.arange(400), np.full(400, -5.0))
    mixed = weighing.signs(replace(read, slowing=rng.permutation(slowing)), np.arange(400), np.full(400, -5.0))
    named = weighing.SIGNS.index("slowing_with_pulse"), weighing.SIGNS.index("slowing_of_weakest_0.05")
    assert with_it[named[0]] == pytest.approx(-1.0, abs=0.01) and abs(mixed[named[0]]) < 0.2
    assert with_it[named[1]] > mixed[named[1]] + 1
    assert len(with_it) == len(weighing.SIGNS)


def test_slots_of_one_shape_are_alike_and_one_without_an_onset_is_not():
    read = read_cues(80, slots=2)
    shape = np.tile(np.r_[0.2, 0.2, 2.0, 1.5, 1.0, 0.6, 0.4, 0.3, 0.2, 0.2], 4)
    same = replace(read, parts=np.tile(shape, (80, 1)))
    assert counting.likeness(same)[:3] == pytest.approx([1, 1, 1])
    tail = np.tile(np.linspace(1.0, 0.1, cues.BINS), 4)
    other = replace(read, parts=np.where((read.slot == 1)[:, None], tail, shape))
    assert counting.likeness(other)[0] < 0.7 and counting.likeness(other)[2] < 0.1
    assert (counting.likeness(read_cues()) == 1).all()


@pytest.mark.parametrize(("share", "silent"), [(0.0, True), (0.1, True), (0.6, False)])
def test_a_cylinder_without_a_front_of_its_own_is_not_told_to_fire(share, silent):
    """Nothing rises in its turn, only its neighbour's tail falls; one told to lose most of its firings may be told."""
    read = read_cues(80, slots=2)
    shape = np.tile(np.r_[0.2, 0.2, 2.0, 1.5, 1.0, 0.6, 0.4, 0.3, 0.2, 0.2], 4)
    tail = np.tile(np.linspace(1.0, 0.1, cues.BINS), 4)
    other = replace(read, parts=np.where((read.slot == 1)[:, None], tail, shape))
    told = np.where((read.slot == 1) & (np.arange(80) < 80 * share), 0.97, 0.01)
    assert counting.without_front(told, other, LIMITS) is silent
    assert not counting.without_front(told, replace(read, parts=np.tile(shape, (80, 1))), LIMITS)
    assert not counting.without_front(np.zeros(120), read_cues(), LIMITS)


@pytest.mark.parametrize(
    ("level", "burning", "heard"), [(1.0, 1.0, 1.0), (0.4, 1.0, 0.4), (1.0, 0.3, 1.0), (0.4, 0.3, 0.4)]
)
def test_a_cylinder_is_heard_as_strong_as_where_it_burns(level, burning, heard):
    """One that fires weakly all along is faint; one that burns three times in ten is as strong as the others then."""
    read = read_cues(200, slots=2)
    shape = np.tile(np.r_[0.2, 0.2, 2.0, 1.5, 1.0, 0.6, 0.4, 0.3, 0.2, 0.2], 4)
    turn = np.arange(200) // 2 % 10
    strength = np.where(read.slot == 0, 1.0, np.where(turn < 10 * burning, level, 0.1 * level))
    table = read.table.copy()
    table[:, cues.NAMES.index("pulse")] = strength
    found = judging.heard_over_loudest(replace(read, table=table, parts=strength[:, None] * shape))
    assert found == pytest.approx([1.0, heard])
    assert judging.heard_over_loudest(read_cues()) == pytest.approx([1.0])


@pytest.mark.parametrize(("percent", "points"), [(0.0, 0.5), (5.0, 0.5), (10.0, 0.7), (40.0, 2.8)])
def test_a_share_is_right_within_half_a_point_or_seven_per_cent(percent, points):
    """The claim that the judge of counts is taught."""
    assert counting.tolerance(percent) == pytest.approx(points)


def chunk(seed=4, n=200):
    """Windows of firings every 40 ms, every tenth lost."""
    rng = np.random.default_rng(seed)
    shape = np.r_[np.full(10, 0.3), np.linspace(2.0, 0.5, 30)]
    lost = np.arange(n) % 10 == 5
    cut = np.where(lost[:, None], 0.3, shape)[None] * np.ones((4, 1, 1)) + 0.05 * rng.standard_normal((4, n, 40))
    t_s = np.cumsum(np.full(n, 0.04) + 1e-4 * rng.standard_normal(n))
    centres = np.array([150.0, 400, 900, 1700])
    return cues.Windows(cut, t_s, np.zeros(n, int), np.full(n, 0.9), centres, np.full(4, 0.25)), lost


@pytest.mark.parametrize(("chance", "told"), [(0.99, True), (0.5, False)])
def test_a_count_is_told_where_it_is_likely_enough_to_be_right(monkeypatch, chance, told):
    """Else only what is plainly lost; the likeliest count is kept for the number of opportunities in a burst."""
    seen, lost = chunk()
    likely = np.where(lost, 0.97, 0.01)
    monkeypatch.setattr(judging, "count", lambda *_: (likely, chance))
    found = judging.judge_chunk(seen, Engine(), LIMITS)
    (probability,) = judging.told([found], LIMITS)
    assert np.array_equal(found.likely, likely)
    if told:
        assert np.array_equal(probability, likely)
    else:
        known = np.isfinite(probability)
        assert not known[~lost].any() and (probability[known] == judging.PLAIN).all()


@pytest.mark.parametrize(
    ("chances", "told"),
    [
        ((0.91, 0.91), (True, True)),
        ((0.97, 0.8, 0.88), (True, True, True)),  # one alone would not do
        ((0.95, 0.6, 0.6), (True, False, False)),
        ((0.88, 0.88, 0.88), (False, False, False)),
        ((0.99, 0.99, 0.2), (True, True, False)),  # far below the others
        ((0.0, 0.88), (False, False)),  # a count that cannot be right is no company
    ],
)
def test_counts_of_one_stretch_are_believed_together(monkeypatch, chances, told):
    """What is heard of one engine is much the same from chunk to chunk."""
    seen, lost = chunk()
    likely = np.where(lost, 0.97, 0.01)
    found = []
    for chance in chances:
        monkeypatch.setattr(judging, "count", lambda *_, chance=chance: (likely, chance))
        found.append(judging.judge_chunk(seen, Engine(), LIMITS))
    assert tuple(bool(np.isfinite(one).all()) for one in judging.told(found, LIMITS)) == told


@pytest.mark.parametrize(("cylinders", "told"), [(1, True), (4, False)])
def test_that_several_cylinders_lose_none_must_be_likelier(monkeypatch, cylinders, told):
    """A firing that puffs while others sound is easily missed; what is found lost mostly was."""
    seen, lost = chunk()
    seen = replace(seen, slot=np.arange(200) % cylinders)
    for likely, believed in ((np.where(lost, 0.97, 0.01), True), (np.full(200, 0.01), told)):
        monkeypatch.setattr(judging, "count", lambda *_, likely=likely: (likely, 0.92))
        found = judging.judge_chunk(seen, Engine(cylinders=cylinders), LIMITS)
        assert np.isfinite(judging.told([found], LIMITS)[0]).all() == believed


@pytest.mark.parametrize(("angles", "told"), [((0.0, 360.0), True), ((0.0, 180.0), False)])
def test_a_dead_cylinder_is_told_at_less_in_an_even_layout(monkeypatch, angles, told):
    """In an uneven one a silent place may lie beside the cylinders."""
    seen, _ = chunk()
    slot = np.arange(200) % 2
    seen = replace(seen, slot=slot, cut=np.where((slot == 1)[None, :, None], 0.3, seen.cut))
    likely = np.where(slot == 1, 0.97, 0.01)
    monkeypatch.setattr(judging, "count", lambda *_: (likely, 0.7))
    found = judging.judge_chunk(seen, Engine(cylinders=2, firing_angles_deg=angles), LIMITS)
    (probability,) = judging.told([found], LIMITS)
    assert np.isfinite(probability).all() == told
    if told:
        assert np.array_equal(probability, likely)


def test_every_way_is_weighed_once(monkeypatch):
    """What is believed of a slot and what of it is plainly lost come from one answer of the classifier."""
    seen, _ = chunk()
    asked, judges = [], nets.shipped()
    mean_logit = nets.mean_logit

    def counted(of, x):
        asked.extend([of] if of is judges.right else [])
        return mean_logit(of, x)

    monkeypatch.setattr(nets, "mean_logit", counted)
    judging.judge_chunk(seen, Engine(), LIMITS)
    assert len(asked) == 1
