"""What beats as evenly as an engine, but narrowly and high: insects, frogs, a nightjar, a sprinkler, a ratchet."""

import numpy as np
import pytest

from enginelog import limits, speed, synthesis, timeline
from enginelog.dsp.stored import Model
from enginelog.model import Clip, Engine
from enginelog.timeline import heard, trills
from enginelog.timeline.activity import BANDS_HZ, Activity
from enginelog.timeline.cues import NAMES
from enginelog.timeline.states import Views

LIMITS = limits.load("timeline")
MODEL = Model(np.zeros(10), np.ones(10), np.array([0.5, 1.0, 0, 0, 0, 0, 0, 0, 0, 0, 2.0]))


def told_of(clip: Clip, engine: Engine, ran: bool = False):
    activity, track = timeline.listen(clip, LIMITS), speed.track(clip, engine, limits.load("speed"))
    watch = timeline.Watch(engine, LIMITS)
    watch.add(activity, track)
    return timeline.tell(watch.finish(), track, engine, LIMITS, ran)


def levels(bands_db, seconds: float = 2.0) -> Activity:
    """Levels that stay as they are."""
    rows = int(seconds * 100)
    times = 0.005 + 0.01 * np.arange(rows)
    bands = np.tile(np.asarray(bands_db, np.float16), (rows, 1))
    return Activity(times, bands, np.zeros(rows), np.zeros(rows), np.zeros((rows, 5, 2)))


def test_figures_say_where_the_sound_lies_and_how_it_is_spread():
    """Of ten bands as loud five lie below 800 Hz: 0 dB; entropy ln 10; a tenth in the loudest."""
    assert sum(np.array(BANDS_HZ[1:]) <= trills.LOW_HZ) == 5
    cues = np.zeros((3, len(NAMES)))
    cues[:, [NAMES.index(name) for name in trills.CONTRASTS]] = (0.1, 0.2, 0.9, 0.3, 0.5)
    even = trills.figures(levels(np.full(10, -40.0)), cues, np.array([0.1, 1.0, 1.9]))
    assert even[:, 0] == pytest.approx(0.0, abs=0.05)
    assert even[:, 1] == pytest.approx(np.log(10), abs=0.01)
    assert even[:, 2] == pytest.approx(-10.0, abs=0.05)
    assert even[:, 3:].tolist() == [[0.1, 0.2, 0.9, 0.3, 0.5, 0.5]] * 3
    high = trills.figures(levels([-90.0] * 9 + [-30.0]), cues[:1], np.array([1.0]))
    assert high[0, 0] < -40 and high[0, 1] < 0.1 and high[0, 2] == pytest.approx(0.0, abs=0.05)


def test_sound_in_one_band_alone_has_figures():
    """A hum under digital silence: everything lies low, or high, as far as levels reach down to -120 dB."""
    for bands_db, sign in (([-10.0] + [-120.0] * 9, 1), ([-120.0] * 9 + [-10.0], -1)):
        found = trills.figures(levels(bands_db), np.zeros((1, len(NAMES))), np.array([1.0]))
        assert np.isfinite(found).all() and sign * found[0, 0] > 90


def test_less_sound_than_a_tenth_of_a_second_tells_nothing():
    found = trills.figures(levels(np.full(10, -40.0), 0.05), np.zeros((1, len(NAMES))), np.array([0.02]))
    assert found[0, :3].tolist() == [0.0, 0.0, 0.0]


def test_logit_of_a_run_is_that_of_the_frames_in_which_the_judge_hears_an_engine():
    """By hand: 0.5 + mean breadth + 2 times the mean logit, over the frames above 0, which is held at 3 deviations."""
    broad, judged = np.array([1.0, 3.0, -50.0]), np.array([1.0, 2.0, -1.0])
    assert trills.of_engine(broad, judged, MODEL) == pytest.approx(0.5 + 2.0 + 2 * 1.5)
    assert trills.of_engine(np.array([-1.0]), np.array([-9.0]), MODEL) == pytest.approx(0.5 - 1.0 - 2 * 3.0)


def test_only_what_is_hardly_an_engine_loses_odds():
    """What lies short of `trill_from` counts `trill_worth` times, the rest nothing."""
    frames = 100
    judged = np.full(frames, 4.0, np.float32)
    constant = trills.of_engine(np.zeros(frames), judged)
    least = LIMITS.value("trill_from")
    for short, lost in ((-1.0, 0.0), (0.5, 0.5 * LIMITS.value("trill_worth"))):
        broad = np.full(frames, least - short - constant, np.float32)
        seen = Views(judged, np.zeros(frames), np.zeros((frames, 4)), broad=broad)
        assert heard.trill_doubt(seen, 0, frames, LIMITS) == pytest.approx(lost, abs=1e-3)
    assert heard.trill_doubt(Views(judged, judged, np.zeros((frames, 4))), 0, frames, LIMITS) == 0.0


def test_insects_are_no_engine_and_are_named():
    """A bush-cricket that sings through (seed 56100) was an engine before, its speed told with 0.98."""
    clip = synthesis.make_other(56100, "bush_crickets", 8.0, "ordinary")
    found = told_of(clip, Engine())
    assert not found.engine_heard and found.reason == heard.TRILL_ALONE
    at_word = told_of(clip, Engine(), ran=True)  # somebody who stood beside it knows better
    assert at_word.engine_heard and at_word.confidence < 0.5 and heard.TRILL_ALONE in at_word.reason


@pytest.mark.parametrize("kind", synthesis.TRILL_KINDS)
def test_an_engine_is_heard_amid_what_trills(kind):
    scenario = synthesis.random_scenario(56_200, "mower", "ordinary", "start,cut")
    clip, truth = synthesis.make(scenario)
    trill = synthesis.make_other(56_200, kind, clip.seconds, "easy")
    amid = clip.samples + trill.samples[: len(clip.samples)] * clip.samples.std() / trill.samples.std() * 0.3
    found = told_of(Clip((0.7 * amid).astype(np.float32), clip.rate_hz), scenario.engine)
    run = [span for span in found.spans if span.kind == "run"][0]
    assert found.engine_heard and run.start_s == pytest.approx(truth.run_start_s, abs=0.6)


def test_the_coefficients_fit_the_figures():
    model = trills.shipped()
    assert len(model.mean) == len(model.spread) == len(trills.FIGURES) + 1 == len(model.weight) - 1
