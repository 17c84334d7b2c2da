"""Memory that is free again, handed back to the system."""

from __future__ import annotations


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
