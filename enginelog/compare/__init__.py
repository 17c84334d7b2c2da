"""Before against after: two runs in, each measure's difference with its uncertainty and a verdict out.

    compare(before, after) -> Comparison      of_job(record) -> BeforeAfter      of_pair(stored, stored)

The verdict is drawn from the interval of the difference that is shown, never from two bare values. The intervals of all
measures of a pair together hold the true differences in 95 %. They are made by the block bootstrap where a measure is
taken over many firings or moments (neighbours are not independent), by exact or score limits where events are few, by
the measurement's own uncertainty where there is one event only.
"""

from enginelog.compare.dates import made, out_of_order, overtaken_lines
from enginelog.compare.front import FOR_THE_BENCH, compare
from enginelog.compare.jobs import BeforeAfter, of_job, of_pair
from enginelog.compare.words import VERDICTS

__all__ = [
    "FOR_THE_BENCH",
    "VERDICTS",
    "BeforeAfter",
    "compare",
    "made",
    "of_job",
    "of_pair",
    "out_of_order",
    "overtaken_lines",
]
