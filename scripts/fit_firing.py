"""Fits the classifiers that tell lost firings (enginelog/firing/nets.npz).

    python scripts/fit_firing.py --cache FOLDER [--first 0] [--end 832] [--out FILE] [--without bands]

Made-up recordings of seeds below 10 000 through the real speed stage; what is seen of each is kept in the cache folder
(empty it when the speed stage or the cues have changed). Fitted in three parts, each on two thirds of the recordings,
so that the ways of parting firings are learned from what the first classifier says of recordings it has not seen. The
mean of the three goes into the package. Prints how well each third is told by the others.
With --without a cue is taken away before fitting (an ablation), and nothing is stored.
"""

from __future__ import annotations

import argparse
import pickle
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from measuring.made import as_told
from measuring.matching import labels

from enginelog import firing, limits, speed, synthesis
from enginelog.dsp.logistic import probability
from enginelog.firing import cues, grid, groups, judging, nets
from enginelog.model import Clip, Engine, Track

FOLDS = 3
BEHAVIOURS = (
    *("steady", "misfire_random", "misfire_burst", "steady", "misfire_puffing", "own", "start", "hunting", "also_own"),
    *("settling", "steady", "own", "never_settles", "load_step", "misfire_random", "moved", "misfire_puffing"),
)
PUFFING = {"misfires": {"puff": (0.25, 0.45)}, "colour": {"strength_spread": 0.15}}
NONE_SHARE = 0.006  # up to which a slot counts as losing none


@dataclass(frozen=True)
class Net:
    """How one kind of classifier is trained: sizes of the hidden layers, steps, events a step, noise on the inputs,
    pull of the weights to zero."""

    hidden: tuple[int, int]
    steps: int
    batch: int
    noise: float
    decay: float


EVENT = Net((28, 12), 2200, 512, 0.25, 3e-4)
SLOT = Net((16, 8), 1200, 256, 0.4, 1e-3)


# ---------------------------------------------------------------- the recordings


def scenario_of(number: int) -> tuple[synthesis.Scenario, bool]:
    """Recording `number`, and whether its rated speed is told: all kinds and behaviours, a quarter of them hard."""
    rng = np.random.default_rng(number + 77)
    kind = list(synthesis.KINDS)[number % len(synthesis.KINDS)]
    behaviour = BEHAVIOURS[number % len(BEHAVIOURS)]
    hardness = "hard" if rng.random() < 0.28 else "ordinary"
    several, two_stroke = kind_of(kind)
    if behaviour in ("own", "also_own"):
        second = two_stroke and (not several or (behaviour == "own" and rng.random() < 0.5))
        single = "misfire_random" if behaviour == "own" else "misfire_burst"
        behaviour = "misfire_every_second" if second else ("misfire_cylinder" if several else single)
    if behaviour == "moved":
        behaviour = "revving" if kind in ("saw", "trimmer", "two_stroke_twin", "four") else "throttle"
    fixed = PUFFING if behaviour == "misfire_random" and rng.random() < 0.4 else {}
    seconds = float(rng.uniform(8, 13))
    made = synthesis.random_scenario(number, kind, hardness, behaviour, seconds=seconds, **fixed)
    return made, bool(rng.random() < 0.6)


def kind_of(kind: str) -> tuple[bool, bool]:
    """(several cylinders, two-stroke)."""
    engine = synthesis.random_scenario(0, kind).engine
    return engine.cylinders > 1, engine.strokes == 2


def seen_of(clip: Clip, track: Track, truth: synthesis.Truth, engine: Engine) -> list[tuple[cues.Cues, np.ndarray]]:
    """The cues of each chunk of a recording, and which events were lost: 1, fired: 0, not known: -1."""
    settings = limits.load("firing")
    sound, grids = firing.lay(clip, track, engine, settings)
    shortest = float(np.diff(np.append(grid.places(engine), 1.0)).min())
    windows = [
        firing.see(sound, piece, engine.cylinders, shortest, settings)[0]
        for laid in grids
        for piece in firing.chunks(laid, engine.cylinders)
    ]
    if not windows:
        return []
    wanted = labels(truth, np.concatenate([one.t_s for one in windows]), engine)
    each = np.split(wanted, np.cumsum([len(one.t_s) for one in windows])[:-1])
    enough = max(8, engine.cylinders * settings.value("fewest_to_judge"))
    return [
        (cues.measure(one, engine, settings), lost)
        for one, lost in zip(windows, each, strict=True)
        if len(one.t_s) >= enough
    ]


