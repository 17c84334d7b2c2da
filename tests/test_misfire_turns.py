"""Lost firings in rows and in turns: how many of them are sure."""

import numpy as np

from enginelog.findings.misfire import at_least
from enginelog.findings.patterns import Alternation, with_turns


def test_of_many_lost_in_a_row_only_a_part_is_sure():
    """The crank slows unheard: of 1, 5 and 10 in a row 1, 5 and 7 count at least."""
    lost = np.zeros(40, bool)
    lost[[2, *range(5, 10), *range(20, 30)]] = True
    assert at_least(lost) == 1 + 5 + 7
    assert at_least(np.zeros(5, bool)) == 0 and at_least(np.ones(3, bool)) == 3


def test_a_weak_turn_that_is_told_to_have_burned_stays_so():
    """Where strong and weak firings take turns an undecided weak one counts as lost, a surely fired one does not."""
    weak = np.arange(8) % 2 == 1
    probability = np.array([0.2, 0.9, 0.0, 0.01, 0.3, 0.4, 0.97, 0.9])
    assert with_turns(probability, Alternation(0.2, weak, True)).tolist() == [0, 1, 0, 0.01, 0, 1, 0.97, 1]
