"""What to do next: from run records, bench checks and answers to likely causes, the check that separates them, and why.

    advise(Situation(heard=(Heard(record),), checks={"spark": "pass"}, answers={"choke_helps": "yes"})) -> Advice
    at_bench(results, heard, engine) -> Suggestion: the bench checks by elimination, in the order of the same rules
    unlike(heard) -> in what the records cannot be of one machine, in words
    usual_values(record) -> each measured value against what was told or is usual for the machine
    guide.plan(engine, machine) -> the recordings to make, guide.judge(test, record) -> whether one will do

Pure functions over the data files of `enginelog.limits.trade`; a record is the run record of version 1 as plain data.
What comes out is a suggestion: the machine's manual comes first.
"""

from enginelog.advice.at_bench import at_bench
from enginelog.advice.reasoning import MOST_STEPS, advise
from enginelog.advice.signs import unlike
from enginelog.advice.usual import usual_values
from enginelog.advice.words import Advice, Heard, Likely, Matched, NextCheck, RuledOut, Situation, ValueLine

__all__ = [
    "MOST_STEPS",
    "Advice",
    "Heard",
    "Likely",
    "Matched",
    "NextCheck",
    "RuledOut",
    "Situation",
    "ValueLine",
    "advise",
    "at_bench",
    "unlike",
    "usual_values",
]
