"""Fits the classifiers that tell lost firings (enginelog/firing/nets.npz).

    python scripts/fit_firing.py --cache FOLDER [--first 0] [--end 1900] [--faults 80] [--plain 400] [--out FILE]
                                 [--without bands]

Made-up recordings of seeds below 10 000 through the real speed stage: a mixture of all behaviours, numbers `--first` to
`--end`, the rows of `accuracy_firing.py --by-fault`, `--faults` of each row, half as many of hard ones and as many
healthy ones more, and `--plain` engines of the second maker (`measuring/firing_examples.py`). What is seen of each is
kept in the cache folder (empty it when the speed stage or the cues have changed). Fitted in three parts, each on two
thirds of the recordings, so that each classifier learns from what those before it say of recordings they have not seen.
The mean of the three goes into the package. Prints how well each third is told by the others.
With --without a cue is taken away before fitting (an ablation), and nothing is stored.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from measuring.adam import Adam
from measuring.firing_examples import FOLDS, NONE_SHARE, WITHOUT, Example, faulty, mixed, plain

from enginelog import limits
from enginelog.dsp.logistic import probability
from enginelog.firing import counting, cues, groups, judging, nets, weighing


@dataclass(frozen=True)
class Net:
    """How one kind of classifier is trained: sizes of the hidden layers, steps, events a step, noise on the inputs,
    pull of the weights to zero."""

    hidden: tuple[int, int]
    steps: int
    batch: int
    noise: float
    decay: float


EVENT = Net((44, 16), 3200, 512, 0.25, 3e-4)
SLOT = Net((16, 8), 1200, 256, 0.4, 1e-3)
AGAIN = Net((32, 12), 2500, 512, 0.3, 5e-4)
COUNT = Net((24, 8), 1500, 256, 1.0, 3e-3)
COUNTS = 4  # classifiers of each third that judge counts


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
    net = Adam(values)
    total = np.cumsum(weight / weight.sum())
    for step in range(how.steps):
        drawn = np.searchsorted(total, rng.random(how.batch)).clip(0, len(x) - 1)
        shaken = scaled[drawn] + how.noise * rng.standard_normal((how.batch, x.shape[1]), dtype=np.float32)
        rate = 0.008 * min(1.0, 1.5 * (how.steps - step) / how.steps)
        net.move(slopes(net.values, shaken, wanted[drawn].astype(np.float32), how.decay), rate)
    return nets.Net(mean.astype(np.float32), spread.astype(np.float32), tuple(net.values))


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


def event_rows(found: list[Example]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cues, lost or not, weight of all events whose truth is known: a long recording counts a little more."""
    return _events([([read.table for read, _ in one.chunks], one.chunks) for one in found])


