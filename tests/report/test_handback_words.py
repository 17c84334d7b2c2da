"""What the owner reads of a heard fault: its size, once, and also where the job was given up."""

from dataclasses import replace

import make_runs
import pytest
from made_handbacks import bare, recorded

from enginelog import report
from enginelog.model import FOR_OWNER, Engine, Finding, LoadStep, Pop, Surges, ThrottleMove
from enginelog.report import owner_words
from enginelog.report.handback_sheet import sheet


def wandering(verdict: str, hunts: str | None = None):
    """A run whose speed stays within a band 10 % wide; hunts: the verdict on a swing, where there is one."""
    run = make_runs.hunting_pump()
    band = Finding("steadiness", verdict, "Within a band 10.0 % wide.", 10.0, "%", 5.0, "x")
    swing = [Finding("hunting", hunts, "Swings by 6.5 %.", 6.5, "%", 3.0, "x")] if hunts else []
    measures = replace(run.measures, findings=(band, *swing), speed=replace(run.measures.speed, band_percent=10.0))
    return replace(run, measures=measures)


def watched(run, stage: str = "after") -> list[str]:
    return [line.replace("\xa0", " ") for line in sheet(bare("pump", (recorded(run, stage),))).watch]


@pytest.mark.parametrize(("verdict", "little"), [("fault", ""), ("watch", "a little ")])
def test_a_speed_that_wanders_is_told_with_its_size(verdict, little):
    """Of a fault, 10 % wide, the owner read that it "wanders a little"."""
    said = f"Its speed wanders {little}where it should stand still, within a band 10.0 % wide."
    assert watched(wandering(verdict))[-1:] == [said]


def test_a_speed_that_hunts_is_not_said_to_wander_too():
    """ "By about 6.2 %" and then "a little" of the same swing."""
    lines = watched(wandering("watch", "fault"))
    assert any("goes up and down by itself" in line for line in lines) and "wanders" not in " ".join(lines)
    assert "wanders where" in " ".join(watched(wandering("fault", "watch"))), "what is worse is not left out"


@pytest.mark.parametrize("stage", ["before", "during"])
def test_of_a_job_given_up_the_message_names_the_heard_fault(stage):
    """It said "not recorded after the work" of a job without any, and not a word of the hunting."""
    found = bare("pump", (recorded(wandering("watch", "fault"), stage),))
    text = report.hand_back_text(found)
    assert "recorded, but no work was written down" in text and "after the work" not in text
    assert "Please watch: Its speed goes up and down by itself" in text
    page = report.hand_back_html(found)
    assert "A fault can be heard" in page.replace("a fault", "A fault") and "the work:" not in page


@pytest.mark.parametrize(
    ("percent", "said"),
    [(0.4, "fewer than one of 100"), (0.74, "fewer than one of 100"), (0.8, "one or two of 100"),
     (1.2, "one or two of 100"), (1.49, "one or two of 100"), (1.6, "about 2 of 100"), (9.9, "about 10 of 100")],
)  # fmt: skip
def test_lost_firings_are_told_to_the_owner_in_whole_ones(percent, said):
    """Rounded as numbers are: from three quarters on one, from one and a half on two."""
    run = make_runs.healthy_generator()
    firing = replace(run.measures.firing, misfire_percent=percent)
    found = owner_words._misfires(replace(run, measures=replace(run.measures, firing=firing)))
    assert found.startswith(f"Some firings fail: {said} while it was recorded")


BENCH_TALK = ("droop", "dip", "band", "damping", "surge", "interval", "±", "Load steps", "Throttle or load moved")


def amiss(code: str, value: float, limit: float, unit: str = "%", pops: tuple = (), engine=None, **measures):
    """A run of which this is to be watched. Its limits and figures are made up."""
    run = make_runs.hunting_pump()
    found = Finding(code, "watch", "Load steps: dipped, droop 3.6 ± 0.9 %, damping ratio 0.3.", value, unit, limit, "x")
    used = {"findings.surges_many": 5.0, "findings.droop_watch_percent": 8.0, "findings.hesitation_s": 0.4,
            "findings.bog_percent": 5.0}  # fmt: skip
    return replace(run, measures=replace(run.measures, findings=(found,), **measures), limits_used=used,
                   timeline=replace(run.timeline, pops=pops), engine=engine or run.engine)  # fmt: skip


