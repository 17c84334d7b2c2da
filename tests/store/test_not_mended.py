"""A machine that was given up, or goes back as it came: how its job ends, and what its owner reads first.

'Done', 'handed back' and "No recording was made" were all that was said of a trimmer with a scored piston. The words
are the project's own.
"""

import pytest

from enginelog import report
from enginelog.store import words


def given_up(store, why: str = "cylinder scored, a new one costs more than the machine"):
    job = store.take_in(store.remember("trimmer Linnet", kind="trimmer", strokes=2))
    return store.finish(job.id, not_mended=why)


@pytest.mark.parametrize("why", ["worn rings", ""])
def test_a_job_that_ends_without_a_mend_says_so_wherever_its_state_is_told(store, why):
    job = given_up(store, why)
    assert job.not_mended == why and words.state(job) == ("done, not mended: worn rings" if why else "done, not mended")
    back = store.hand_back(job.id)
    assert back.not_mended == why and words.state(back).startswith("handed back, not mended")
    assert [line.job.id for line in store.jobs("not mended")] == [job.id]
    again = store.reopen(job.id)
    assert again.not_mended is None and words.state(again) == "open"
    assert store.finish(job.id).not_mended is None and words.state(store.job(job.id)) == "done"


def test_what_somebody_waits_for_is_no_reason_for_giving_up(store):
    job = store.take_in(store.remember("trimmer Linnet"))
    assert store.wait(job.id, "not mended: yet").not_mended is None


@pytest.mark.parametrize("audience", ["owner", "bench"])
def test_the_headline_of_the_hand_back_says_that_it_is_not_mended(store, audience):
    job = given_up(store)
    top = report.handback_sheet.sheet(store.record(job.id), audience).top
    assert top.answer == "Not mended: cylinder scored, a new one costs more than the machine"
    assert top.tone == "watch" and "No recording was made" in top.text
    assert "not mended: cylinder scored" in report.hand_back_text(store.record(job.id))
