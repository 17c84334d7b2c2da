"""Fits the small classifiers of the timeline (enginelog/timeline/nets.npz).

    python scripts/fit_timeline.py --cache FOLDER [--rounds 14] [--real FOLDER] [--sounds FOLDER] [--out FILE]

Made-up recordings of seeds below 10 000 by both makers and, where the folder of real recordings is given, the half of
them named in measuring.real.FOLD_A; of the folder of found sounds (measuring/found_sounds.py), the half for fitting.
Levels and tracks are kept in the cache folder (empty it when the speed stage has changed). The engine and pull
classifiers are fitted on two thirds at a time, so that the third that the course of events is learned from is unseen.
"""

from __future__ import annotations

import argparse
import sys
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
from measuring.found_sounds import MUSIC
from measuring.learning import moved
from measuring.plain_others import DRONE
from measuring.side_nets import first_layer
from timeline_examples import (
    FOLDS,
    Example,
    buried_starts,
    drones,
    found_engines,
    found_sounds,
    made_up,
    more_others,
    motors,
    own_negatives,
    plain_engines,
    plain_others,
    pulls_alone,
    pulls_and_no_run,
    real_at_the_bench,
    real_examples,
    real_variants,
    soft_engines,
    starts,
    whole_runs,
    wind_and_music,
)

from enginelog import limits, timeline
from enginelog.dsp.logistic import probability
from enginelog.timeline.bursts import burst_features
from enginelog.timeline.cues import NAMES, READING, cues
from enginelog.timeline.nets import PARTS, Net, shipped, stored
from enginelog.timeline.states import KINDS, state_features

BATCH = 600  # frames a step
NONE_COUNTS = 4.0  # in learning on: at 2.5 more music and surf are heard as engines
# In learning on, as how many more: what other people recorded is few beside what is made up, and of it music is nearly
# all that is taken for an engine; drones at full weight cost the most even real engine.
FOUND_COUNT, MUSIC_COUNT, DRONE_COUNT = 3.0, 2.0, 0.5
READING_NONE_COUNTS = 2.0  # as NONE_COUNTS, where only the reading cues are learned; at 1 more music is heard

# ---------------------------------------------------------------- what is to be learned


def frame_times(example: Example) -> np.ndarray:
    """Frames of the track, or as the track would have them."""
    end = float(example.activity.t_s[-1])
    return example.track.t_s if example.track is not None else np.arange(0.025, end, 0.05)


