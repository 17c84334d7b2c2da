"""Memory over hours: what is kept lies apart from what comes and goes, and what is free again is handed back."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

import numpy as np

LEAST_BYTES = 16_384  # less than four pages is not worth pages of its own

Kept = TypeVar("Kept")


def give_back(worth_it: bool = True) -> None:
    """Hand back what is free between what is kept, where the C library can (glibc); elsewhere nothing happens.

    Decoding and transforms of hours leave holes that larger arrays do not fit into. For a short recording it is not
    worth it: what is handed back has to be asked for again.
    """
    if not worth_it:
        return
    import ctypes

    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (AttributeError, OSError, TypeError):  # another C library, or none to be asked
        return


def set_aside(kept: Kept) -> Kept:
    """The same arrays (one, a tuple, or a dataclass of them; anything else stays as it is) in pages of their own.

    A few hundred kilobytes kept of each quarter of an hour lie between the megabytes that are worked with, and each
    leaves a hole that these do not fit into again. Pages of their own go back to the system once they are let go.
    """
    apart: Any = kept
    if isinstance(kept, np.ndarray):
        apart = _own_pages(kept) if kept.nbytes >= LEAST_BYTES else kept
    elif isinstance(kept, tuple):
        apart = tuple(set_aside(one) for one in kept)
    elif is_dataclass(kept) and not isinstance(kept, type):
        apart = replace(kept, **{each.name: set_aside(getattr(kept, each.name)) for each in fields(kept)})
    return apart


def _own_pages(values: np.ndarray) -> np.ndarray:
    import mmap

    own = np.frombuffer(mmap.mmap(-1, values.nbytes), values.dtype).reshape(values.shape)
    own[...] = values
    return own
