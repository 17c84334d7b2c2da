"""Blocks of firings put together: no event twice, slots that keep their number, turns that go on counting."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields, replace

import numpy as np

from enginelog.dsp.rows import rows_of
from enginelog.model import Firings

CLOSE = 0.3  # of an interval within which two blocks mean the same event
RECENT = 20_000  # events of what came before that a block is held against


def empty() -> Firings:
    """No firings at all: what a block gives in which nothing could be followed."""
    return small(Firings(*(np.empty(0) for _ in fields(Firings))))


def small(firings: Firings) -> Firings:
    """The same in as few bytes as its precision needs: times and turns double, the rest single, slots as integers."""
    kinds = {"t_s": np.float64, "revolutions": np.float64, "slot": np.int16}
    names = [each.name for each in fields(Firings)]
    return Firings(**{name: getattr(firings, name).astype(kinds.get(name, np.float32), copy=False) for name in names})


def join(parts: Iterable[Firings]) -> Firings:
    """One `Firings` out of blocks in order of time, which may overlap.

    An overlap is cut in its middle. The slots of a block are turned so that they agree with the events it shares with
    the block before, else with the levels of its slots, else with the count of intervals in between. `revolutions`
    goes on from block to block by time and speed. Of what came before, RECENT events at least are looked at.
    """
    done: list[Firings] = []
    whole = None
    for part in parts:
        if len(part.t_s):
            whole = small(part) if whole is None else _append(whole, small(part))
            if len(whole.t_s) > 2 * RECENT:
                done.append(rows_of(whole, np.arange(len(whole.t_s)) < len(whole.t_s) - RECENT))
                whole = rows_of(whole, np.arange(len(whole.t_s)) >= len(whole.t_s) - RECENT)
    if whole is None:
        return empty()
    return _end_to_end([*done, whole]) if done else whole


def _end_to_end(parts: list[Firings]) -> Firings:
    """Parts one after the other, let go column by column."""
    columns = {each.name: [getattr(part, each.name) for part in parts] for each in fields(Firings)}
    parts.clear()
    return Firings(**{name: np.concatenate(columns.pop(name)) for name in tuple(columns)})


def _append(whole: Firings, part: Firings) -> Firings:
    slots = 1 + int(max(whole.slot.max(), part.slot.max()))
    interval_s = _interval(whole, slice(-9, None))
    part = _agreed(whole, part, slots, interval_s)
    cut = 0.5 * (whole.t_s[-1] + part.t_s[0])
    before = rows_of(whole, whole.t_s < max(cut, part.t_s[0])) if part.t_s[0] <= whole.t_s[-1] else whole
    after = rows_of(part, part.t_s > (before.t_s[-1] if len(before.t_s) else -np.inf) + 0.5 * interval_s)
    return _end_to_end([before, after])


def _interval(part: Firings, which: slice) -> float:
    gaps = np.diff(part.t_s[which])
    return float(np.median(gaps)) if len(gaps) else 0.0


def _agreed(whole: Firings, part: Firings, slots: int, interval_s: float) -> Firings:
    """`part` with slots and revolutions counted on from `whole`."""
    after = np.clip(np.searchsorted(part.t_s, whole.t_s), 1, max(len(part.t_s) - 1, 1)) if len(part.t_s) > 1 else 0
    after = np.broadcast_to(after, whole.t_s.shape)
    index = np.where(np.abs(part.t_s[after - 1] - whole.t_s) < np.abs(part.t_s[after] - whole.t_s), after - 1, after)
    shared = np.abs(part.t_s[index] - whole.t_s) < CLOSE * interval_s
    if shared.any():
        turn = int(np.bincount((whole.slot[shared] - part.slot[index[shared]]) % slots, minlength=slots).argmax())
        offset = float(np.median(whole.revolutions[shared] - part.revolutions[index[shared]]))
    else:
        turn, offset = _across_gap(whole, part, slots, interval_s)
    return replace(part, slot=(part.slot + turn) % slots, revolutions=part.revolutions + offset)


def _across_gap(whole: Firings, part: Firings, slots: int, interval_s: float) -> tuple[int, float]:
    """(turn of the slots, offset of the revolutions) for a block that begins after a gap."""
    own = _interval(part, slice(0, 9)) or interval_s
    passed = max(1, round((part.t_s[0] - whole.t_s[-1]) / max(0.5 * (own + interval_s), 1e-9)))
    turns_each = np.median(np.diff(whole.revolutions)) if len(whole.t_s) > 1 else 1.0
    offset = whole.revolutions[-1] + passed * turns_each - part.revolutions[0]
    levels = [np.array([_level(one, j) for j in range(slots)]) for one in (whole, part)]
    if min(np.ptp(level) for level in levels) > 0.2:
        return int(np.argmin([np.sum((levels[0] - np.roll(levels[1], k)) ** 2) for k in range(slots)])), float(offset)
    return (int(whole.slot[-1]) + passed - int(part.slot[0])) % slots, float(offset)


def _level(part: Firings, slot: int) -> float:
    mine = part.slot_level[part.slot == slot]
    return float(np.median(mine)) if len(mine) else 1.0
