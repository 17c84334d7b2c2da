"""Fits what parts engines from trills (enginelog/timeline/trills.json).

    python scripts/fit_trills.py --cache FOLDER [--real FOLDER] [--sounds FOLDER] [--write]

Engines by both makers, real ones of the tuning fold and found ones, as they are and at the bench, engines amid trills,
and trills, as `fit_timeline.py` has them (tuning seeds; its cache serves). Only what the engine's judge takes for one
for a second in all counts. Four fifths fit and one fifth is shown, in turn; written is a fit on all.
"""

from __future__ import annotations

import argparse
import json
import sys
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import timeline_examples as examples
from measuring.run_fit import ridge_logistic
from trill_examples import engines_amid_trills
from trill_examples import trills as trill_sounds

from enginelog import limits
from enginelog.dsp.stored import Model
from enginelog.timeline import trills
from enginelog.timeline.cues import cues
from enginelog.timeline.nets import shipped

TARGET = Path(trills.__file__).parent / "trills.json"
PARTS = 5
RIDGE = 1e-3
LEAST = 20  # frames in which the judge hears an engine
SHARES = (0.002, 0.005, 0.01, 0.02)  # of engines
NEAR_S = 0.6  # about a change of state nothing is told


@dataclass(frozen=True)
class Row:
    """Figures of one recording, whether it is an engine, and whether other people recorded that."""

    name: str
    figures: np.ndarray
    engine: bool

    @property
    def real(self) -> bool:
        return self.name.startswith("real_")

    @property
    def part(self) -> int:
        return zlib.crc32(self.name.split("@")[0].encode()) % PARTS


def engines(told: argparse.Namespace) -> Iterator[examples.Example]:
    """All that is an engine."""
    cache, rounds = told.cache, told.rounds
    for base, hardness in ((1000, "hard"), (1500, "ordinary"), (8500, "hard"), (8000, "ordinary")):
        yield from examples.whole_runs((13 if base < 8000 else 6) * rounds, base, hardness, cache)
    yield from examples.plain_engines(24 * rounds, 0, cache)
    yield from examples.soft_engines(16 * rounds, 0, cache)
    yield from engines_amid_trills(8 * rounds, 9700, cache)
    if told.real:
        real = [*examples.real_examples(told.real, True, cache), *examples.real_variants(told.real, cache)]
        yield from (e for e in [*real, *examples.real_at_the_bench(24 * rounds, 0, told.real, cache)] if e.real_engine)
    if told.sounds:
        yield from examples.found_engines(3 * rounds // 2, 0, told.sounds, cache)


def rows(found: Iterator[examples.Example], engine: bool) -> list[Row]:
    """What the regression reads of each that the engine's judge takes for one."""
    judge, of_timeline, read = shipped()["engine"], limits.load("timeline"), []
    for one in found:
        if one.track is None or len(one.track.t_s) < LEAST:
            continue
        heard_in = cues(one.activity, one.track, one.engine, of_timeline)
        judged = judge.logits(heard_in)[:, 0]
        use = (judged > 0) & running(one)
        if use.sum() >= LEAST:
            seen = trills.figures(one.activity, heard_in, one.track.t_s)[use].mean(axis=0)
            middle = np.minimum(judged[use], trills.SUREST).mean()
            read.append(Row(one.name, np.append(seen, middle), engine))
    return read


def running(one: examples.Example) -> np.ndarray:
    """The frames in which it runs: all of a real one or of a trill."""
    t_s = one.track.t_s
    if one.truth is None:
        return np.ones(len(t_s), bool)
    runs = [span for span in one.truth.spans if span.kind == "run"]
    return np.any([(t_s > run.start_s + NEAR_S) & (t_s < run.end_s - NEAR_S) for run in runs] or [t_s < 0], axis=0)


def fit(read: list[Row]) -> Model:
    """Ridge logistic regression, engines and trills counting the same."""
    found, engine = np.array([row.figures for row in read]), np.array([row.engine for row in read])
    mean, spread = found.mean(axis=0), found.std(axis=0) + 1e-9
    terms = terms_of(found, mean, spread)
    share = np.where(engine, 0.5 / engine.sum(), 0.5 / (~engine).sum())
    weight = ridge_logistic(terms, engine.astype(float), share, RIDGE)
    return Model(mean, spread, weight)


def terms_of(found: np.ndarray, mean: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """The terms of the regression, the constant first: (n, k + 1), of figures (n, k)."""
    z = np.clip((found - mean) / spread, -trills.WIDEST, trills.WIDEST)
    return np.column_stack([np.ones(len(z)), z])


def logits(read: list[Row], model: Model) -> np.ndarray:
    """Logit of an engine, of each row."""
    return terms_of(np.array([row.figures for row in read]), model.mean, model.spread) @ model.weight


def show(read: list[Row]) -> None:
    """How well those that a fit did not see are parted."""
    parts, engine = np.array([row.part for row in read]), np.array([row.engine for row in read])
    logit = np.zeros(len(read))
    for part in range(PARTS):
        model = fit([row for row, of in zip(read, parts, strict=True) if of != part])
        logit[parts == part] = logits([row for row, of in zip(read, parts, strict=True) if of == part], model)
    print(f"{engine.sum()} engines, {(~engine).sum()} trills that seem some")
    for share in SHARES:
        least = np.quantile(logit[engine], share)
        below = 100 * np.mean(logit[~engine] < least)
        print(f"below {least:.2f}: {100 * share:.1f} % of engines, {below:.0f} % of trills")
    real = sorted((value, row.name) for value, row in zip(logit, read, strict=True) if row.real and row.engine)
    print("least of the real ones:", *(f"{value:.2f} {name}" for value, name in real[:5]))
    lowest = sorted((value, row.name) for value, row in zip(logit, read, strict=True) if row.engine)
    print("least of all:", *(f"{value:.2f} {name}" for value, name in lowest[:12]))


def main(arguments: list[str]) -> int:
    """Run with the words of the command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--rounds", type=int, default=14)
    parser.add_argument("--real", type=Path)
    parser.add_argument("--sounds", type=Path, help="sounds that other people recorded")
    parser.add_argument("--write", action="store_true", help="write the coefficients into the package")
    told = parser.parse_args(arguments)
    told.cache.mkdir(parents=True, exist_ok=True)
    read = [*rows(engines(told), True), *rows(trill_sounds(28 * told.rounds, 0, told.cache), False)]
    show(read)
    model = fit(read)
    print(dict(zip((*trills.FIGURES, "judged"), np.round(model.weight[1:], 2).tolist(), strict=True)))
    if told.write:
        written = {part: np.round(getattr(model, part), 5).tolist() for part in ("mean", "spread", "weight")}
        TARGET.write_text(json.dumps(written, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
