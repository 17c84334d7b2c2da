"""The trade's sums against tables and worked examples published by others; each source stands beside its check."""

import pytest

from enginelog import limits
from enginelog.limits.trade import cautions, formulas, machines

TIP = machines.usual("mower", "tip_speed")
MARGIN = machines.usual("mower", "tip_margin")

# US Army TM 5-4240-501-14P p. 143: blade length in inches and highest speed for a tip speed of 19000 ft/min.
BLADES = {18: 4032, 19: 3820, 20: 3629, 21: 3456, 22: 3299, 23: 3155, 24: 3024, 25: 2903, 26: 2791}


@pytest.mark.parametrize(("inches", "rpm"), BLADES.items())
def test_blade_table(inches, rpm):
    """All nine rows, to the rpm, from the limit as it stands in the data file."""
    assert formulas.blade_limit_rpm(25.4 * inches, 19_000 * 0.3048 / 60) == pytest.approx(rpm, abs=0.6)
    assert formulas.blade_limit_rpm(25.4 * inches, TIP.high) == pytest.approx(rpm, abs=0.6)


@pytest.mark.parametrize("inches", BLADES)
def test_blade_limit_and_tip_speed_are_each_others_inverse(inches):
    length = 25.4 * inches
    assert formulas.tip_speed_m_s(length, formulas.blade_limit_rpm(length, TIP.high)) == pytest.approx(TIP.high)


def test_tip_speed_conversion():
    """19000 ft/min = 96.52 m/s: 1 ft = 0.3048 m by definition (international foot, 1959)."""
    assert TIP.high == 96.52 == pytest.approx(19_000 * 0.3048 / 60)
    assert formulas.ft_min(96.52) == pytest.approx(19_000)
    assert MARGIN.low == 200  # same page of the TM


@pytest.mark.parametrize(("rpm", "hz"), [(3780, 63.0), (3570, 59.5), (3150, 52.5), (2940, 49.0)])
def test_alternator_table(rpm, hz):
    """Generator service manual, speed table: two-pole set, no-load and full-load rows, 60 and 50 Hz."""
    assert formulas.alternator_hz(2, rpm) == hz and formulas.alternator_rpm(2, hz) == rpm


def test_the_generators_usual_band_is_that_table():
    """The same table: its no-load end is the upper end, its full load lies within (the lower end is 2.5 % below)."""
    for name, nominal, loaded, high in (("frequency_60", 60, 59.5, 63.0), ("frequency_50", 50, 49.0, 54.0)):
        band = machines.usual("generator", name)
        assert (band.low, band.high) == (pytest.approx(0.975 * nominal), high) and band.low < loaded < high


# ISO 8528-5 classes G1, G2, G3 as tabulated in King & Knight, Uninterruptible Power Supplies and Standby Power Systems,
# table 1.1: steady-state band, droop, dip on taking load (in per cent), recovery (s).
CLASSES = {"steady_g1_percent": 2.5, "steady_g2_percent": 1.5, "steady_g3_percent": 0.5}


def test_generator_classes():
    found = limits.load("findings")
    assert {name: found.value(name) for name in CLASSES} == CLASSES
    assert found.value("droop_watch_percent") == 8 == machines.usual("generator", "droop").high
    assert found.value("dip_watch_percent") == 15 and found.value("recovery_watch_s") == 10
    # The book's own example at 3600 rpm: bands 90, 54 and 18 rpm wide.
    assert [3600 * value / 100 for value in CLASSES.values()] == [90, 54, 18]


@pytest.mark.parametrize(("dba", "minutes"), [(85, 480), (88, 240), (94, 60), (97, 30), (100, 15)])
def test_noise_niosh(dba, minutes):
    """NIOSH: T = 8 h / 2^((L - 85) / 3): 94 dBA 60 min, 97 dBA 30 min, 100 dBA 15 min (85, 88: from the formula)."""
    niosh = cautions.noise()[0][0]
    assert niosh.name == "niosh" and 60 * niosh.hours(dba) == pytest.approx(minutes)


@pytest.mark.parametrize(("dba", "hours"), [(90, 8), (92, 6.1), (95, 4), (100, 2), (105, 1)])
def test_noise_osha(dba, hours):
    """29 CFR 1910.95 table G-16(a)."""
    osha = cautions.noise()[0][1]
    assert osha.name == "osha" and osha.hours(dba) == pytest.approx(hours, abs=0.05)


def test_typical_noise():
    """ASHA list of typical levels: petrol mower 91 dBA, chainsaw 112 dBA; from these 2 hours and about one minute."""
    mower, saw = cautions.exposures("mower"), cautions.exposures("saw")
    assert (mower[0].level_dba, saw[0].level_dba) == (91, 112)
    assert mower[0].minutes == pytest.approx(120) and saw[0].minutes == pytest.approx(0.94, abs=0.01)
    assert cautions.exposures("pump") == ()


def test_twin_balance_example():
    """Twin engine service manuals: 3400 rpm with both, 3300 without 1, 3100 without 2: cylinder 1 is the weak one; more
    than 75 rpm counts."""
    counts = limits.load("findings").value("balance_rpm")
    assert counts == 75
    assert formulas.weak_cylinder(3400, {1: 3300, 2: 3100}, counts) == 1
    assert formulas.weak_cylinder(3400, {1: 3150, 2: 3100}, counts) is None
    assert formulas.weak_cylinder(3400, {1: 3175, 2: 3100}, counts) is None  # 75 itself does not count


def test_thousand_revolutions():
    """13 CCR 1968.2 counts misfires in windows of 1000 revolutions: 20 s at 3000 rpm, 500 firings of a four-stroke
    single (by definition)."""
    seconds = formulas.seconds_for(1000, 3000)
    assert seconds == 20 and formulas.firings_in(1000, 4, 1) == 500 and formulas.firings_in(1000, 2, 1) == 1000


@pytest.mark.parametrize(("firings", "percent"), [(100, 2.95), (250, 1.19), (500, 0.597), (1000, 0.299)])
def test_none_heard_is_not_none(firings, percent):
    """1 - 0.05^(1/n) (rule of three): arithmetic."""
    assert formulas.unheard_percent(firings) == pytest.approx(percent, abs=0.005)


@pytest.mark.parametrize(
    ("strokes", "rpm", "hz"), [(4, 1400, 11.667), (4, 3000, 25), (4, 3600, 30), (2, 2800, 46.667), (2, 13_000, 216.667)]
)
def test_firing_rates(strokes, rpm, hz):
    """Firing frequency N c / 120 and N c / 60 (textbook: Heywood; Taylor): firings in the revolutions of one second."""
    assert formulas.firings_in(rpm / 60, strokes, 1) == pytest.approx(hz, abs=0.001)


def test_blade_stop():
    """16 CFR 1205.5(a)(1)(iii): 3.0 s."""
    assert machines.usual("mower", "blade_stop").high == 3.0 == limits.load("findings").value("blade_stop_s")


def test_the_findings_hold_a_blade_against_the_same_limits():
    assert formulas.m_s(limits.load("findings").value("tip_speed_ft_min")) == pytest.approx(TIP.high)