def examples(first: int, end: int, cache: Path) -> Iterator[tuple[int, list[tuple[cues.Cues, np.ndarray]]]]:
    """(number, chunks) of each recording, from the cache where it is there."""
    for number in range(first, end):
        path = cache / f"firing_{number:05d}.pkl"
        if not path.exists():
            made, rated = scenario_of(number)
            clip, truth = synthesis.make(made)
            engine = as_told(made.engine, rated)
            track = speed.track(clip, engine, limits.load("speed"))
            path.write_bytes(pickle.dumps(seen_of(clip, track, truth, engine)))
        chunks = pickle.loads(path.read_bytes())
        if chunks:
            yield number, chunks


# ---------------------------------------------------------------- ablations


def without_dip(read: cues.Cues) -> cues.Cues:
    """The crank's slowing after a lost firing left out."""
    return _blank(replace(read, slowing=np.zeros_like(read.slowing)), ("slowing_about", "slowing_after"))


def without_bands(read: cues.Cues) -> cues.Cues:
    """All bands as one: their mean window, and no cue of a group of bands."""
    mean = read.parts.reshape(len(read.parts), -1, cues.BINS).mean(1)
    single = [f"{name}_{k}" for name in ("pulse", "level") for k in range(1, 5)]
    return _blank(
        replace(read, parts=mean), (*single, "strongest_1", "strongest_2", "agree_12", "agree_23", "agree_13")
    )


def without_shape(read: cues.Cues) -> cues.Cues:
    """No envelope within the window: only how loud each band was."""
    level = read.parts.reshape(len(read.parts), -1, cues.BINS).mean(2)
    shaped = [
        name for name in cues.NAMES if name.startswith(("pulse", "change", "plain", "front", "strongest", "agree"))
    ]
    return _blank(replace(read, parts=np.repeat(level, cues.BINS, axis=1)), tuple(shaped))


def _blank(read: cues.Cues, names: tuple[str, ...]) -> cues.Cues:
    table = read.table.copy()
    table[:, [cues.NAMES.index(name) for name in names]] = 0.0
    return replace(read, table=table)


WITHOUT = {"dip": without_dip, "bands": without_bands, "shape": without_shape}


# ---------------------------------------------------------------- the training


def fit(x: np.ndarray, wanted: np.ndarray, weight: np.ndarray, how: Net, seed: int) -> nets.Net:
    """Two hidden layers, cross-entropy, Adam (Kingma & Ba 2015), inputs shaken by noise."""
    rng = np.random.default_rng(seed)
    mean, spread = x.mean(0), x.std(0) + 1e-3
    scaled = np.clip((x - mean) / spread, -nets.REACH, nets.REACH).astype(np.float32)
    sizes = (x.shape[1], *how.hidden, 1)
    values: list[np.ndarray] = []
    for rows, columns in zip(sizes[:-1], sizes[1:], strict=True):
        values += [(rng.standard_normal((rows, columns)) / np.sqrt(rows)).astype(np.float32), np.zeros(columns, "f4")]
    first, second = [0 * v for v in values], [0 * v for v in values]
    total = np.cumsum(weight / weight.sum())
    for step in range(how.steps):
        drawn = np.searchsorted(total, rng.random(how.batch)).clip(0, len(x) - 1)
        shaken = scaled[drawn] + how.noise * rng.standard_normal((how.batch, x.shape[1]), dtype=np.float32)
        rate = 0.008 * min(1.0, 1.5 * (how.steps - step) / how.steps)
        for i, slope in enumerate(slopes(values, shaken, wanted[drawn].astype(np.float32), how.decay)):
            first[i] = 0.9 * first[i] + 0.1 * slope
            second[i] = 0.999 * second[i] + 0.001 * slope**2
            size = np.sqrt(second[i] / (1 - 0.999 ** (step + 1))) + 1e-8
            values[i] = (values[i] - rate * first[i] / (1 - 0.9 ** (step + 1)) / size).astype(np.float32)
    return nets.Net(mean.astype(np.float32), spread.astype(np.float32), tuple(values))