def _events(found: list) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(inputs, lost or not, weight) of [(inputs of each chunk, chunks)]."""
    rows, wanted, weight = [], [], []
    for inputs, chunks in found:
        many = 1 / np.sqrt(max(sum(len(lost) for _, lost in chunks), 60))
        for x, (_, lost) in zip(inputs, chunks, strict=True):
            known = lost >= 0
            rows.append(x[known])
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
                slots_rows.append((weighing.clean_inputs(ways), truth.mean() < NONE_SHARE, count))
    return tuple(tuple(np.array(column) for column in zip(*rows, strict=True)) for rows in (ways_rows, slots_rows))


def dipless(found: list[Example]) -> list[Example]:
    """Every third recording once more, as an engine with a flywheel so heavy that a miss leaves the speed alone: its
    slowing is dealt out to the wrong events, so that the classifiers do not lean on it where it is missing."""
    rng, out = np.random.default_rng(0), []
    columns = [cues.NAMES.index(name) for name in ("slowing_about", "slowing_after")]
    for number, one in enumerate(found):
        if number // FOLDS % 3 == 0:
            mixed_up = []
            for read, lost in one.chunks:
                order, table = rng.permutation(len(lost)), read.table.copy()
                table[:, columns] = table[np.ix_(order, columns)]
                mixed_up.append((replace(read, table=table, slowing=read.slowing[order]), lost))
            out.append(replace(one, chunks=mixed_up))
    return out


@dataclass
class Looked:
    """One recording as the classifiers of its fold, which have not seen it, see it; filled stage by stage. Lists have
    an entry a chunk; `told` and `evidence` None where a cylinder has too few events."""

    one: Example
    logit: list[np.ndarray]
    slots: list[list[weighing.Slot]] = field(default_factory=list)
    signs: list[list[np.ndarray]] = field(default_factory=list)
    inputs: list[np.ndarray] = field(default_factory=list)
    told: list[np.ndarray | None] = field(default_factory=list)
    evidence: list[np.ndarray | None] = field(default_factory=list)


def fit_folds(found: list[Example]) -> list[nets.Judges]:
    """All classifiers, of each fold those that have not seen it; each learns from what those before it say of
    recordings they have not seen."""
    every = found + dipless(found)
    event = [fit(*event_rows([one for one in every if one.fold != fold]), EVENT, fold) for fold in range(FOLDS)]
    looked = [Looked(one, [event[one.fold].logit(read.table) for read, _ in one.chunks]) for one in every]
    right, clean = fit_slots(looked)
    settings = limits.load("firing")
    for this in looked:
        judges = nets.Judges((), right[this.one.fold], clean[this.one.fold])
        for (read, _), logit in zip(this.one.chunks, this.logit, strict=True):
            this.slots.append(judging.look(read, logit, judges, settings))
            this.signs.append(weighing.signs_of_all(read, this.slots[-1], logit))
            this.inputs.append(weighing.second_inputs(read, this.slots[-1], logit, this.signs[-1]))
    again = [fit(*second_rows(looked, fold), AGAIN, fold) for fold in range(FOLDS)]
    for this in looked:
        add_candidates(this, again[this.one.fold])
    count = [tuple(fit(*count_rows(looked, fold), COUNT, 10 + seed) for seed in range(COUNTS)) for fold in range(FOLDS)]
    report([(this.one, *told_of(this, count[this.one.fold])) for this in looked[: len(found)]])
    return [nets.Judges((event[k],), right[k], clean[k], (again[k],), count[k]) for k in range(FOLDS)]


def together(folds: list[nets.Judges]) -> nets.Judges:
    """The classifiers of all folds as one set, each the mean of its nets."""
    return nets.Judges(*(sum((getattr(one, name) for one in folds), ()) for name in nets.NAMES))


def fit_slots(looked: list[Looked]) -> tuple[list[tuple[nets.Net, ...]], list[tuple[nets.Net, ...]]]:
    """Of each fold: is a way right, and does a slot lose none."""
    parted = [_parted(this) for this in looked]
    right, clean = [], []
    for fold in range(FOLDS):
        others = [one for this, one in zip(looked, parted, strict=True) if this.one.fold != fold]
        ways_rows, slots_rows = slot_rows(others)
        right.append(tuple(fit(*ways_rows, SLOT, seed) for seed in range(2)))
        clean.append(tuple(fit(*slots_rows, SLOT, 9 + seed) for seed in range(2)))
    return right, clean


def _parted(this: Looked) -> list:
    """[(slots, lost)] of each chunk, slots: [(own, ways)]."""
    out = []
    for (read, lost), logit in zip(this.one.chunks, this.logit, strict=True):
        owns = [np.flatnonzero(read.slot == j) for j in range(read.slots)]
        out.append(([(own, groups.ways(read, logit, own)) for own in owns], lost))
    return out


def second_rows(looked: list[Looked], fold: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What the second classifier of the events learns from: all recordings but those of the fold."""
    return _events([(this.inputs, this.one.chunks) for this in looked if this.one.fold != fold])


def add_candidates(this: Looked, again: nets.Net) -> None:
    """The candidates of each chunk and what the judge of counts reads of them."""
    each = zip(this.one.chunks, this.slots, this.signs, this.inputs, this.logit, strict=True)
    for (read, _), slots, signed, x, logit in each:
        whole = len(slots) == read.slots
        told = weighing.candidates(slots, probability(again.logit(x))) if whole else None
        this.told.append(told)
        this.evidence.append(None if told is None else counting.evidence(told, read, slots, logit, signed))