STEPS = (LoadStep(4.0, 6.0, 2.0, 1.1), LoadStep(8.0, 15.2, 3.6, 2.1, 0.9))
IDLES = Engine(machine="saw", strokes=2, idle_rpm=2700.0)


@pytest.mark.parametrize(
    ("run", "said"),
    [
        (amiss("load", 3.6, 8.0, loads=STEPS),
         "When work is asked of it, it slows down by about 15 % and needs about 2 s to recover."),
        (amiss("load", 9.6, 8.0, loads=(LoadStep(4.0, 12.0, 9.6, None),), surges=Surges(7, 0.2, 0.03)),
         "When work is asked of it, it slows down by about 12 %. It stays about 10 % slower while it works."
         " Its speed then swings several times before it is steady."),
        (amiss("throttle", 0.8, 0.4, "s", throttle=(ThrottleMove(3.0, 5.0, 1700.0, 3100.0, 1.2, 0.8, 9.0),)),
         "When it is given more throttle, it hangs for about 0.8 s before it speeds up and first slows down"
         " by about 9 %."),
        (amiss("pops", 2.0, 0.0, "pops", pops=(Pop(3.0, 12.0, "running"), Pop(4.0, 12.0, "after_cut"))),
         "2 loud bangs were heard while it was recorded. A knock beside the machine sounds alike."),
        (amiss("pops", 1.0, 0.0, "pops", pops=(Pop(3.0, 12.0, "after_cut"),)),
         "1 loud bang was heard after it was switched off."),
        (amiss("speed", 3000.0, 2700.0, "rpm", engine=IDLES),
         "It idles too fast: at about 3000 rpm, where 2700 is right."),
        (amiss("speed", 2300.0, 2700.0, "rpm", engine=IDLES),
         "It idles too slowly: at about 2300 rpm, where 2700 is right."),
        (amiss("generator_frequency", 57.3, 54.0, "Hz"),
         "It runs too fast for the current it makes, by its sound at 57.3 Hz, where 54.0 is the most allowed: what is"
         " plugged in may be damaged. Have it measured before anything is plugged in."),
    ],
)  # fmt: skip
def test_the_owner_reads_plain_words(run, said):
    """He read 'Load steps: at 8.0 s speed dipped 15.2 %, droop 3.6 ± 0.9 %, damping ratio 0.30'."""
    lines = watched(run)
    assert lines[-1:] == [said] and not any(word in " ".join(lines) for word in BENCH_TALK)
    bench = " ".join(sheet(bare("pump", (recorded(run, "after"),)), "bench").watch)
    assert "droop" in bench, "the bench reads the finding itself"


def test_the_message_names_what_was_to_be_watched_and_is_not_shown_to_be_gone():
    """The page said 'not shown to be gone: cylinders', of a twin with a weak one; the message not a word of it."""
    twin = make_runs.weak_twin()
    untold = Finding("cylinder_balance", "unknown", "Cannot tell.")
    watch = Finding("cylinder_balance", "watch", "One cylinder sounds weaker.", 55.0, "%", 70.0, "x")
    runs = [replace(twin, clip=replace(twin.clip, sha256=letter * 64), measures=replace(twin.measures, findings=(one,)))
            for letter, one in (("a", watch), ("b", untold))]  # fmt: skip
    record = bare("mower twin", tuple(replace(recorded(run, stage), id=k) for k, (run, stage) in
                                      enumerate(zip(runs, ("before", "after"), strict=True), 3)))  # fmt: skip
    said = "eard before, and not shown to be gone: cylinders"
    assert said in sheet(record).top.text and said in report.hand_back_text(record)
    assert said not in report.hand_back_text(bare("mower twin", record.runs[1:]))


def test_a_note_for_the_owner_is_in_the_message_whole():
    record = bare("pump")
    told = replace(record.job, note=FOR_OWNER + "Open the tap before it is pulled. " * 20 + "\nBench only.")
    text = report.hand_back_text(replace(record, job=told))
    assert "Note: Open the tap before it is pulled." in text and text.count("Open the tap") == 20
    assert "Bench only" not in text
