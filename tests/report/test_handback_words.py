"""What the owner reads of a heard fault: its size, once, and also where the job was given up."""

from dataclasses import replace

import make_runs
import pytest
from made_handbacks import bare, recorded

from enginelog import report
from enginelog.model import Finding
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
