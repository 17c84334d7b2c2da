"""The speed track and the firing events as CSV (RFC 4180), safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence

import numpy as np

from enginelog.model import Run

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
    """t_s, rpm, confidence, rpm_std and the timeline's kind at that moment; one line a frame, empty where unknown."""
    track = run.track
    confidence = np.where(np.isfinite(track.rpm), track.confidence, 0.0)
    return _table(
        ("t_s", "rpm", "confidence", "rpm_std", "kind"),
        (
            _column(track.t_s, 4),
            _column(track.rpm, 1),
            _column(confidence, 3),
            _column(track.rpm_std, 2),
            _kinds(run),
        ),
    )


def firing_csv(run: Run) -> str:
    """One line a firing opportunity, the fields of `model.Firings`; `slot` counts from 0, empty where unknown."""
    f = run.firings
    return _table(
        ("t_s", "slot", "strength", "slot_level", "miss_probability", "timing", "snr_db", "revolutions"),
        (
            _column(f.t_s, 5),
            _column(f.slot, 0),
            _column(f.strength, 4),
            _column(f.slot_level, 4),
            _column(f.miss_probability, 4),
            _column(f.timing, 4),
            _column(f.snr_db, 1),
            _column(f.revolutions, 3),
        ),
    )


def _column(values: np.ndarray, digits: int) -> list[str]:
    """Numbers as text with `digits` decimals, empty where not finite (a leading minus is a number's, no formula)."""
    return [f"{value:.{digits}f}" if math.isfinite(value) else "" for value in np.asarray(values, float).tolist()]


def _kinds(run: Run) -> list[str]:
    kinds = np.full(len(run.track.t_s), "", dtype=object)
    for span in run.timeline.spans:
        kinds[(run.track.t_s >= span.start_s) & (run.track.t_s < span.end_s)] = cell(span.kind)
    return kinds.tolist()


def _table(header: Sequence[str], columns: Iterable[Sequence[object]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out)  # ends lines with CR LF, as RFC 4180 asks
    writer.writerow(header)
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue()
