"""What could hurt and was put right stands on the papers, with its figures before and after. Design of our own, no
outside source."""

from dataclasses import replace

import make_runs
import pytest
from test_dangers import AS_RATED, FAST, IN_TIME, SLOW, job, kept, saw

from enginelog import report
from enginelog.report.handback_sheet import sheet

WELL = make_runs.healthy_generator().measures.findings


def plain(text: str) -> str:
    return text.replace("\xa0", " ")


@pytest.mark.parametrize("audience", ["owner", "bench"])
def test_an_idle_near_the_clutch_that_was_put_right_is_on_the_papers(audience):
    """'Whether it runs better cannot be told', of a saw whose chain crept at 3894 rpm and idles at 2705 now."""
    record = job(saw(1, "before", 3894.0), saw(2, "after", 2705.0), work=7)
    top = sheet(record, audience).top
    assert top.answer == "Put right: idle near the clutch's speed" and "cannot be told" in top.text
    assert "it idled at 3894 rpm" in plain(top.text) and "after the work at 2705 rpm" in plain(top.text)
    line = "- Before the work it idled at 3894 rpm, near where its clutch takes up, so that what it drives may move;"
    assert f"{line} after the work at 2705 rpm." in report.hand_back_text(record)


def test_it_is_named_also_where_a_later_recording_is_the_one_compared():
    """Idle, then full throttle: the last pair alone was looked at."""
    runs = (saw(1, "before", 3894.0), saw(2, "before", 10235.0), saw(3, "after", 2705.0), saw(4, "after", 10466.0))
    found = sheet(job(*runs, work=12))
    assert "2705" in " ".join(found.mended) and "2705" in found.top.text


def test_what_still_stands_is_not_said_to_be_put_right():
    record = job(saw(1, "before", 3894.0), saw(2, "after", 3700.0), work=7)
    assert not sheet(record).mended and "Put right" not in sheet(record).top.answer
    both = job(kept(1, "before", SLOW, FAST, rpm=4357.0), kept(2, "after", IN_TIME, FAST, rpm=4357.0), work=7)
    found = sheet(both)
    assert plain(" ".join(found.mended)) == (
        "Before the work it took about 2.8 s to stand still; after the work about 1.6 s."
    )
    assert "Put right" not in found.top.answer and found.top.tone != "ok"
    again = job(kept(1, "before", SLOW), kept(2, "during", IN_TIME), kept(3, "after", SLOW))
    assert not sheet(again).mended


def test_what_was_too_fast_is_told_with_both_speeds():
    record = job(kept(1, "before", FAST, rpm=4357.0), kept(2, "after", AS_RATED, *WELL, rpm=3350.0), work=7)
    assert plain(sheet(record).mended[0]) == (
        "Before the work it turned at up to 4357 rpm, and is rated for 3350; after the work at most 3350 rpm."
    )
    assert not sheet(job(kept(1, "before", AS_RATED), kept(2, "after", AS_RATED))).mended


def test_whether_the_top_speed_keeps_its_limit_is_not_kept_from_the_owner():
    """Complaint: 'races'; the recording could not tell, which stood on no page of the owner's."""
    doubt = replace(AS_RATED, verdict="unknown", value=3410.0, text="Whether it is kept cannot be told.")
    for audience in ("owner", "bench"):
        said = " ".join(sheet(job(kept(1, "after", doubt)), audience).watch)
        assert "cannot be told" in said or "Whether it is too fast could not be told: it turned at up to about" in said
    moment = replace(doubt, start_s=10.0, end_s=11.0)
    assert not sheet(job(kept(1, "after", moment))).watch
    assert not sheet(job(kept(1, "after", replace(doubt, value=None)))).watch