def count_rows(looked: list[Looked], fold: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(evidence, right or not, weight) of all candidates of all recordings but those of the fold."""
    rows, wanted, weight = [], [], []
    for this in looked:
        if this.one.fold == fold:
            continue
        count = sum(told is not None for told in this.told)
        for (_, lost), told, x in zip(this.one.chunks, this.told, this.evidence, strict=True):
            if told is None or not (lost >= 0).any():
                continue
            rows.append(x)
            wanted.append(counts_right(told, lost, this.one.points))
            weight.append(np.full(len(x), 1 / np.sqrt(count)))
    return np.concatenate(rows), np.concatenate(wanted), np.concatenate(weight)


def counts_right(told: np.ndarray, lost: np.ndarray, points: float) -> np.ndarray:
    """Which candidates (candidates, events) count the lost ones rightly, within `points` or 7 %."""
    known = lost >= 0
    true = 100 * np.mean(lost[known] == 1)
    return np.abs(100 * (told[:, known] > 0.5).mean(1) - true) <= max(points, counting.PART * true)


def told_of(this: Looked, judges: tuple[nets.Net, ...]) -> tuple[list[float], list[float], list[int]]:
    """Of each chunk: chance of the likeliest candidate, its share, and the events whose truth is known."""
    chances, shares, many = [], [], []
    for (_, lost), told, x in zip(this.one.chunks, this.told, this.evidence, strict=True):
        known = lost >= 0
        many.append(int(known.sum()))
        chance = probability(nets.mean_logit(judges, x)) if told is not None else np.zeros(1)
        best = int(chance.argmax())
        chances.append(float(chance[best]))
        shares.append(100 * float(np.mean(told[best][known] > 0.5)) if told is not None and known.any() else 0.0)
    return chances, shares, many


def share_told(chances: list[float], shares: list[float], many: list[int], least: float) -> float | None:
    """Share of the chunks that are told; None where they are less than half."""
    weight = np.array(many) * (np.array(chances) >= least)
    return float(weight @ shares / weight.sum()) if weight.sum() > 0.5 * sum(many) else None


def report(told: list) -> None:
    """How many recordings of the unseen thirds are told, and how many of all wrongly, at some limits of the chance."""
    limits_of_chance = (0.7, 0.8, 0.85, 0.9, 0.95)
    print(f"{'each third by the others':52s}   n " + " ".join(f"told>{x:<4} wrong" for x in limits_of_chance))
    named: dict[str, list] = {}
    for one, *said in told:
        lose = "healthy" if one.true_percent < 100 * NONE_SHARE else "loses some"
        for name in ("all", one.group.split(",")[0], f"{one.group}, {lose}"):
            named.setdefault(name, []).append((one, said))
    for name in sorted(named, key=lambda name: (name != "all", name)):
        cells = []
        for least in limits_of_chance:
            given = [(one, share_told(*said, least)) for one, said in named[name]]
            given = [(one, share) for one, share in given if share is not None]
            off = [
                abs(share - one.true_percent) > counting.tolerance(one.true_percent, one.points) for one, share in given
            ]
            cells.append(f"{len(given) / len(named[name]):9.2f} {sum(off) / len(named[name]):5.3f}")
        print(f"{name:52s} {len(named[name]):3d} {' '.join(cells)}", flush=True)


def save(judges: nets.Judges, path: Path) -> None:
    """Write the classifiers as the package reads them."""
    stored = {}
    for name in nets.NAMES:
        for i, net in enumerate(getattr(judges, name)):
            stored[f"{name}.{i}.mean"], stored[f"{name}.{i}.spread"] = net.mean, net.spread
            stored |= {f"{name}.{i}.layer{j}": value for j, value in enumerate(net.layers)}
    np.savez_compressed(path, **{key: np.asarray(value, np.float32) for key, value in stored.items()})


def main(arguments: list[str]) -> int:
    """Run with the words of the command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--end", type=int, default=1900)
    parser.add_argument("--faults", type=int, default=80, help="recordings of each row by fault")
    parser.add_argument("--plain", type=int, default=400, help="engines of the second maker")
    parser.add_argument("--out", type=Path, default=Path(nets.__file__).parent / "nets.npz")
    parser.add_argument("--without", choices=WITHOUT, help="a cue to take away; nothing is stored")
    told = parser.parse_args(arguments)
    told.cache.mkdir(parents=True, exist_ok=True)
    found = [*mixed(told.first, told.end, told.cache), *faulty(told.faults, told.cache), *plain(told.plain, told.cache)]
    found = [one for one in found if one.chunks]
    print(f"{len(found)} recordings")
    if told.without:
        less = WITHOUT[told.without]
        found = [replace(one, chunks=[(less(read), lost) for read, lost in one.chunks]) for one in found]
    folds = fit_folds(found)
    if not told.without:
        save(together(folds), told.out)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
