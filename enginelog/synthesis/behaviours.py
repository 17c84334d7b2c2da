"""What an engine can be made to do: each function takes (rng, scenario) and returns it with the behaviour put in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from math import inf

import numpy as np

from enginelog.synthesis.kinds import KINDS
from enginelog.synthesis.scenario import Load, Misfires, Move, Pull, Rough, Scenario, Wave


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """A draw whose logarithm is evenly spread between the logarithms of the bounds."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def running_span(s: Scenario) -> tuple[float, float]:
    """From when to when it runs at speed, about."""
    first = s.pulls[-1].at_s + 2.0 if s.pulls else 0.0
    return first, s.cut_s if s.cut_s is not None else s.seconds


def at_least(s: Scenario, running_s: float) -> Scenario:
    """The scenario made long enough for `running_s` of running."""
    begin, end = running_span(s)
    return replace(s, seconds=round(s.seconds + max(0.0, running_s - (end - begin)), 2))


def steady(rng, s: Scenario) -> Scenario:
    """Runs at one speed throughout."""
    return s


def hunting(rng, s: Scenario) -> Scenario:
    """Speed swings of about 2 to 15 per cent, 0.3 to 2.5 times a second; a governor quick enough to make them."""
    rate = log_uniform(rng, 0.3, 2.5)
    swing = s.speeds.rpm * log_uniform(rng, 0.018 * (1 + 0.3 * rate), 0.15)
    wave = Wave(rate, swing, skew=float(rng.uniform(0, 0.5)), jitter=float(rng.uniform(0, 0.05)))
    body = replace(s.body, governor_lag_s=0.02, rundown_s=min(s.body.rundown_s, 1.5))
    return at_least(replace(s, speeds=replace(s.speeds, waves=(wave,)), body=body), max(8.0, 6 / rate))


def rough(rng, s: Scenario, shape: str | None = None) -> Scenario:
    """Rough at first ("step", "fade"), all along ("never") or only later ("worse")."""
    s = at_least(s, 13.0)
    begin, end = running_span(s)
    shape = shape or str(rng.choice(["step", "fade"]))
    turn = float(rng.uniform(0.25, 0.6) * (end - begin))
    found = Rough(turn, float(rng.uniform(0.08, 0.35)), float(rng.uniform(0.5, 4)), shape)
    return replace(s, speeds=replace(s.speeds, rough=found))


def load_step(rng, s: Scenario) -> Scenario:
    """Takes on a load for a while."""
    s = at_least(s, 11.0)
    begin, end = running_span(s)
    at = begin + float(rng.uniform(0.25, 0.4)) * (end - begin)
    most = (0.9 - 1 / s.body.power) * (1.0 if s.body.governed else 0.4)
    amount = float(rng.uniform(0.35, 0.85)) * most
    off = at + float(rng.uniform(0.35, 0.45)) * (end - begin) if rng.random() < 0.7 else inf
    return replace(s, speeds=replace(s.speeds, loads=(Load(at, off, amount),)))


SHARES = {"random": (0.01, 0.25), "burst": (0.03, 0.2), "cylinder": (0.3, 1.0), "every_second": (0.42, 0.5)}


def misfire(rng, s: Scenario, how: str | None = None) -> Scenario:
    """Firings fail in the way asked for (a way its layout allows where none is named)."""
    ways = ["random", "burst"]
    ways += ["cylinder"] if s.engine.cylinders > 1 else []
    ways += ["every_second"] if s.engine.strokes == 2 else []
    how = how or str(rng.choice(ways))
    share, which = float(rng.uniform(*SHARES[how])), int(rng.integers(s.engine.cylinders))
    return replace(
        s, misfires=Misfires(how, share, burst_length=float(rng.uniform(2, 5 + 2 * s.engine.cylinders)), cylinder=which)
    )


def misfire_puffing(rng, s: Scenario) -> Scenario:
    """The hard case: failed firings still puff with a quarter to nearly a half, and uneven burns lie beside them."""
    found = Misfires("random", float(rng.uniform(0.02, 0.2)), (0.25, 0.45), float(rng.uniform(0.02, 0.1)))
    return replace(s, misfires=found)


def start(rng, s: Scenario) -> Scenario:
    """One to four pulls (or one or two goes of an electric starter); the last one catches."""
    count = int(rng.integers(1, 3)) if KINDS[s.kind].electric else int(rng.integers(1, 5))
    pulls = draw_pulls(rng, s, count)
    pulls = (*pulls[:-1], replace(pulls[-1], runs_s=inf))
    return at_least(replace(s, pulls=pulls), float(rng.uniform(5, 8)))