def slopes(values: list[np.ndarray], x: np.ndarray, wanted: np.ndarray, decay: float) -> list[np.ndarray]:
    """Slopes of the mean cross-entropy (and of the weights' size) by each array of `values`."""
    layers = [x]
    for weights, bias in zip(values[0:4:2], values[1:4:2], strict=True):
        layers.append(np.tanh(layers[-1] @ weights + bias))
    chance = probability((layers[-1] @ values[4] + values[5])[:, 0])
    error = ((chance - wanted) / len(x))[:, None].astype(np.float32)
    out: list[np.ndarray] = []
    for depth in (2, 1, 0):
        out = [layers[depth].T @ error + decay * values[2 * depth], error.sum(0), *out]
        error = (error @ values[2 * depth].T) * (1 - layers[depth] ** 2)
    return out


def event_rows(found: list) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cues, lost or not, weight of all events whose truth is known: a long recording counts a little more."""
    rows, wanted, weight = [], [], []
    for _, chunks in found:
        many = 1 / np.sqrt(max(sum(len(lost) for _, lost in chunks), 60))
        for read, lost in chunks:
            known = lost >= 0
            rows.append(read.table[known])
            wanted.append(lost[known] == 1)
            weight.append(np.full(int(known.sum()), many))
    return np.concatenate(rows).astype(np.float32), np.concatenate(wanted), np.concatenate(weight)


def is_right(lost: np.ndarray, truth: np.ndarray) -> bool:
    """Whether a way of parting is right: few events on the wrong side, and the number of lost ones right."""
    n, many = len(truth), truth.sum()
    wrong = np.sum((lost > 0.5) != truth)
    bias = max(abs(np.sum(lost > 0.5) - many), 0.7 * abs(lost.sum() - many))
    return bool(wrong <= max(0.012 * n, 0.08 * many) and bias <= max(0.006 * n, 0.06 * many))


def slot_rows(parted: list) -> tuple[tuple, tuple]:
    """(evidence, right or not, weight) of all ways, and (inputs, clean or not, weight) of all slots."""
    ways_rows, slots_rows = [], []
    for chunks in parted:
        count = 1 / np.sqrt(sum(len(slots) for slots, _ in chunks))
        for slots, lost in chunks:
            for own, ways in slots:
                known = lost[own] >= 0
                if not ways or known.sum() < groups.FEWEST:
                    continue
                truth = lost[own][known] == 1
                ways_rows += [(way.evidence, is_right(way.lost[known], truth), count / len(ways)) for way in ways]
                slots_rows.append((judging.clean_inputs(ways), truth.mean() < NONE_SHARE, count))
    return tuple(tuple(np.array(column) for column in zip(*rows, strict=True)) for rows in (ways_rows, slots_rows))


def dipless(found: list) -> list:
    """Every third recording once more, as an engine with a flywheel so heavy that a miss leaves the speed alone: its
    slowing is dealt out to the wrong events, so that the classifiers do not lean on it where it is missing."""
    rng, out = np.random.default_rng(0), []
    columns = [cues.NAMES.index(name) for name in ("slowing_about", "slowing_after")]
    for number, chunks in found:
        if number // FOLDS % 3 == 0:
            mixed = []
            for read, lost in chunks:
                order, table = rng.permutation(len(lost)), read.table.copy()
                table[:, columns] = table[np.ix_(order, columns)]
                mixed.append((replace(read, table=table, slowing=read.slowing[order]), lost))
            out.append((number, mixed))
    return out


def fit_all(found: list) -> nets.Judges:
    """The three classifiers; the last two learn from what the first says of recordings it has not seen."""
    more = dipless(found)
    folds = [[one for one in found if one[0] % FOLDS == fold] for fold in range(FOLDS)]
    others = [[one for one in found + more if one[0] % FOLDS != fold] for fold in range(FOLDS)]
    event = [fit(*event_rows(rest), EVENT, fold) for fold, rest in enumerate(others)]
    parted = [[_parted(chunks, event[fold]) for _, chunks in folds[fold]] for fold in range(FOLDS)]
    again = [[_parted(chunks, event[fold]) for n, chunks in more if n % FOLDS == fold] for fold in range(FOLDS)]
    right, clean, told = [], [], []
    for fold in range(FOLDS):
        ways_rows, slots_rows = slot_rows([one for k in range(FOLDS) if k != fold for one in parted[k] + again[k]])
        right.append(tuple(fit(*ways_rows, SLOT, seed) for seed in range(2)))
        clean.append(tuple(fit(*slots_rows, SLOT, 9 + seed) for seed in range(2)))
        own = nets.Judges((), right[-1], clean[-1])
        told += [told_of(number, chunks, own) for (number, _), chunks in zip(folds[fold], parted[fold], strict=True)]
    report(told)
    return nets.Judges(tuple(event), sum(right, ()), sum(clean, ()))


def _parted(chunks: list, net: nets.Net) -> list:
    """[(slots, lost)] of each chunk, slots: [(own, ways)]."""
    out = []
    for read, lost in chunks:
        logit = net.logit(read.table)
        owns = [np.flatnonzero(read.slot == j) for j in range(read.slots)]
        out.append(([(own, groups.ways(read, logit, own)) for own in owns], lost))
    return out


@dataclass(frozen=True)
class Told:
    """One recording of an unseen third. doubt: the most of any slot; called, true: per cent lost."""

    group: str
    doubt: float
    called: float
    true: float

    @property
    def right(self) -> bool:
        """Within 0.5 points or 7 % of the value."""
        return abs(self.called - self.true) <= max(0.5, 0.07 * self.true)


def told_of(number: int, chunks: list, judges: nets.Judges) -> Told:
    """What would be told of recording `number`, whose chunks are parted."""
    doubt, called, many, known = 0.0, 0.0, 0.0, 0
    for slots, lost in chunks:
        for own, ways in slots:
            if ways:
                one, sure = judging.believe(ways, judges), lost[own] >= 0
                doubt, known = max(doubt, one.doubt), known + sure.sum()
                called, many = called + np.sum(one.lost[sure] > 0.5), many + np.sum(lost[own][sure] == 1)
    true = 100 * many / max(known, 1)
    return Told(_group(number, true), doubt, 100 * called / max(known, 1), true)


def _group(number: int, true_percent: float) -> str:
    made, _ = scenario_of(number)
    several = "single" if made.engine.cylinders == 1 else "twin" if made.engine.cylinders == 2 else "three and four"
    strokes = "two-stroke " if made.engine.strokes == 2 else ""
    return f"{made.hardness}, {strokes}{several}, {'loses some' if true_percent >= 100 * NONE_SHARE else 'healthy'}"


def report(told: list[Told]) -> None:
    """How many recordings of the unseen thirds are told, and how many of all wrongly, at some limits of doubt."""
    limits_of_doubt = (0.05, 0.1, 0.2, 0.3)
    print(f"{'each third by the others':44s}   n  right " + " ".join(f"told<{x:<4} wrong" for x in limits_of_doubt))
    for group in ("", *sorted({one.group for one in told})):
        some = [one for one in told if group in ("", one.group)]
        cells = []
        for most in limits_of_doubt:
            given = [one for one in some if one.doubt < most]
            cells.append(f"{len(given) / len(some):9.2f} {sum(not one.right for one in given) / len(some):5.3f}")
        right = np.mean([one.right for one in some])
        print(f"{group or 'all':44s} {len(some):3d} {right:6.2f} {' '.join(cells)}", flush=True)


def save(judges: nets.Judges, path: Path) -> None:
    """Write the classifiers as the package reads them."""
    stored = {}
    for name in ("event", "right", "clean"):
        for i, net in enumerate(getattr(judges, name)):
            stored[f"{name}.{i}.mean"], stored[f"{name}.{i}.spread"] = net.mean, net.spread
            stored |= {f"{name}.{i}.layer{j}": value for j, value in enumerate(net.layers)}
    np.savez_compressed(path, **{key: np.asarray(value, np.float32) for key, value in stored.items()})


def main(arguments: list[str]) -> int:
    """Run with the words of the command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--end", type=int, default=832)
    parser.add_argument("--out", type=Path, default=Path(nets.__file__).parent / "nets.npz")
    parser.add_argument("--without", choices=WITHOUT, help="a cue to take away; nothing is stored")
    told = parser.parse_args(arguments)
    told.cache.mkdir(parents=True, exist_ok=True)
    found = list(examples(told.first, told.end, told.cache))
    print(f"{len(found)} recordings")
    if told.without:
        less = WITHOUT[told.without]
        found = [(number, [(less(read), lost) for read, lost in chunks]) for number, chunks in found]
    judges = fit_all(found)
    if not told.without:
        save(judges, told.out)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
