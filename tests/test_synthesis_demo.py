"""The demo recordings: all there, small, readable, with their truth beside them."""

import json
from pathlib import Path

import numpy as np
import pytest

from enginelog.synthesis.codec import decode

DEMO = Path(__file__).resolve().parent.parent / "recordings_demo"
ENTRIES = json.loads((DEMO / "demo.json").read_text(encoding="utf-8"))


def test_the_folder_is_complete_and_small():
    named = {e["file"] for e in ENTRIES} | {e["truth"] for e in ENTRIES} | {"demo.json", "README.md"}
    assert {p.name for p in DEMO.iterdir()} == named
    assert len(ENTRIES) >= 9 and {Path(e["file"]).suffix for e in ENTRIES} == {".m4a", ".mp4", ".flac"}
    assert sum(p.stat().st_size for p in DEMO.iterdir()) < 8_000_000
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    assert all(e["file"] in readme and e["story"] for e in ENTRIES)


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda e: e["file"])
def test_each_recording_agrees_with_its_truth(entry):
    samples, rate = decode((DEMO / entry["file"]).read_bytes())
    truth = json.loads((DEMO / entry["truth"]).read_text(encoding="utf-8"))
    assert rate == 48_000 and len(samples) / rate == pytest.approx(truth["seconds"], abs=0.05)
    assert 10 <= truth["seconds"] <= 25 and np.max(np.abs(samples)) > 0.01
    assert truth["engine_heard"] == any(s["kind"] == "run" for s in truth["spans"])
    for silent in (s for s in truth["spans"] if s["kind"] == "quiet" and truth["engine_heard"]):
        inside = samples[int((silent["start_s"] + 0.3) * rate) : int(silent["end_s"] * rate)]
        assert len(inside) < rate / 2 or np.std(inside) < np.std(samples)


def test_what_the_stories_say_is_true():
    truth = {e["file"].split(".")[0]: json.loads((DEMO / e["truth"]).read_text(encoding="utf-8")) for e in ENTRIES}
    assert truth["tiller_marigold_before"]["misfire_share"] == pytest.approx(1 / 11, abs=0.02)
    assert truth["tiller_marigold_after"]["misfire_share"] == 0
    assert truth["pump_heron_hunts"]["hunting_rate_hz"] == pytest.approx(1 / 1.25)
    assert truth["generator_lantern_50hz"]["speed_rpm"] * 2 / 120 == pytest.approx(51.5, abs=0.5)
    assert truth["brushcutter_thistle_every_second"]["misfire_share"] == pytest.approx(0.5, abs=0.02)
    pulls = truth["mower_clover_only_pulled"]
    assert len(pulls["pulls"]) == 4 and not pulls["engine_heard"]
    twin = truth["mower_badger_twin"]["firings"]
    slots = np.array(twin["slot"])
    assert set(slots[twin["missed"]]) == {1}
    assert len(twin["missed"]) / np.sum(slots == 1) == pytest.approx(1 / 3, abs=0.06)
