"""Fits the network that tells the true speed from its rivals (enginelog/speed/emission.npz).

    python scripts/fit_emission.py --cache FOLDER [--real] [--jobs 2] [--write]

Made-up recordings of tuning seeds (below 10 000), hard and ordinary, without and with the rated speed told (at times
a wrong one), plain engines by a second maker, tones and pulses of known rate, and the real recordings of the tuning
fold. Shown is how often the true speed wins among the trial speeds of a frame, on seeds kept back; `--write` then fits
on all of them. Frames are kept in the cache folder (empty it when `speed/evidence.py` has changed). Figures to quote
come from scripts/accuracy.py, on other seeds.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np
from measuring import made, real
from measuring.adam import Adam
from measuring.bench_sounds import bench_sound
from measuring.plain_engines import fitted_engine
from measuring.pool import each
from measuring.side_nets import first_layer, shares

from enginelog import limits, media, synthesis
from enginelog.model import Clip, Engine
from enginelog.speed import emission, evidence
from enginelog.speed.kinds import layouts
from enginelog.speed.tracking import grid_of, signals_of

TARGET = Path(emission.__file__).with_name("emission.npz")
# hardness, first seed, count; every fifth recording is kept back and shown
SEEDS = (
    *(("hard", 1000, 260), ("hard", 2000, 260), ("hard", 2300, 260), ("hard", 2900, 260)),
    *(("ordinary", 1500, 260), ("ordinary", 2600, 260)),
)
EVERY = 4  # frames from one used to the next
HARDEST, RANDOM = 12, 6  # rivals of the true speed: the best of the others by the plain sum, and any
APART = 4  # states within which a speed is the true one
MEMBERS = 4  # networks whose mean logit counts: where one alone is led astray by its beginnings, the others are not
HIDDEN, STEPS, BATCH, RATE = 10, 12000, 192, 0.004  # of each of them
SHAKEN = 0.1  # standard deviations of noise added to the inputs
DECAY = 1e-3
REAL_COUNTS = 16.0  # as many times as a made-up one
BENCHES = 320
PLAINS, FAULTY = 400, 150  # every second one hard; those after the first of them fail in all ways
BENCH = (
    *(Engine(), Engine(strokes=2), Engine(cylinders=2, firing_angles_deg=(0.0, 360.0))),
    *(Engine(cylinders=4, firing_angles_deg=(0.0, 180.0, 360.0, 540.0)), Engine()),
)
SLOWEST_RPM = 260.0
MISTOLD, MOST_ASIDE = 4, 0.6  # of one recording in so many the rated speed told is wrong, by up to this logarithm
AWAY_S = 0.3  # from a start or stop, where plain engines have no run-up
OUTSIDE = 0.5  # weight of a frame of a start or run-down, against one of a run


def frames_of(case: made.Case) -> list[tuple[np.ndarray, np.ndarray]]:
    """Inputs (frames, 1 + HARDEST + RANDOM, inputs), the true speed first, and weights (frames,), of one recording."""
    scenario = made.scenario_of(case)
    clip, truth = synthesis.make(scenario)
    chosen = limits.load("speed")
    rng = np.random.default_rng(case.seed)
    engine = made.as_told(scenario.engine, False)
    times, grid = evidence.frame_times(clip.seconds, chosen.value("frame_hop_s")), grid_of(engine, chosen)
    scores = evidence.evidence(signals_of(clip)[0], layouts(engine), grid, times)
    true_rpm = np.interp(times, truth.t_s, truth.rpm)
    weight = np.where((times >= (truth.run_up_end_s or 0.0)) & (times <= truth.run_end_s), 1.0, OUTSIDE)
    state = np.log(np.maximum(true_rpm, 1.0) / (60.0 * engine.revs_per_cycle * grid[0])) / evidence.GRID_STEP
    usable = np.flatnonzero((true_rpm > SLOWEST_RPM) & (state >= 0) & (state < len(grid) - 1))
    found = []
    for offset, rated in ((0, False), (EVERY // 2, True))[: 2 if scenario.engine.rated_rpm else 1]:
        rows = usable[offset::EVERY]
        if len(rows):
            part = {name: values[rows] for name, values in scores.items()}
            told = emission.told_inputs(as_told(scenario.engine, rated, case.seed, rng), grid, chosen)
            places = rivals(emission.plain_sum(part), np.round(state[rows]).astype(int), rng)
            found.append((chosen_of(part, told, places), weight[rows]))
    return found


def chosen_of(scores: dict[str, np.ndarray], told: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Of all inputs those at the states `places` (frames, choices): (frames, choices, inputs), float16."""
    x = emission.inputs(scores)[:, np.arange(len(places))[:, None], places]
    return np.moveaxis(np.concatenate([x, told[:, places]]), 0, -1).astype(np.float16)


