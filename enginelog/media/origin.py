"""When a recording was made, by what the file itself says; never by the file system, whose dates change on copying."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

# The first that is there counts. The `creationdate` key carries the local time zone; `creation_time` is always UTC.
_KEYS = ("com.apple.quicktime.creationdate", "creation_time", "date_recorded", "date", "DATE")
_FIRST_YEAR = 1990  # 1904 and 1970 are the zeros of MP4 and of Unix clocks that were never set


def recorded_at(*tag_sets: Mapping[str, str]) -> str | None:
    """ISO 8601 with zone from the tags of a file or of its sound track, or None.

    A time without a zone (a year, a date, ID3v2.3, Vorbis or broadcast-wave local time) does not fix the moment and
    gives None.
    """
    for key in _KEYS:
        for tags in tag_sets:
            stamp = _stamp(tags.get(key))
            if stamp is not None:
                return stamp
    return None


def _stamp(text: str | None) -> str | None:
    """One tag as ISO 8601 with zone; None where it is not a full moment or the clock was never set."""
    if not text or "T" not in text.strip().replace(" ", "T", 1):
        return None
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    if moment.tzinfo is None or moment.year < _FIRST_YEAR:
        return None
    return moment.isoformat(timespec="seconds")
