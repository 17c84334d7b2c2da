"""The crankshaft: a small model in steps of about a millisecond.

Energy is counted as half the square of the speed in revolutions a second, so no absolute inertia is needed: how long
the machine takes to run down fixes friction against inertia, and all else is relative to it. Compression is a
potential hill before each firing; a firing adds its energy over the following tenth of a turn; the governor sets the
throttle with a lag. A firing that fails therefore makes the speed dip and the next interval longer, a pull slows
at each
compression, and a run-down ends by rocking back from the last one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from enginelog.synthesis.firings import Chances
from enginelog.synthesis.programme import GRID_S, Programme
from enginelog.synthesis.scenario import Pull, Scenario

STEP_LOW_S, STEP_HIGH_S = 0.0007, 0.0016
TABLE = 1440
STALL_RPS = 3.0


@dataclass(frozen=True)
class Motion:
    """What the crank did. Step arrays: t_s, turns, rps. Event arrays (one entry each time an exhaust valve opens):

    event_t_s, slot, strength (1 = healthy), missed, partial, running (False: only a puff of a pull or of the run-down),
    throttle 0..1, event_rps.
    runs: (start_s, end_s, how) of each self-sustained run; how is "cut", "stall" or "end".
    """

    t_s: np.ndarray
    turns: np.ndarray
    rps: np.ndarray
    event_t_s: np.ndarray
    slot: np.ndarray
    strength: np.ndarray
    missed: np.ndarray
    partial: np.ndarray
    running: np.ndarray
    throttle: np.ndarray
    event_rps: np.ndarray
    runs: tuple[tuple[float, float, str], ...]


class _Opened(NamedTuple):
    """One opening of an exhaust valve, a row of the event arrays of `Motion`."""

    t_s: float
    slot: int
    strength: float
    missed: bool
    partial: bool
    running: bool
    throttle: float
    rps: float


def blowdown_turns(scenario: Scenario) -> float:
    """From firing dead centre to the opening exhaust: 130 degrees (four-stroke), 100 (two-stroke port)."""
    return (130.0 if scenario.engine.strokes == 4 else 100.0) / 360.0


class _Crank:
    """The state of one simulation. Positions are in turns, speeds in turns a second."""

    def __init__(self, scenario: Scenario, programme: Programme, chances: Chances):
        self.s, self.chances = scenario, chances
        e, b = scenario.engine, scenario.body
        self.ref = max(scenario.speeds.rpm, *[m.rpm for m in scenario.speeds.moves], 1.0) / 60.0
        self.a = 0.785 * self.ref / b.rundown_s
        self.b = self.a / self.ref**2
        self.cycle = e.revs_per_cycle
        idle_work = 2 * self.a * self.cycle / e.cylinders
        self.full = b.power * idle_work
        self.height = b.compression * self.full
        self.hill = self._hill(self.height)
        self.want, self.load, self.miss = (
            x.tolist() for x in (programme.target_rps, programme.load, programme.miss_share)
        )
        self.events = self._order()
        self.usual = chances.usual_strength()
        self.turn = float(np.random.default_rng(scenario.seed).random() * self.cycle + self.cycle)
        self.rps = float(programme.target_rps[0]) if not scenario.pulls else 0.0
        self.throttle, self.error, self.sum_error, self.pool = 1 / b.power, 0.0, 0.0, 0.0
        self.next_fire = self._first(self.turn + blowdown_turns(scenario))
        self.next_open = self._first(self.turn)
        self.burning = not scenario.pulls
        self.sure = 99 if self.burning else 0
        self.run_from, self.run_until = 0.0, math.inf  # of the run while it burns
        self.runs: list[tuple[float, float, str]] = []
        self.fired: dict[int, tuple[float, bool, bool, bool, float]] = {}
        self.opened: list[_Opened] = []
        self.pull: Pull | None = None
        self.compressions = 0

    def _hill(self, height: float) -> list[float]:
        """Energy stored in compression at each crank position of the cycle (both sides of each firing dead centre)."""
        pos = np.arange(TABLE + 1) / TABLE * self.cycle
        total = np.zeros(TABLE + 1)
        for angle in self.s.engine.firing_angles_deg:
            centre = angle / 360.0 - blowdown_turns(self.s)
            off = np.abs((pos - centre + self.cycle / 2) % self.cycle - self.cycle / 2)
            total += height * np.clip(np.cos(np.pi * off / 0.8), 0, None) ** 3 * (off < 0.4)
        return total.tolist()

    def _order(self) -> list[float]:
        return [a / 360.0 for a in self.s.engine.firing_angles_deg]

    def place_of(self, index: int) -> float:
        """Position in turns at which the exhaust of event `index` opens."""
        cycle, slot = divmod(index, len(self.events))
        return cycle * self.cycle + self.events[slot]

    def _first(self, turn: float) -> int:
        index = int(turn / self.cycle - 1) * len(self.events)
        while self.place_of(index) < turn:
            index += 1
        return index

    def stored(self, turn: float) -> float:
        return self.hill[int((turn % self.cycle) / self.cycle * TABLE)]

    def govern(self, t: float, k: int, dt: float) -> float:
        """Throttle wanted now: what the wanted speed takes, plus the governor's answer to the lagged speed error."""
        b, want = self.s.body, self.want
        goal = want[k] * (1 - b.droop * self.load[k])
        rise = (want[min(k + 20, len(want) - 1)] - want[k]) / (20 * GRID_S)
        spare = b.power * 2 * self.a
        need = (self.a + self.b * goal * goal + rise) / spare
        self.error += ((goal - self.rps) / self.ref - self.error) * dt / (dt + b.governor_lag_s)
        gain = self.ref / (spare * b.governor_s)
        wanted = need / self.usual + gain * self.error + self.sum_error
        if self.burning and 0.04 < wanted < 1.1:
            self.sum_error += gain * self.error * dt / b.reset_s
        return min(max(wanted, 0.04), 1.1)

    def rope(self, t: float) -> float:
        """Acceleration by the starter, revolutions a second squared; it only ever drives forward."""
        pull = self.pull
        if pull is None or self.burning and t > pull.at_s + pull.seconds or t > self.let_go(pull):
            return 0.0
        goal = pull.rpm / 60.0 * min(1.0, (t - pull.at_s) / 0.12 + 0.15)
        grip = 8.0 + 4.0 * self.height * self.easing() / goal
        return max(0.0, self.a + grip * (goal - self.rps))

    @staticmethod
    def let_go(pull: Pull) -> float:
        """When the rope ends; a pull that is to catch is drawn on until the next compression."""
        return pull.at_s + pull.seconds + (0.0 if pull.runs_s is None else 0.6)

    def easing(self) -> float:
        """Share of the compression felt without firing; charge and relief valve keep it below half of a pull's
        energy."""
        rps = self.pull.rpm / 60.0 if self.pull else 9.0
        return min(0.8, 0.45 * 0.5 * rps * rps / self.height)

    def step(self, t: float) -> float:
        """Advance by one step and return its length."""
        k = min(int(t / GRID_S), len(self.load) - 1)
        dt = min(max(0.06 / (abs(self.rps) + 1e-6), STEP_LOW_S), STEP_HIGH_S)
        self.throttle = self.govern(t, k, dt)
        ahead = self.rps * dt
        slope = (
            (self.stored(self.turn + ahead) - self.stored(self.turn)) / ahead
            if abs(ahead) > 1e-4
            else self.slope_here()
        )
        breathing = 0.35 + 0.65 * min(self.throttle, 1.0) if self.burning else self.easing()
        burnt = self.pool * (1 - math.exp(-max(ahead, 0.0) / 0.08))
        self.pool -= burnt
        push = burnt / max(ahead, 1e-4) + self.rope(t) - slope * breathing
        drag = self.a + self.b * self.rps * self.rps
        drag += self.load[k] * self.s.body.power * 2 * self.a * min(abs(self.rps) / self.ref, 1.2)
        self.move(t, dt, push, drag)
        return dt

    def slope_here(self) -> float:
        return (self.stored(self.turn + 0.004) - self.stored(self.turn - 0.004)) / 0.008

    def move(self, t: float, dt: float, push: float, drag: float) -> None:
        """Apply the accelerations (`push` signed, `drag` against the motion) and pass the events on the way."""
        speed = self.rps + push * dt
        speed = math.copysign(max(abs(speed) - drag * dt, 0.0), speed)
        before, self.rps = self.turn, speed
        self.turn += speed * dt
        while self.turn >= self.place_of(self.next_fire) - blowdown_turns(self.s):
            self.fire(t + dt)
        while self.turn >= self.place_of(self.next_open):
            share = (self.place_of(self.next_open) - before) / max(self.turn - before, 1e-12)
            self.open(t + dt * min(max(share, 0.0), 1.0))

    def fire(self, t: float) -> None:
        """The event at `next_fire` is at its firing dead centre: it burns, fails or only puffs."""
        index, self.next_fire = self.next_fire, self.next_fire + 1
        slot = index % len(self.events)
        self.compressions += 1
        self.try_catch(t)
        if not self.burning:
            stray = self.pull is not None and self.pull.runs_s is None and 2 < self.compressions <= 2 + self.pull.stray
            strength = 0.7 if stray else 0.0
            self.fired[index] = (strength, True, False, False, 0.5)
            self.pool += 0.15 * self.full * strength
            return
        k = min(int(t / GRID_S), len(self.miss) - 1)
        need = self.rps < 0.35 * self.want[k]
        strength, missed, partial = self.chances.draw(index, slot, self.miss[k], self.sure, need)
        self.sure += 1
        # The work of a cycle varies far less than the sound of its blow-down; a miss does next to none.
        work = strength**2 if missed else (strength if partial else strength**0.35)
        self.pool += self.full * min(self.throttle, 1.0) * work
        self.fired[index] = (strength, missed, partial, True, self.throttle)

    def try_catch(self, t: float) -> None:
        pull = self.pull
        if self.burning or pull is None or pull.runs_s is None or t > self.let_go(pull):
            return
        if self.compressions > pull.after_compressions or t > pull.at_s + 0.75 * pull.seconds:
            self.burning, self.sure, self.sum_error = True, 0, 0.0
            self.run_from, self.run_until = t, t + pull.runs_s

    def open(self, t: float) -> None:
        index, self.next_open = self.next_open, self.next_open + 1
        strength, missed, partial, running, throttle = self.fired.pop(index, (0.0, True, False, False, 0.3))
        slot = index % len(self.events)
        self.opened.append(_Opened(t, slot, strength, missed, partial, running, throttle, self.rps))

    def switches(self, t: float) -> None:
        """Pulls begin, ignition goes off, an engine left without fuel or too slow dies."""
        for pull in self.s.pulls:
            if pull.at_s <= t < pull.at_s + pull.seconds and pull is not self.pull and not self.burning:
                self.pull, self.compressions = pull, 0
        if not self.burning:
            return
        cut = self.s.cut_s is not None and t >= self.s.cut_s
        if cut or t >= self.run_until or (self.rps < STALL_RPS and self.sure > 5):
            self.end_run(t, "cut" if cut else "stall")

    def end_run(self, t: float, how: str) -> None:
        self.runs.append((self.run_from, t, how))
        self.burning = False


def turn_over(scenario: Scenario, programme: Programme, chances: Chances) -> Motion:
    """Run the crank through the whole recording."""
    crank = _Crank(scenario, programme, chances)
    t, times, turns, speeds = 0.0, [0.0], [crank.turn], [crank.rps]
    while t < scenario.seconds:
        crank.switches(t)
        t += crank.step(t)
        times.append(t)
        turns.append(crank.turn)
        speeds.append(crank.rps)
    if crank.burning:
        crank.end_run(scenario.seconds, "end")
    opened = crank.opened
    return Motion(
        np.array(times), np.array(turns), np.array(speeds),
        event_t_s=np.array([one.t_s for one in opened], float),
        slot=np.array([one.slot for one in opened], int),
        strength=np.array([one.strength for one in opened], float),
        missed=np.array([one.missed for one in opened], bool),
        partial=np.array([one.partial for one in opened], bool),
        running=np.array([one.running for one in opened], bool),
        throttle=np.array([one.throttle for one in opened], float),
        event_rps=np.array([one.rps for one in opened], float),
        runs=tuple(crank.runs),
    )  # fmt: skip