def engine_task(example: Example, before: Net | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Cues and whether an engine runs, without the moments about a change and the run-downs.

    before: a judge whose probabilities are wanted at these, so that what follows a cut does not drift.
    """
    t = example.track.t_s
    wanted = np.full(len(t), int(example.real_engine))
    known = np.ones(len(t), bool)
    for span in example.truth.spans if example.truth else ():
        inside = (t >= span.start_s) & (t < span.end_s)
        if span.kind == "run":
            wanted[inside] = 1
            known &= ~((np.abs(t - span.start_s) < 0.6) & (span.start_s > 0))
            known &= ~((np.abs(t - span.end_s) < 0.5) & (span.end_s < example.truth.seconds - 0.1))
        if span.kind == "rundown":
            known &= ~inside
    features = cues(example.activity, example.track, example.engine, limits.load("timeline"))
    if before is None:
        return features[known], wanted[known]
    return features, np.where(known, wanted, probability(before.logits(features)[:, 0]))


def pull_task(example: Example, engine: Net) -> tuple[np.ndarray, np.ndarray]:
    """Burst features and whether a starter is pulled; the end of a pull is soft, the run and run-down left out.

    Of a real engine it is not known when it ran, only that nobody pulled: `engine` says what the features take for it.
    """
    t = frame_times(example)
    wanted, known, running = np.zeros(len(t), int), np.ones(len(t), bool), np.zeros(len(t), bool)
    if example.real_engine:
        running = (
            engine.logits(cues(example.activity, example.track, example.engine, limits.load("timeline")))[:, 0] > 1.0
        )
    for span in example.truth.spans if example.truth else ():
        inside = (t >= span.start_s) & (t < span.end_s)
        if span.kind == "run":
            running |= inside
            known &= ~(inside & (t > span.start_s + 0.3))
        if span.kind == "rundown":
            known &= ~inside
    for pull in example.truth.pulls if example.truth else ():
        core = min(pull.end_s, pull.start_s + 0.5)
        wanted[(t >= pull.start_s) & (t < core)] = 1
        known &= ~((t >= core) & (t < pull.end_s + 0.4))
    return burst_features(example.activity, t, running)[known], wanted[known]


def state_task(example: Example, running: np.ndarray, pull: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """State features and the state of each frame."""
    t = example.track.t_s
    wanted = np.full(len(t), KINDS.index("run") if example.real_engine else 0)
    for span in example.truth.spans if example.truth else ():
        wanted[(t >= span.start_s) & (t < span.end_s)] = KINDS.index(span.kind)
    return state_features(example.activity, example.track, running, pull), wanted


# ---------------------------------------------------------------- fitting


def fit(
    tasks: list[tuple[np.ndarray, np.ndarray]],
    outputs: int,
    hidden: int,
    noise: float,
    steps: int,
    seed: int,
    balance: float,
) -> Net:
    """One hidden layer, cross-entropy, Adam, inputs shaken by `noise`; recordings from 2 s up weigh the same."""
    features, wanted, weight = together_of(tasks, balance)
    mean, spread = features.mean(axis=0), features.std(axis=0) + 1e-6
    rng = np.random.default_rng(seed)
    drawn = rng.choice(len(features), (steps, BATCH), p=weight / weight.sum())
    width = 1 if outputs == 2 else outputs
    size = features.shape[1]
    values = [
        rng.standard_normal((size, hidden)) / np.sqrt(size), np.zeros(hidden),
        rng.standard_normal((hidden, width)) / np.sqrt(hidden), np.zeros(width),
    ]  # fmt: skip
    scaled = np.clip((features - mean) / spread, -3, 3)
    return Net(mean, spread, *moved(values, scaled, wanted, drawn, noise, 0.01, rng))


def fit_unread(tasks: list[tuple[np.ndarray, np.ndarray]], steps: int, seed: int) -> Net:
    """An engine's judge whose reading cues weigh nothing yet: scaled as the others are, their 0 would not say nothing
    any more; `learned_reading` adds what they tell."""
    blind = []
    for features, wanted in tasks:
        features = features.copy()
        features[:, READING] = 0.0
        blind.append((features, wanted))
    return without_reading(fit(blind, 2, 48, 0.3, steps, seed, 1.0))


def learned_on(
    net: Net,
    tasks: list[tuple[np.ndarray, np.ndarray]],
    counts: list[float],
    steps: int,
    seed: int,
    none_counts: float = NONE_COUNTS,
    rate: float = 0.001,
    only: slice | None = None,
) -> Net:
    """`net` fitted on from where it is, in small steps: it keeps what it can that earlier examples taught it. What is
    no engine counts `none_counts` times as much as an engine does; counts: as how many each task counts; only: see
    `moved`."""
    features, wanted, weight = together_of(tasks, 1.0, counts)
    weight *= np.where(wanted < 0.5, none_counts, 1.0)
    rng = np.random.default_rng(seed)
    drawn = rng.choice(len(features), (steps, BATCH), p=weight / weight.sum())
    scaled = np.clip((features - net.mean) / net.spread, -3, 3)
    values = [net.inner, net.inner_bias, net.outer, net.outer_bias]
    return Net(net.mean, net.spread, *moved(values, scaled, wanted, drawn, 0.3, rate, rng, 1e-4, only))


def learned_reading(
    net: Net, tasks: list[tuple[np.ndarray, np.ndarray]], counts: list[float], steps: int, seed: int
) -> Net:
    """`net` with the weights of the reading cues learned anew from none, all others as they are.

    These cues are 0 where no speed is read: what it says there stays what it was to the last bit.
    """
    return learned_on(without_reading(net), tasks, counts, steps, seed, READING_NONE_COUNTS, 0.003, READING)


def without_reading(net: Net) -> Net:
    """`net` with reading cues that weigh nothing, whether it was fitted before there were any or not; they are not
    shifted, so that 0 says nothing."""
    some = READING.stop - READING.start
    return replace(
        net,
        mean=np.append(net.mean[: READING.start], np.zeros(some)),
        spread=np.append(net.spread[: READING.start], np.ones(some)),
        inner=np.concatenate([net.inner[: READING.start], np.zeros((some, net.inner.shape[1]))]),
    )


def count_of(example: Example) -> float:
    """As how many made-up recordings an example counts in learning on."""
    name = example.name
    if name.startswith("found_"):
        return example.weight * FOUND_COUNT * (MUSIC_COUNT if f"_{MUSIC}@" in name else 1.0)
    return example.weight * (DRONE_COUNT if f"_{DRONE}@" in name else 1.0)


def together_of(
    tasks: list[tuple[np.ndarray, np.ndarray]], balance: float, counts: list[float] | None = None
) -> tuple[np.ndarray, ...]:
    """(features, wanted, weight) of the frames of all recordings; wanted: numbers of answers, or probabilities."""
    counts = counts or [1.0] * len(tasks)
    features = np.concatenate([x for x, _ in tasks]).astype(np.float32)
    wanted = np.concatenate([y for _, y in tasks])
    each = np.concatenate([np.full(len(y), n / max(len(y), 40)) for (_, y), n in zip(tasks, counts, strict=True)])
    weight = balanced(np.rint(wanted).astype(int), each, balance)
    return features, wanted, weight


def balanced(wanted: np.ndarray, weight: np.ndarray, power: float) -> np.ndarray:
    """Weights in which rare answers count more: power 1, every answer the same in all; 0, as often as it comes."""
    totals = np.bincount(wanted, weight)
    return weight / totals[wanted] ** power


def together(nets: list[Net]) -> Net:
    """One net that gives the mean logits of several fitted on inputs of their own scaling."""
    inner, bias = first_layer(nets, [net.inner_bias for net in nets])
    outer = np.concatenate([net.outer for net in nets]) / len(nets)
    return Net(nets[0].mean, nets[0].spread, inner, bias, outer, np.mean([net.outer_bias for net in nets], axis=0))


def fit_all(examples: list[Example], more: list[Example], steps: int) -> dict[str, Net]:
    """The three classifiers; the third learns from what the first two say of recordings they have not seen.

    `more` is for the engine classifier, which needs the most (the others lose the edges of a run among many runs), and
    what is no engine in it for that of bursts.
    """
    tracked = [e for e in examples if e.track is not None]
    every = [*tracked, *more]
    engine_tasks = [(e.fold, engine_task(e)) for e in every for _ in range(e.weight)]
    engines = []
    for fold in range(FOLDS):
        seen = [t for f, t in engine_tasks if f != fold]
        engines.append(together([fit_unread(seen, 4 * steps, seed) for seed in (fold, 30 + fold)]))
    bursts = [*(e for e in examples if not e.started), *(e for e in more if e.truth is None and not e.real_engine)]
    pull_tasks = [(e.fold, pull_task(e, engines[e.fold])) for e in bursts for _ in range(e.weight)]
    pulls = []
    for fold in range(FOLDS):
        seen = [t for f, t in pull_tasks if f != fold]
        pulls.append(together([fit(seen, 2, 48, 0.3, 4 * steps, seed, 0.65) for seed in (10 + fold, 40 + fold)]))
    states = []
    for e in tracked:
        running = engines[e.fold].logits(cues(e.activity, e.track, e.engine, limits.load("timeline")))[:, 0]
        pull = pulls[e.fold].logits(burst_features(e.activity, e.track.t_s, running > 1.0))[:, 0]
        if eventful(e):
            states.append(state_task(e, running, pull))
        report_fold(e, running)
    state = together([fit(states, 4, 14, 0.3, steps, 20 + number, 0.4) for number in range(2)])
    return {"engine": together(engines), "pull": together(pulls), "state": state}


def eventful(example: Example) -> bool:
    """Whether a recording teaches the course of events: of the runs without a start or an end, only some do."""
    kinds = {span.kind for span in example.truth.spans} if example.truth else set()
    return kinds != {"run"} or zlib.crc32(example.name.encode()) % 4 == 0


def report_fold(example: Example, running: np.ndarray) -> None:
    """One line of held-out logits for the calibration of the confidence."""
    wanted = np.concatenate([[0], engine_task(example)[1]]).max()
    print(f"held out {example.name} engine {wanted} logit {np.mean(running):.2f} most {best_stretch(running):.2f}")


def best_stretch(running: np.ndarray, frames: int = 40) -> float:
    """Highest mean logit over two seconds."""
    size = min(frames, len(running))
    total = np.cumsum(np.concatenate([[0.0], np.clip(running, -8, 8)]))
    return float(np.max(total[size:] - total[:-size]) / size)


def judge_of(path: Path | None) -> Net:
    """The engine's judge of a file of nets; of those shipped, where none is named."""
    if path is None:
        net = shipped()["engine"]
    else:
        with path.open("rb") as stream:
            net = stored(stream)["engine"]
    return net if len(net.mean) == len(NAMES) else without_reading(net)


def save(nets: dict[str, Net], path: Path) -> None:
    """Write the classifiers as the package reads them."""
    np.savez(path, **{f"{n}.{p}": np.asarray(getattr(net, p), np.float32) for n, net in nets.items() for p in PARTS})


def main(arguments: list[str]) -> int:
    """Run with the words of the command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--rounds", type=int, default=14)
    parser.add_argument("--real", type=Path)
    parser.add_argument("--sounds", type=Path, help="sounds without an engine that other people recorded")
    parser.add_argument("--steps", type=int, default=3000)
    parser.add_argument("--engine-only", action="store_true", help="keep the other two classifiers as they are shipped")
    parser.add_argument("--soft", action="store_true", help="engines without a knock among those of the second maker")
    parser.add_argument("--learn-on", action="store_true", help="only the shipped engine's judge, from where it is on")
    parser.add_argument("--start", type=Path, help="nets whose engine's judge to learn on from, not the shipped one")
    parser.add_argument("--reading", action="store_true", help="only what the reading cues add to that judge")
    parser.add_argument("--with-shipped", action="store_true", help="mean of the engine's judge and the shipped one")
    parser.add_argument("--out", type=Path, default=Path(timeline.__file__).parent / "nets.npz")
    told = parser.parse_args(arguments)
    told.cache.mkdir(parents=True, exist_ok=True)
    examples = [*made_up(told.rounds, 0, told.cache), *pulls_alone(told.rounds, 0, told.cache)]
    examples += own_negatives(told.rounds, 0, told.cache)
    for base, hardness in ((1000, "hard"), (1500, "ordinary")):
        examples += whole_runs(13 * told.rounds, base, hardness, told.cache)
    examples += starts(3 * told.rounds // 2, 2000, told.cache)
    examples += buried_starts(6 * told.rounds, 3100, told.cache)
    examples += [*more_others(8 * told.rounds, 1000, told.cache), *own_negatives(told.rounds, 1000, told.cache)]
    more = [*more_others(16 * told.rounds, 4000, told.cache), *own_negatives(told.rounds, 4000, told.cache)]
    for base, hardness in ((8500, "hard"), (8000, "ordinary")):
        more += whole_runs(13 * told.rounds // 2, base, hardness, told.cache)
    examples += plain_others(14 * told.rounds, 0, told.cache)
    for base, hardness in ((9200, "hard"), (9400, "ordinary")):
        more += pulls_and_no_run(9 * told.rounds, base, hardness, told.cache)
    more += [*plain_engines(24 * told.rounds, 0, told.cache), *plain_others(28 * told.rounds, 1000, told.cache)]
    if told.soft:
        more += soft_engines(16 * told.rounds, 0, told.cache)
    more += motors(14 * told.rounds, 2000, told.cache)
    more += wind_and_music(10 * told.rounds, 3000, told.cache)
    if told.real:
        examples += real_examples(told.real, True, told.cache)
        more += real_variants(told.real, told.cache)
    if told.real and told.learn_on:
        more += real_at_the_bench(24 * told.rounds, 0, told.real, told.cache)
        more += drones(20 * told.rounds, 5000, told.cache)
    if told.sounds and told.learn_on:
        more += found_engines(3 * told.rounds // 2, 0, told.sounds, told.cache)
    if told.sounds:
        examples += found_sounds((157 if told.learn_on else 60) * told.rounds, 0, told.sounds, told.cache)
    print(f"{len(examples)} examples, {len(more)} more for the engine classifier", flush=True)
    if told.learn_on:
        judge = judge_of(told.start)
        tracked = [e for e in [*examples, *more] if e.track is not None]
        tasks, counts = [engine_task(e, judge) for e in tracked], [count_of(e) for e in tracked]
        if told.reading:
            learned = learned_reading(judge, tasks, counts, 4 * told.steps, 0)
        else:
            learned = learned_on(judge, tasks, counts, 8 * told.steps, 0)
        save({**shipped(), "engine": together([judge, learned]) if told.with_shipped else learned}, told.out)
        return 0
    nets = fit_all(examples, more, told.steps)
    if told.with_shipped:
        nets["engine"] = together([shipped()["engine"], nets["engine"]])
    save({**shipped(), "engine": nets["engine"]} if told.engine_only else nets, told.out)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
