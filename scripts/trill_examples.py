"""Trills, and engines amid them, as the timeline hears them: what `fit_trills.py` learns from beside other engines."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from timeline_examples import Example, example, kept, other_examples

from enginelog import synthesis
from enginelog.dsp.signals import resample
from enginelog.model import Clip


def trills(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Insects, frogs, a nightjar, a sprinkler, a freewheel: they beat as evenly as an engine."""
    kinds = synthesis.TRILL_KINDS
    for seed in range(base, base + count):
        hardness = "hard" if seed // len(kinds) % 2 else "ordinary"
        yield from other_examples(seed, kinds[seed % len(kinds)], hardness, cache)


def engines_amid_trills(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Engines that start and are cut where something trills, as loud as the engine or up to 25 dB less."""
    kinds = synthesis.TRILL_KINDS
    for seed in range(base, base + count):
        name = f"amid_{seed}_{kinds[seed % len(kinds)]}"

        def make(seed=seed, name=name) -> list[Example]:
            scenario = synthesis.random_scenario(seed, "any", "ordinary", "start,cut")
            clip, truth = synthesis.make(scenario)
            trill = synthesis.make_other(seed, kinds[seed % len(kinds)], clip.seconds, "easy")
            below_db = np.random.default_rng([seed, 5]).uniform(0.0, 25.0)
            return [example(name, beside(clip, trill, below_db), scenario.engine, truth, True)]

        yield from kept(cache, name, make)


def beside(clip: Clip, other: Clip, below_db: float) -> Clip:
    """The clip and, `below_db` less loud, another sound."""
    samples = np.resize(resample(other.samples, other.rate_hz, clip.rate_hz), len(clip.samples))
    whole = clip.samples + samples * (clip.samples.std() / (samples.std() + 1e-12)) * 10 ** (-below_db / 20)
    return Clip((whole * min(1.0, 0.99 / np.abs(whole).max())).astype(np.float32), clip.rate_hz)
