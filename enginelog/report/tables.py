"""The speed track and the firing events as CSV (RFC 4180), safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from enginelog.findings.misfire import in_spans, judged, take
from enginelog.findings.series import run_spans
from enginelog.model import Run

AT_ONCE = 20_000  # rows made at a time: as text, hours of them are most of the memory used
FIRING_DIGITS = {
    "t_s": 5,
    "slot": 0,
    "strength": 4,
    "slot_level": 4,
    "miss_probability": 4,
    "timing": 4,
    "snr_db": 1,
    "revolutions": 3,
}
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def cell(value: object) -> str:
    """One cell: numbers plain, unknown empty; a text that a spreadsheet would take as a formula gets an apostrophe.

    The first character that is no blank decides, as spreadsheets strip blanks before they look.
    """
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, (int, float)):
        return str(value)
    text = str(value).replace("\x00", "")
    return "'" + text if text.startswith(FORMULA_STARTS) or text.lstrip().startswith(FORMULA_STARTS[:4]) else text


def speed_csv(run: Run) -> str:
    """t_s, rpm, confidence, rpm_std and the timeline's kind at that moment; one line a frame, empty where unknown and
    wherever no engine turned by itself."""
    return "".join(speed_csv_pieces(run))


def speed_csv_pieces(run: Run) -> Iterator[str]:
    """`speed_csv`, a piece at a time."""
    track, kinds = run.track_told, _kinds(run, run.track.t_s)
    yield _table([("t_s", "rpm", "confidence", "rpm_std", "kind")])
    for some in _pieces(len(track.t_s)):
        columns = (
            _column(track.t_s[some], 4),
            _column(track.rpm[some], 1),
            _column(track.confidence[some], 3),
            _column(track.rpm_std[some], 2),
            _kind_words(run, kinds[some]),
        )
        yield _table(zip(*columns, strict=True))


def firing_csv(run: Run) -> str:
    """One line a firing opportunity: the fields of `model.Firings` (`slot` counts from 0, empty where unknown), the
    timeline's kind at that moment, and `counted`: 1 where it is one of the record's `firing.events`, else 0. No line
    where no engine was heard."""
    return "".join(firing_csv_pieces(run))


def firing_csv_pieces(run: Run) -> Iterator[str]:
    """`firing_csv`, a piece at a time."""
    yield _table([(*FIRING_DIGITS, "kind", "counted")])
    kinds, events = _kinds(run, run.firings.t_s), _events(run)
    for some in _pieces(len(run.firings.t_s) if run.timeline.engine_heard else 0):
        columns = [_column(getattr(run.firings, name)[some], digits) for name, digits in FIRING_DIGITS.items()]
        columns += [_kind_words(run, kinds[some]), [str(int(event)) for event in events[some]]]
        yield _table(zip(*columns, strict=True))


def _events(run: Run) -> np.ndarray:
    """Which firing opportunities are the record's events (mask): those of the runs; where a share of them is told, only
    those judged. None where nothing was judged, as in a recording that cannot be used."""
    inside = in_spans(run.firings, run_spans(run.timeline))
    told = inside.copy()
    told[inside] = judged(take(run.firings, inside))
    return next((mask for mask in (inside, told) if mask.sum() == run.measures.firing.events), np.zeros_like(inside))


def _pieces(count: int) -> Iterator[slice]:
    """The rows of a table, so many at a time."""
    return (slice(first, first + AT_ONCE) for first in range(0, count, AT_ONCE))


def _column(values: np.ndarray, digits: int) -> list[str]:
    """Numbers as text with `digits` decimals, empty where not finite (a leading minus is a number's, no formula)."""
    return [f"{value:z.{digits}f}" if math.isfinite(value) else "" for value in np.asarray(values, float).tolist()]


def _kinds(run: Run, t_s: np.ndarray) -> np.ndarray:
    """Of each of the moments `t_s` (n,), ascending, which span of the timeline it lies in; -1 for none."""
    which = np.full(len(t_s), -1, np.int32)
    for number, span in enumerate(run.timeline.spans):
        first, past = np.searchsorted(t_s, [span.start_s, span.end_s])
        which[first:past] = number
    return which


def _kind_words(run: Run, which: np.ndarray) -> list[str]:
    return [cell(run.timeline.spans[number].kind) if number >= 0 else "" for number in which]


def _table(rows: Iterable[Sequence[object]]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows(rows)  # ends lines with CR LF, as RFC 4180 asks
    return out.getvalue()
