"""Lost firings as they are reported: what `findings.misfire` counts of the firings located, against the truth; and
whether firings stated lost with some confidence were so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from enginelog import limits
from enginelog.findings import firing_verdicts, misfire, settling, shares
from enginelog.firing.counting import tolerance
from enginelog.model import Engine, Firings
from measuring.matching import FiringTruth

EDGES = (0.0, 0.005, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95, 0.98, 0.995, 1.0)  # of stated confidence
HEADS = (
    *("recordings", "n", "told %", "of these share right %", "within 1.5 points %", "most above, points"),
    *("wrong of all %", "confident wrong %", "interval holds %", "precision", "recall", "pattern right %"),
    *("else said: at least %", "of these too many %"),
)


@dataclass(frozen=True)
class Counted:
    """One recording. percent None: no count was given. hit, false, missed: firings called lost rightly and wrongly, and
    lost ones called fired, of recordings told. stated: probabilities of a miss, was: whether it was one. least: firings
    said to be lost at least, where no count was given; lost: those that were. verdict: of the finding. points: within
    which the share is right, or within 7 % of it."""

    name: str
    true_percent: float
    percent: float | None
    low: float | None
    high: float | None
    pattern: str | None
    true_pattern: str
    hit: int
    false: int
    missed: int
    stated: np.ndarray
    was: np.ndarray
    least: int = 0
    lost: int = 0
    verdict: str = "ok"
    points: float = 0.5

    @property
    def off(self) -> float:
        """Points by which the share is overstated; NaN where none is told."""
        return np.nan if self.percent is None else self.percent - self.true_percent

    @property
    def right(self) -> bool:
        """Within `points` or 7 % of the value."""
        return bool(abs(self.off) <= tolerance(self.true_percent, self.points))

    @property
    def wrong(self) -> bool:
        """A share is stated that is not right."""
        return self.percent is not None and not self.right

    @property
    def confident_wrong(self) -> bool:
        """A share is stated that is not right, and the verdict is another than unknown; or more firings are said to be
        lost at least than were."""
        return (self.wrong and self.verdict != "unknown") or self.least > self.lost


def counted(name: str, found: Firings, truth: FiringTruth, wanted: np.ndarray, engine: Engine) -> Counted:
    """Count the firings `found` over the true running spans. wanted: 1 lost, 0 fired, -1 not known, of each."""
    spans = [span for span in truth.spans if span.kind == "run"]
    settings = limits.load("findings")
    study = misfire.study_misfire(engine, found, spans, settings)
    summary = study.summary
    said = study.plainly_lost >= settings.value("misfire_plain_least")
    said &= (summary.misfire_low or 0.0) >= settings.value("misfire_watch_percent")
    told = found.miss_probability
    judged = np.isfinite(told) & (wanted >= 0)
    lost, called = wanted[judged] == 1, told[judged] > 0.5
    given = summary.misfires is not None
    true = 100 * float(np.mean(truth.missed)) if len(truth.missed) else 0.0
    evidence = SimpleNamespace(
        engine=engine, misfire=study, too_loud=False, settling=settling.UNKNOWN, died_away=lambda limits: False
    )
    verdict = firing_verdicts.judge_misfire(evidence, settings).verdict
    return Counted(
        name, true, summary.misfire_percent if given else None, summary.misfire_low, summary.misfire_high,
        summary.pattern if given else None, truth.misfire_pattern or "none",
        *(int(np.sum(mask)) if given else 0 for mask in (called & lost, called & ~lost, ~called & lost)),
        told[judged], lost, study.plainly_lost if said else 0, int(np.sum(truth.missed)),
        verdict,
    )  # fmt: skip


def table(rows: Sequence[tuple[str, Sequence[Counted]]], every: Sequence[Counted] | None = None) -> str:
    """Markdown, a row a name, all together first; `every`: all of them, where rows share some."""
    every = [one for _, some in rows for one in some] if every is None else every
    lines = ["| " + " | ".join(HEADS) + " |", "|---|" + "---:|" * (len(HEADS) - 1)]
    lines += [_line(name, some) for name, some in [("**all**", every), *rows]]
    return "\n".join(lines)


def _line(name: str, some: Sequence[Counted]) -> str:
    told = [one for one in some if one.percent is not None]
    hit, false, missed = (sum(getattr(one, key) for one in told) for key in ("hit", "false", "missed"))
    holds = [one.low <= one.true_percent <= one.high for one in told]
    least = [one for one in some if one.least]
    cells = [
        name, str(len(some)), _percent(len(told), len(some)), _percent(sum(one.right for one in told), len(told)),
        _percent(sum(abs(one.off) <= 1.5 for one in told), len(told)),
        f"{max(one.off for one in told):.2f}" if told else "-",
        _percent(sum(one.wrong for one in some), len(some)),
        _percent(sum(one.confident_wrong for one in some), len(some)), _percent(sum(holds), len(told)),
        f"{hit / (hit + false):.3f}" if hit + false else "-", f"{hit / (hit + missed):.3f}" if hit + missed else "-",
        _percent(sum(one.pattern == one.true_pattern for one in told), len(told)), _percent(len(least), len(some)),
        _percent(sum(one.least > one.lost for one in least), len(least)),
    ]  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def _percent(part: float, whole: float) -> str:
    return f"{100 * part / whole:.0f}" if whole else "-"


def calibration(some: Sequence[Counted]) -> np.ndarray:
    """Of each part between EDGES that holds firings: their number, mean stated confidence, share that were lost, and
    its 95 % interval. Shape (parts, 5)."""
    stated = np.concatenate([one.stated for one in some] or [np.empty(0)])
    was = np.concatenate([one.was for one in some] or [np.empty(0, bool)])
    part = np.clip(np.searchsorted(EDGES, stated, side="right") - 1, 0, len(EDGES) - 2)
    rows = []
    for k in np.unique(part):
        mine = part == k
        n, lost = int(mine.sum()), int(was[mine].sum())
        rows.append((n, float(stated[mine].mean()), lost / n, *shares.clopper_pearson(lost, n)))
    return np.array(rows, float).reshape(-1, 5)


def draw_calibration(some: Sequence[Counted], path: Path) -> None:
    """Stated confidence that a firing was lost against how often it was, as a picture; both axes as log odds, since
    nearly all is close to 0 or 1."""
    from matplotlib.figure import Figure

    rows = calibration(some)

    def odds(share: np.ndarray) -> np.ndarray:
        held = np.clip(share, 1e-4, 1 - 1e-4)
        return np.log10(held / (1 - held))

    figure = Figure(figsize=(6.4, 6.4), layout="constrained")
    ax = figure.subplots()
    ticks = np.array([0.0005, 0.002, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 0.998, 0.9995])
    ax.plot(odds(ticks), odds(ticks), color="#888888", lw=1, label="as stated")
    x, y = odds(rows[:, 1]), odds(rows[:, 2])
    ax.errorbar(x, y, (y - odds(rows[:, 3]), odds(rows[:, 4]) - y), fmt="o", capsize=3, label="was so, 95 % range")
    for at, height, n in zip(x, y, rows[:, 0], strict=True):
        ax.annotate(f"{n:.0f}", (at, height), (6, -12), textcoords="offset points", fontsize=8)
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_ticks(odds(ticks), [f"{100 * tick:g}" for tick in ticks])
    ax.set_xlabel("stated: per cent likely that this firing was lost")
    ax.set_ylabel("per cent of these that were lost")
    ax.set_title(f"{int(rows[:, 0].sum())} firings of {len(some)} recordings; numbers: firings", fontsize=10)
    ax.grid(alpha=0.3)
    ax.legend(loc="upper left")
    figure.savefig(path, dpi=110)
