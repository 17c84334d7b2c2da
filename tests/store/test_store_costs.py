"""The agreed cost limit: kept, changed, taken away, warned of. No outside source: the record's own promises."""

import pytest

from enginelog.model import UsageError
from enginelog.store import words


@pytest.fixture
def job(store):
    return store.take_in(store.remember("pump Heron", currency="GBP")).id


def test_a_limit_is_agreed_changed_and_taken_away_and_what_held_before_stays_on_record(store, job):
    assert store.record(job).left_cents is None
    store.agree_limit(job, 4000)
    store.agree_limit(job, 4000)  # the same again is no change
    store.agree_limit(job, 5550)
    assert store.record(job).left_cents == 5550
    store.agree_limit(job, None)
    assert store.record(job).left_cents is None
    changes = [detail for _, what, detail in store.events(job) if what == "cost limit changed"]
    assert changes == ["was: none", "was: 40.00 GBP", "was: 55.50 GBP"]


def test_a_limit_holds_for_the_next_job_of_the_machine(store, job):
    store.agree_limit(job, 4000, "eur")
    later = store.record(store.take_in("pump Heron").id)
    assert later.left_cents == 4000 and later.machine.currency == "EUR"


@pytest.mark.parametrize(("cents", "currency"), [(-1, None), (1.5, None), (10**15, None), (100, "pounds")])
def test_a_limit_that_cannot_be_changes_nothing(store, job, cents, currency):
    with pytest.raises(UsageError):
        store.agree_limit(job, cents, currency)
    assert store.record(job).left_cents is None and len(store.events(job)) == 1


@pytest.mark.parametrize(
    ("cost", "said"),
    [
        (0, ""),
        (7999, ""),
        (8000, "20.00 GBP left of the limit of 100.00 GBP: ask the owner before it is passed."),
        (10000, "The limit of 100.00 GBP is reached: ask the owner before it is passed."),
        (10001, "0.01 GBP past the limit of 100.00 GBP: ask the owner before anything more is done."),
    ],
)
def test_from_four_fifths_of_the_limit_on_it_is_warned_of(store, job, cost, said):
    store.agree_limit(job, 10000)
    store.add_work(job, "part", "gasket", cost)
    record = store.record(job)
    assert words.limit_warning(record) == said
    assert ("ask the owner" in words.spent(record)) == bool(said)
    assert " 0.00 GBP left" not in words.spent(record) and ("is reached" in words.spent(record)) == (cost == 10000)


def test_without_a_limit_nothing_is_warned_of_and_at_a_limit_of_nothing_everything(store, job):
    store.add_work(job, "part", "gasket", 500)
    assert words.limit_warning(store.record(job)) == ""
    store.agree_limit(job, 0)
    assert words.limit_warning(store.record(job)).startswith("5.00 GBP past the limit of 0.00 GBP")


def test_a_limit_of_nothing_is_not_reached_before_anything_is_spent(store, job):
    store.agree_limit(job, 0)
    assert words.spent(store.record(job)) == "0.00 GBP, 0 min; 0.00 GBP left of the limit of 0.00 GBP"
