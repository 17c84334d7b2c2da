"""Chance in the firings: strength from cycle to cycle, weak burns, and which ones fail."""

from __future__ import annotations

import numpy as np

from enginelog.synthesis.chance import stream
from enginelog.synthesis.scenario import Scenario

BLOCK = 4096


class Chances:
    """Draws the strength of one firing after the other. Strength is relative to a healthy firing (1)."""

    def __init__(self, scenario: Scenario):
        self.s, self.m, self.c = scenario, scenario.misfires, scenario.colour
        self.rng = stream(scenario.take_seed, "firings")
        self.memory, self.last_missed, self.in_burst, self.count, self.flip = 0.0, False, False, 0, 0
        self.drawn, self.failed = 0, 0
        self._refill()

    def usual_strength(self) -> float:
        """Mean strength of a healthy firing: what the throttle that was set by hand or governor already allows for."""
        c = self.c
        level = float(np.mean(c.cylinder_level)) if c.cylinder_level else 1.0
        return (level * (1 - c.alternation / c.alternation_every)) ** 0.35

    def _refill(self) -> None:
        self.normal = self.rng.standard_normal(BLOCK).tolist()
        self.uniform = self.rng.random((4, BLOCK)).tolist()
        self.count = 0

    def draw(self, index: int, slot: int, extra_share: float, since_start: int, must: bool) -> tuple[float, bool, bool]:
        """(strength, missed, partial) of opportunity `index`; `must`: too slow to afford a failure."""
        if self.count == BLOCK:
            self._refill()
        i, self.count = self.count, self.count + 1
        strength = self._healthy(i, index, slot)
        missed = self._fails(i, index, slot, extra_share, since_start) and not must
        partial = not missed and self.uniform[1][i] < self.m.partial_share
        if missed:
            low, high = self.m.puff
            strength = low + (high - low) * self.uniform[2][i]
        elif partial:
            strength *= 0.5 + 0.25 * self.uniform[2][i]
        elif self.last_missed:
            strength *= 1.06
        self.last_missed = missed
        return strength, missed, partial

    def _healthy(self, i: int, index: int, slot: int) -> float:
        """Log-normal spread with the memory of the cycle before (negative: a weak one is followed by a strong one)."""
        r = self.c.strength_memory
        self.memory = r * self.memory + np.sqrt(1 - r * r) * self.normal[i]
        level = self.c.cylinder_level[slot] if self.c.cylinder_level else 1.0
        revs = index // max(len(self.s.engine.firing_angles_deg), 1) + self.flip
        beat = 1.0 - self.c.alternation * (revs % self.c.alternation_every == 0)
        if self.c.alternation and self.uniform[3][i] < 0.04:
            self.flip += 1
        return float(level * beat * np.exp(self.c.strength_spread * self.memory))

    def _fails(self, i: int, index: int, slot: int, extra: float, since_start: int) -> bool:
        u, m = self.uniform[0][i], self.m
        starting = 0.5 * np.exp(-since_start / 4.0) if since_start > 1 else 0.0
        if u < extra or (since_start < 40 and u < starting):
            return True
        if m.kind == "random":
            return u < m.share
        if m.kind == "cylinder":
            return slot == m.cylinder and u < m.share
        if m.kind == "burst":
            return self._burst(u)
        if m.kind == "every_second":
            return self._every_second(i, index, u)
        return False

    def _burst(self, u: float) -> bool:
        """A two-state chain, nine in ten firings failing inside a burst, steered towards the share asked for."""
        inside = min(self.m.share / 0.9, 0.95)
        leave = 1.0 / self.m.burst_length
        enter = leave * inside / (1 - inside)
        behind = self.m.share * self.drawn - self.failed - 0.5 * self.m.burst_length
        enter *= 4.0 if behind > 0 else (1.0 if behind > -self.m.burst_length else 0.25)
        self.in_burst = u >= leave if self.in_burst else u < enter
        fails = self.in_burst and self.rng.random() < 0.9
        self.drawn, self.failed = self.drawn + 1, self.failed + fails
        return fails

    def _every_second(self, i: int, index: int, u: float) -> bool:
        """Every second cycle fails; now and then the beat slips by one, and share below 0.5 lets some of them burn."""
        if self.uniform[3][i] < 0.01:
            self.flip += 1
        cycle = index // len(self.s.engine.firing_angles_deg) + self.flip
        return cycle % 2 == 1 and u < 2 * self.m.share
