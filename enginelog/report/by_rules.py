"""What the rules say of one run by itself."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from enginelog.advice import Advice, Heard, Situation, advise
from enginelog.model import Run, Track
from enginelog.report.record import record

NO_TRACK = Track(*[np.empty(0)] * 4)


def plain_record(run: Run) -> dict[str, Any]:
    """The run's record without its track, which no rule asks for."""
    return record(replace(run, track=NO_TRACK))


def advice_of(run: Run) -> Advice:
    """What follows from one run by itself."""
    return advise(Situation((Heard(plain_record(run)),)))