def draw_pulls(rng, s: Scenario, count: int) -> tuple[Pull, ...]:
    """A few pulls of the starter, with pauses between."""
    k, at, out = KINDS[s.kind], float(rng.uniform(0.6, 1.5)), []
    for _ in range(count):
        seconds = float(rng.uniform(1.0, 2.5)) if k.electric else float(rng.uniform(0.4, 0.75))
        stray, after = int(rng.random() < 0.2), int(rng.integers(2, 6))
        rpm = float(rng.uniform(*k.pull_rpm))
        out.append(Pull(round(at, 3), seconds, rpm, None, after, stray, electric=k.electric))
        at += seconds + float(rng.uniform(1.3, 3.0))
    return tuple(out)


def cut(rng, s: Scenario) -> Scenario:
    """Switched off near the end, with time enough to run down and a little silence after."""
    s = at_least(s, 4.0)
    down = 1.3 * s.body.rundown_s
    seconds = round(s.seconds + down + 1.0, 2)
    return replace(s, seconds=seconds, cut_s=seconds - down - float(rng.uniform(0.6, 1.0)))


def pulls_only(rng, s: Scenario) -> Scenario:
    """Pulled, but never fires."""
    pulls = draw_pulls(rng, s, int(rng.integers(2, 7)))
    return replace(s, pulls=pulls, cut_s=None, seconds=round(pulls[-1].at_s + 3.0, 2))


def throttle(rng, s: Scenario) -> Scenario:
    """From idle to full and back; hesitates in a third of the draws."""
    k = KINDS[s.kind]
    idle = float(rng.uniform(*(k.idle_rpm or (0.55 * k.top_rpm[0], 0.6 * k.top_rpm[0]))))
    top, s = float(rng.uniform(*k.top_rpm)), at_least(s, 11.0)
    begin, end = running_span(s)
    up, down = begin + 0.3 * (end - begin), begin + 0.7 * (end - begin)
    bog = float(rng.uniform(0.3, 0.8)) if rng.random() < 0.33 else 0.0
    moves = (Move(up, top, float(rng.uniform(0.2, 0.8)), bog), Move(down, idle, float(rng.uniform(0.2, 0.8))))
    return replace(s, speeds=replace(s.speeds, rpm=idle, moves=moves))


def revving(rng, s: Scenario) -> Scenario:
    """Blips and coast-downs between idle and top, the way a saw is used."""
    k = KINDS[s.kind]
    idle, top = (k.idle_rpm or (0.5 * k.top_rpm[0],) * 2)[0], k.top_rpm[1]
    begin, end = running_span(s)
    at, moves = begin + float(rng.uniform(0.5, 1.5)), []
    while at < end - 0.5:
        moves.append(Move(at, log_uniform(rng, 1.1 * idle, top), float(rng.uniform(0.15, 0.8))))
        at += float(rng.uniform(0.8, 2.5))
    return replace(s, speeds=replace(s.speeds, moves=tuple(moves)))


def afterfire(rng, s: Scenario) -> Scenario:
    """Bangs: after the ignition goes off where it does, else here and there while running."""
    begin, end = running_span(s)
    count = int(rng.integers(1, 4))
    after = end + 0.15 + np.cumsum(rng.uniform(0.12, 0.5, count))
    at = after if s.cut_s is not None else np.sort(rng.uniform(begin + 1, end - 0.5, count))
    return replace(s, colour=replace(s.colour, pops=tuple(float(x) for x in at), pop_db=float(rng.uniform(8, 16))))


def stall(rng, s: Scenario) -> Scenario:
    """It catches, dies by itself after a second or three, and is started again."""
    first = draw_pulls(rng, s, 1)[0]
    runs_s = float(rng.uniform(1.5, 3.5))
    again = first.at_s + first.seconds + runs_s + 1.3 * s.body.rundown_s + float(rng.uniform(1.0, 2.0))
    pulls = (replace(first, runs_s=runs_s), replace(first, at_s=round(again, 3), runs_s=inf))
    return at_least(replace(s, pulls=pulls), 6.0)


# In the order in which they must be put in: those that lengthen the beginning first, the cut after all that runs.
BEHAVE: dict[str, Callable[[np.random.Generator, Scenario], Scenario]] = {
    "steady": steady,
    "pulls_only": pulls_only,
    "start": start,
    "stall": stall,
    "throttle": throttle,
    "hunting": hunting,
    "settling": rough,
    "never_settles": partial(rough, shape="never"),
    "worsening": partial(rough, shape="worse"),
    "load_step": load_step,
    "revving": revving,
    "misfire": misfire,
    "misfire_random": partial(misfire, how="random"),
    "misfire_burst": partial(misfire, how="burst"),
    "misfire_cylinder": partial(misfire, how="cylinder"),
    "misfire_every_second": partial(misfire, how="every_second"),
    "misfire_puffing": misfire_puffing,
    "cut": cut,
    "afterfire": afterfire,
}
BEHAVIOURS = tuple(BEHAVE)
