"""Whether what beats as evenly as an engine is an insect, a frog, a bird or a ratchet: it beats narrowly, and high.

A firing shakes all bands, the low ones most; a trill is one short whistle or click after another. From moment to moment
a recording through a phone may tell little of that, and an engine heard from afar may seem thin: so whole runs are
judged, and only what is hardly any engine's is taken for none. Fitted on tuning seeds, `scripts/fit_trills.py`.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.levels import FRAME_RATE_HZ
from enginelog.dsp.smoothing import moving_mean
from enginelog.dsp.stored import Model, stored_model
from enginelog.timeline.activity import BANDS_HZ, Activity
from enginelog.timeline.cues import BLOCK, NAMES

CONTRASTS = ("low", "wide", "env_low", "env_mid", "env_high")
FIGURES = ("low_part_db", "breadth", "greatest_db", *CONTRASTS, "second")  # of each frame; the judge's logit follows
LOW_HZ = 800.0  # below it lies most of the sound of an engine
SECOND = 11  # blocks of levels: a second and a little
SUREST = 12.0  # logit of an engine, a frame's at most
WIDEST = 3.0  # figures are read within three standard deviations of those seen in fitting


def figures(activity: Activity, heard_in: np.ndarray, t_s: np.ndarray) -> np.ndarray:
    """What is read of each frame, shape (n, len(FIGURES)).

    heard_in: the cues (`cues.cues`) of the frames at `t_s` (n,). Read are how much louder the sound is below LOW_HZ
    than above it, over how many bands it is spread (entropy), how much of it lies in the loudest band, how clearly the
    waveform and the envelopes of three bands beat, and the second clearest of these three.
    """
    contrasts = heard_in[:, [NAMES.index(name) for name in CONTRASTS]]
    second = np.sort(contrasts[:, -3:], axis=1)[:, 1:2]
    return np.concatenate([_spectral(activity, t_s), contrasts, second], axis=1)


def _spectral(activity: Activity, t_s: np.ndarray) -> np.ndarray:
    """The first three of FIGURES, (n, 3): zeros where there is not a tenth of a second of sound."""
    count = len(activity.bands_db) // BLOCK
    if count == 0:
        return np.zeros((len(t_s), 3))
    blocks = activity.bands_db[: count * BLOCK].astype(np.float32).reshape(count, BLOCK, -1).mean(axis=1)
    share = 10.0 ** (moving_mean(blocks, min(SECOND, count)).astype(float) / 10.0) + 1e-12
    share /= share.sum(axis=1, keepdims=True)
    lies_low = np.array(BANDS_HZ[1:]) <= LOW_HZ
    low_part_db = 10.0 * np.log10(share[:, lies_low].sum(axis=1) / share[:, ~lies_low].sum(axis=1))
    spread, greatest_db = -(share * np.log(share)).sum(axis=1), 10.0 * np.log10(share.max(axis=1))
    told = np.stack([low_part_db, spread, greatest_db], axis=1)
    place = ((t_s - activity.t_s[0]) * FRAME_RATE_HZ // BLOCK).astype(int).clip(0, count - 1)
    return told[place]


def breadth(found: np.ndarray, model: Model | None = None) -> np.ndarray:
    """How much rather an engine than a trill each frame is by its `figures`, (n,): a part of `of_engine`."""
    model = model or shipped()
    z = np.clip((found - model.mean[:-1]) / model.spread[:-1], -WIDEST, WIDEST)
    return z @ model.weight[1:-1]


def of_engine(broad: np.ndarray, judged: np.ndarray, model: Model | None = None) -> float:
    """Logit that a run is an engine's and no trill, where both were as frequent; broad: `breadth`, judged: the logits
    of the engine's judge, of its frames (n,). Frames in which the judge hears none are left out where others are left.
    """
    model = model or shipped()
    heard = judged > 0
    heard = heard if heard.any() else np.ones(len(judged), bool)
    middle = float(np.minimum(judged[heard], SUREST).mean())
    z = np.clip((middle - model.mean[-1]) / model.spread[-1], -WIDEST, WIDEST)
    return float(model.weight[0] + broad[heard].mean() + z * model.weight[-1])


def shipped() -> Model:
    """The regression that comes with the package."""
    return stored_model(__package__, "trills")
