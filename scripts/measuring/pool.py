"""The same work on many items, in several processes, with results in the order of the items."""

from __future__ import annotations

import multiprocessing
import sys
from collections.abc import Callable, Sequence
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


def each(work: Callable[[Item], Result], items: Sequence[Item], jobs: int, what: str) -> list[Result]:
    """[work(item) for item in items]; `work` is a function at the top of a module. Progress goes to a terminal only."""
    if jobs <= 1 or len(items) <= 1:
        return [_counted(work(item), done, len(items), what) for done, item in enumerate(items, 1)]
    with multiprocessing.get_context("spawn").Pool(min(jobs, len(items))) as pool:
        results = pool.imap(work, items)
        return [_counted(result, done, len(items), what) for done, result in enumerate(results, 1)]


def _counted(result: Result, done: int, of: int, what: str) -> Result:
    if sys.stderr.isatty():
        print(f"\r{what}: {done} of {of}", end="\n" if done == of else "", file=sys.stderr, flush=True)
    return result
