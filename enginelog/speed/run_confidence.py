"""How likely the speed told of a run is right within 1 per cent, from how its whole track showed itself.

The frames' own confidence says little about what a run goes wrong by: a dip that is not heard, a quiet part left out,
half the speed all the way through. A logistic regression on a few figures of the run weighs them. A wrong speed counted
as several right ones when it was fitted, so 0.5 is a speed that is right four times in five. The coefficients lie in
`run_confidence.json`; `scripts/fit_confidence.py --run` fits them on made-up recordings (tuning seeds only).
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.logistic import held_logit, probability
from enginelog.dsp.stored import stored_model
from enginelog.limits import LimitSet
from enginelog.model import RHYTHM, Engine, Track
from enginelog.speed.kinds import is_saw, usual_range

FIGURES = (
    *("confidence_known", "known", "confidence", "half_width", "spread", "octave"),
    *("outside", "outside_confidence", "above", "even", "saw", "rated"),
)
WIDEST = 3.0  # figures are read within three standard deviations of those seen in fitting
SURE = 0.003  # confidences are held this far from 0 and 1


def figures(
    track: Track, inside: np.ndarray, read: np.ndarray, half_width: float, engine: Engine, limits: LimitSet
) -> np.ndarray:
    """What the regression reads of one run, shape (len(FIGURES),).

    inside: mask of the frames that count, of which some are known; read: their speeds in rpm (n,); half_width: of the
    interval, relative to the speed. The track must have a rhythm.
    """
    assert track.rhythm is not None
    known = inside & np.isfinite(track.rpm)
    rpm = float(np.median(read))
    margin = track.rhythm[inside, RHYTHM.index("octave_margin")]
    beside = _near(inside, round(limits.value("beside_s") / limits.value("frame_hop_s"))) & ~inside
    top_rpm = usual_range(engine, limits)[1]
    return np.array(
        [
            _sure(np.mean(track.confidence[known])),
            np.mean(known[inside]),
            _sure(np.mean(track.confidence[inside])),
            np.log(half_width + 1e-6),
            np.log(np.std(np.log(read)) + 1e-4),
            np.mean(np.clip(margin, -0.5, 0.5)),
            beside.sum() / (beside.sum() + inside.sum()),
            np.sum(track.confidence[beside]) / inside.sum(),
            max(0.0, np.log(rpm / top_rpm)),
            engine.cylinders > 1 and engine.even_firing,
            is_saw(engine),
            bool(engine.rated_rpm),
        ],
        float,
    )


def _near(inside: np.ndarray, frames: int) -> np.ndarray:
    """Which frames are at most so many away from one that is `inside`, mask (n,): a part of a run that was missed is
    beside it, and how long a recording went on after it tells nothing."""
    from scipy.ndimage import maximum_filter1d

    return maximum_filter1d(inside, 2 * frames + 1, mode="constant", cval=False)


def _sure(confidence: float) -> float:
    return float(held_logit(confidence, SURE))


def run_confidence(found: np.ndarray) -> float:
    """Confidence 0..1 from the `figures` of a run."""
    model = stored_model(__package__, "run_confidence")
    z = np.clip((found - model.mean) / model.spread, -WIDEST, WIDEST)
    return float(probability(model.weight[0] + z @ model.weight[1:]))