def as_told(engine: Engine, rated: bool, seed: int, rng: np.random.Generator) -> Engine:
    """The engine as its user would tell it; now and then with a rated speed that it does not run at."""
    told = made.as_told(engine, rated)
    if not rated or seed % MISTOLD or not told.rated_rpm:
        return told
    return replace(told, rated_rpm=told.rated_rpm * float(np.exp(rng.uniform(-MOST_ASIDE, MOST_ASIDE))))


def rivals(total: np.ndarray, state: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """For each frame the true state (the best within one of it) and the states it must win against."""
    places = np.empty((len(total), 1 + HARDEST + RANDOM), int)
    for row, (values, true) in enumerate(zip(total, state, strict=True)):
        low = max(true - 1, 0)
        places[row, 0] = low + int(values[low : true + 2].argmax())
        left = values.copy()
        left[max(true - APART, 0) : true + APART + 1] = -np.inf
        others = np.flatnonzero(np.isfinite(left))
        for number in range(HARDEST):
            best = int(left.argmax())
            places[row, 1 + number] = best
            left[max(best - APART + 1, 0) : best + APART] = -np.inf
        places[row, 1 + HARDEST :] = rng.choice(others, RANDOM)
    return places


def kept_frames(job: tuple[made.Case, str]) -> list[tuple[np.ndarray, np.ndarray]]:
    """The same from the cache, where it is there."""
    case, cache = job
    path = Path(cache) / f"{case.seed}_{case.hardness}.npz"
    if not path.exists():
        found = frames_of(case)
        columns = {
            f"{name}{number}": column
            for number, pair in enumerate(found)
            for name, column in zip("xw", pair, strict=True)
        }
        np.savez(path, **columns)
    with np.load(path) as data:
        return [(data[f"x{number}"], data[f"w{number}"]) for number in range(len(data.files) // 2)]


def fit(x: np.ndarray, weight: np.ndarray) -> emission.Net:
    """The mean of several networks fitted on the same frames, each from beginnings of its own."""
    return mean_of([fit_one(x, weight, seed) for seed in range(MEMBERS)])


def mean_of(nets: list[emission.Net]) -> emission.Net:
    """One network that gives the mean logits of several, each fitted on inputs of its own scaling."""
    outer = np.concatenate([net.outer for net in nets]) / len(nets)
    straight = np.mean([net.straight * share for net, share in zip(nets, shares(nets), strict=True)], axis=0)
    inner, bias = first_layer(nets, [net.bias for net in nets])
    return emission.Net(nets[0].mean, nets[0].spread, inner, bias, outer, straight)


def fit_one(x: np.ndarray, weight: np.ndarray, seed: int) -> emission.Net:
    """Conditional logit by Adam (Kingma & Ba 2015): x (frames, choices, inputs), the first choice is the right one."""
    rng = np.random.default_rng(seed)
    sample = x[rng.integers(0, len(x), 6000)].reshape(-1, x.shape[2]).astype(np.float32)
    mean, spread = sample.mean(axis=0), sample.std(axis=0) + 1e-3
    size = x.shape[2]
    values = [rng.standard_normal((size, HIDDEN)) / np.sqrt(size), np.zeros(HIDDEN)]
    values += [rng.standard_normal(HIDDEN) / np.sqrt(HIDDEN), 0.1 * rng.standard_normal(size)]
    values = [value.astype(np.float32) for value in values]
    net = Adam(values)
    chances = np.cumsum(weight / weight.sum())
    for step in range(STEPS):
        rows = np.searchsorted(chances, rng.random(BATCH)).clip(0, len(x) - 1)
        z = np.clip((x[rows].astype(np.float32) - mean) / spread, -emission.REACH, emission.REACH)
        z += SHAKEN * rng.standard_normal(z.shape, np.float32)
        net.move(gradient(net.values, z, 0), RATE * min(1.0, 1.5 * (STEPS - step) / STEPS))
    return emission.Net(mean, spread, *net.values)


def gradient(values: list[np.ndarray], z: np.ndarray, right: np.ndarray | int) -> list[np.ndarray]:
    """Slopes of the mean loss (and of the weights' size) by each array of `values`; z (frames, choices, inputs), right:
    which choice of each frame is, or of all."""
    inner, bias, outer, straight = values
    flat = z.reshape(-1, z.shape[2])
    hidden = np.maximum(flat @ inner + bias, 0.0)
    logits = (hidden @ outer + flat @ straight).reshape(z.shape[:2])
    top = np.exp(logits - logits.max(axis=1, keepdims=True))
    error = top / top.sum(axis=1, keepdims=True)
    error[np.arange(len(z)), right] -= 1.0
    error = (error / len(z)).reshape(-1).astype(z.dtype)
    back = np.outer(error, outer) * (hidden > 0)
    slopes = [flat.T @ back + DECAY * inner, back.sum(axis=0)]
    return [*slopes, hidden.T @ error + DECAY * outer, flat.T @ error + DECAY * straight]


def wins(net: emission.Net, x: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Share of the frames in which the true speed has the highest logit, and mean loss."""
    right, loss = np.zeros(len(x)), np.zeros(len(x))
    for first in range(0, len(x), 1000):
        part = slice(first, first + 1000)
        logits = net.logit(np.moveaxis(x[part].astype(np.float32), -1, 0).copy())
        right[part] = logits.argmax(axis=1) == 0
        loss[part] = np.log(np.exp(logits - logits[:, :1]).sum(axis=1))
    return float(np.average(right, weights=weight)), float(np.average(loss, weights=weight))


def real_frames(sound: real.Sound) -> tuple[np.ndarray, np.ndarray]:
    """The same of the labelled frames of a real recording."""
    clip, _ = media.read(sound.path)
    return labelled(clip, sound.engines[0], np.array(sound.label_t_s), np.array(sound.label_hz))


def bench_frames(seed: int) -> tuple[np.ndarray, np.ndarray] | None:
    """The same of tones or pulses, taken for one engine after the other; None for noise."""
    engine = BENCH[seed // 4 % len(BENCH)]
    clip, firing_hz = bench_sound(seed, top_hz=220.0 if engine.strokes == 2 else 35.0 * engine.cylinders)
    label_s = evidence.frame_times(clip.seconds, EVERY * limits.load("speed").value("frame_hop_s"))
    return None if firing_hz is None else labelled(clip, engine, label_s, np.full(len(label_s), firing_hz))


def plain_frames(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """The same of a plain engine, its rated speed not told."""
    plain = fitted_engine(seed, faulty=seed >= PLAINS)
    label_s = evidence.frame_times(plain.clip.seconds, EVERY * limits.load("speed").value("frame_hop_s"))
    label_s = label_s[(label_s > plain.start_s + AWAY_S) & (label_s < plain.stop_s - AWAY_S)]
    rpm = plain.rpm_at(label_s)
    label_s, rpm = label_s[rpm > SLOWEST_RPM], rpm[rpm > SLOWEST_RPM]
    return labelled(plain.clip, plain.engine, label_s, rpm * plain.engine.firing_hz_per_rpm)


def labelled(clip: Clip, engine: Engine, label_s: np.ndarray, firing_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inputs and weights of the frames nearest to the labelled moments."""
    chosen = limits.load("speed")
    times, grid = evidence.frame_times(clip.seconds, chosen.value("frame_hop_s")), grid_of(engine, chosen)
    scores = evidence.evidence(signals_of(clip)[0], layouts(engine), grid, times)
    rows = np.abs(times[:, None] - label_s).argmin(axis=0)
    state = np.round(np.log(firing_hz / engine.cylinders / grid[0]) / evidence.GRID_STEP).astype(int)
    rows, state = rows[(state >= 0) & (state < len(grid))], state[(state >= 0) & (state < len(grid))]
    part = {name: values[rows] for name, values in scores.items()}
    places = rivals(emission.plain_sum(part), state, np.random.default_rng(len(rows)))
    return chosen_of(part, emission.told_inputs(engine, grid, chosen), places), np.ones(len(rows))


def together(parts: list, actual: list | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Frames of recordings in one; recordings of two seconds and more weigh the same, `actual` ones more."""
    weight = [w / max(w.sum(), 10.0) for _, w in parts]
    weight += [REAL_COUNTS * w / max(w.sum(), 10.0) for _, w in actual or []]
    return np.concatenate([x for x, _ in [*parts, *(actual or [])]]), np.concatenate(weight)


def main() -> None:
    """Gather the frames, fit, show, and write if asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--real", action="store_true", help="with the real recordings of the tuning fold")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--write", action="store_true", help="fit on all recordings and replace emission.npz")
    told = parser.parse_args()
    told.cache.mkdir(parents=True, exist_ok=True)
    cases = [case for hardness, first, count in SEEDS for case in made.cases(count, first, hardness)]
    found = each(kept_frames, [(case, str(told.cache)) for case in cases], told.jobs, "recordings")
    chosen = [sound for sound in (real.sounds() if told.real else []) if sound.fold == "A" and sound.label_t_s]
    actual = [real_frames(sound) for sound in chosen if sound.kind == "engine"]
    bench = [part for part in map(bench_frames, range(BENCHES)) if part is not None]
    plain = each(plain_frames, range(PLAINS + FAULTY), told.jobs, "plain engines")
    used = [part for number, parts in enumerate(found) for part in parts if number % 5]
    learned = [part for number, part in enumerate(plain) if number % 5]
    net = fit(*together(used + bench + learned, actual))
    kept = [(cases[number].hardness, parts) for number, parts in enumerate(found) if number % 5 == 0]
    for hardness in ("hard", "ordinary"):
        for rated in (0, 1):
            show(net, f"{hardness}, rated {rated}", [p[rated] for of, p in kept if of == hardness and len(p) > rated])
    show(net, "plain engines", plain[:PLAINS:5])
    show(net, "plain engines that fail", plain[PLAINS::5])
    if told.write:
        save(fit(*together([part for parts in found for part in parts] + bench + plain, actual)))


def show(net: emission.Net, name: str, parts: list) -> None:
    """Print how often the plain sum and the network find the true speed."""
    x, weight = together(parts)
    against_best = x[..., (1 + len(emission.STEPS)) * len(emission.WEIGHTS)]
    before = np.average(against_best.argmax(axis=1) == 0, weights=weight)
    share, loss = wins(net, x, weight)
    print(f"{name}: {len(x)} frames, {before:.3f} by the plain sum, {share:.3f} by the network, loss {loss:.3f}")


def save(net: emission.Net, target: Path = TARGET) -> None:
    """Write a network as the package reads it."""
    np.savez(target, **{name: np.asarray(getattr(net, name), np.float32) for name in emission.PARTS})
    print(f"written: {target.name}")


if __name__ == "__main__":
    main()
