"""Writes recordings_demo/: short recordings of invented machines, each with its truth beside it, from fixed seeds.

    python scripts/make_demo.py [FOLDER]

The scene is the tool library of an allotment association: members borrow machines, a volunteer mends them and records
each on the bench with a telephone. Everything in the recordings is made up by `enginelog.synthesis`.
"""

import io
import json
import sys
from dataclasses import dataclass, replace
from fractions import Fraction
from math import inf
from pathlib import Path

import numpy as np

from enginelog import synthesis
from enginelog.model import Clip
from enginelog.synthesis import Misfires, Pull, Rough, Scenario, Speeds, Truth, Wave
from enginelog.synthesis.codec import packets

FOLDER = Path(__file__).resolve().parent.parent / "recordings_demo"
ORDINARY = {
    "place": {"noise_db": -14.0, "reverb_s": 0.35, "direct_db": 6.0, "wind_db": None, "talk_db": None},
    "phone": {"suppression": 0.0, "high_pass_hz": 120.0},
    "codec": None,
}


@dataclass(frozen=True)
class Entry:
    """One demo recording. options: what to tell `enginelog check`. scenario None: only talk."""

    file: str
    machine_name: str
    story: str
    options: dict
    scenario: Scenario | None
    recorded_at: str


def drawn(seed: int, kind: str, seconds: float, rpm: float, hardness: str = "ordinary", **more) -> Scenario:
    """A steady machine as a telephone hears it from a metre or two; the file's own codec comes later."""
    fixed = {**ORDINARY, **more} if hardness == "ordinary" else {"codec": None, **more}
    return synthesis.random_scenario(seed, kind, hardness, "steady", rpm=rpm, seconds=seconds, **fixed)


def entries() -> list[Entry]:
    """Every demo recording, in order."""
    return [*first_half(), *second_half()]


def first_half() -> list[Entry]:
    """The first half: tiller, mower, pump, generator."""
    tiller = drawn(101, "tiller", 16.0, 3350.0)
    mower = drawn(103, "mower", 22.0, 2950.0)
    pulls = (Pull(1.2, 0.55, 620.0), Pull(3.6, 0.55, 640.0, inf, 3))
    rough = Speeds(2950.0, 0.3, rough=Rough(6.5, 0.22, 2.5, "step"))
    pump = drawn(107, "pump", 15.0, 3450.0)
    surging = replace(pump.speeds, waves=(Wave(0.8, 260.0, 0.3, 0.02),))
    four = {"strokes": 4, "cylinders": 1}
    return [
        Entry(
            "tiller_marigold_before.m4a",
            "Tiller Marigold",
            "Came back with a note: stutters, no strength in clay. About one firing in eleven fails.",
            {**four, "rated_rpm": 3350, "machine": "tiller"},
            replace(tiller, misfires=Misfires("random", 0.09)),
            "2025-04-12T09:20:00Z",
        ),
        Entry(
            "tiller_marigold_after.m4a",
            "Tiller Marigold",
            "The same tiller after a new spark plug and a clean carburettor: no firing fails.",
            {**four, "rated_rpm": 3350, "machine": "tiller"},
            replace(tiller, take=1),
            "2025-04-12T11:05:00Z",
        ),
        Entry(
            "mower_daisy_rough_start.mp4",
            "Mower Daisy",
            "First mowing of the year, a phone video: two pulls, rough for six seconds, then it runs cleanly.",
            {**four, "rated_rpm": 2950, "machine": "mower", "blade_length_mm": 460},
            replace(mower, pulls=pulls, speeds=rough),
            "2025-04-19T08:40:00Z",
        ),
        Entry(
            "pump_heron_hunts.m4a",
            "Pump Heron",
            "The watering pump surges by itself about every one and a quarter seconds.",
            {**four, "rated_rpm": 3450, "machine": "pump"},
            replace(pump, speeds=surging, body=replace(pump.body, governor_lag_s=0.02)),
            "2025-05-03T10:00:00Z",
        ),
        Entry(
            "generator_lantern_50hz.flac",
            "Generator Lantern",
            "A two-pole generator for 50 Hz, ready for the summer party: steady at a little over 3000 rpm.",
            {**four, "rated_rpm": 3000, "machine": "generator", "poles": 2},
            drawn(109, "generator", 12.0, 3090.0),
            "2025-05-10T15:30:00Z",
        ),
    ]


def second_half() -> list[Entry]:
    """The second half: twin, brushcutter, pulls, stop, and the two that tell nothing."""
    twin = drawn(111, "twin_270", 14.0, 3300.0)
    weak = replace(twin.colour, cylinder_level=(1.0, 0.75))
    cutter = drawn(113, "trimmer", 12.0, 7600.0)
    pulled = tuple(Pull(1.0 + 2.6 * k, 0.55, rpm) for k, rpm in enumerate((560.0, 610.0, 590.0, 640.0)))
    stopping = drawn(419, "mower", 17.0, 3000.0)
    # The fading sound of a blade that runs down is heard to its end only where it is quiet.
    quiet = replace(stopping.place, noise_db=-23.0, talk_db=None, wind_db=None, birds_db=None, hum_db=None)
    four = {"strokes": 4, "cylinders": 1}
    return [
        Entry(
            "mower_badger_twin.m4a",
            "Mower Badger",
            "A ride-on with a 90 degree twin; its second cylinder is weak and misses every third firing or so.",
            {"strokes": 4, "cylinders": 2, "firing_angles": [0, 270], "rated_rpm": 3300, "machine": "mower twin"},
            replace(twin, colour=weak, misfires=Misfires("cylinder", 0.35, cylinder=1)),
            "2025-05-17T09:10:00Z",
        ),
        Entry(
            "brushcutter_thistle_every_second.m4a",
            "Brushcutter Thistle",
            "A two-stroke running far too rich: it fires on every second turn only.",
            {"strokes": 2, "cylinders": 1, "machine": "trimmer"},
            replace(cutter, misfires=Misfires("every_second", 0.5), colour=replace(cutter.colour, alternation=0.0)),
            "2025-05-24T16:45:00Z",
        ),
        Entry(
            "mower_clover_only_pulled.m4a",
            "Mower Clover",
            "Four pulls of the starter, and it never fires.",
            {**four, "machine": "mower"},
            replace(drawn(115, "mower", 13.0, 2900.0), pulls=pulled),
            "2025-06-01T10:15:00Z",
        ),
        Entry(
            "mower_daisy_stop.m4a",
            "Mower Daisy",
            "Switched off after the repair: how long the blade takes to run down.",
            {**four, "rated_rpm": 3000, "machine": "mower", "blade_length_mm": 460},
            replace(stopping, cut_s=11.0, place=quiet),
            "2025-06-07T09:00:00Z",
        ),
        Entry(
            "pump_heron_too_poor.m4a",
            "Pump Heron",
            "Recorded from across the allotment in the wind, over talk: nothing that can be trusted.",
            {**four, "rated_rpm": 3450, "machine": "pump"},
            buried(),
            "2025-06-14T17:20:00Z",
        ),
        Entry(
            "talk_at_the_bench.m4a",
            "(none)",
            "The phone was left running during the tea break: only talk.",
            {**four},
            None,
            "2025-06-14T17:40:00Z",
        ),
    ]


def buried() -> Scenario:
    """A pump drowned in wind and talk: too poor to use."""
    place = {"noise_db": 12.0, "wind_db": 16.0, "talk_db": 8.0, "direct_db": -8.0, "reverb_s": 0.9}
    phone = {"suppression": 0.95, "clip_db": 12.0, "high_pass_hz": 240.0, "gaps": 5}
    return drawn(117, "pump", 12.0, 3450.0, "hard", place=place, phone=phone)


def write_sound(clip: Clip, path: Path, recorded_at: str) -> None:
    """FLAC, M4A, or MP4 with a small grey picture as a phone video has."""
    if path.suffix == ".flac":
        import soundfile

        soundfile.write(path, clip.samples, int(clip.rate_hz), subtype="PCM_16")
    else:
        path.write_bytes(boxed(clip, "ipod" if path.suffix == ".m4a" else "mp4", recorded_at))


def boxed(clip: Clip, form: str, recorded_at: str) -> bytes:
    """The bytes of an MPEG-4 file with the sound, and for a video with a small picture."""
    import av

    sink, rate = io.BytesIO(), int(clip.rate_hz)
    with av.open(sink, "w", format=form) as box:
        box.metadata["creation_time"] = recorded_at
        picture = grey_stream(box) if form == "mp4" else None
        sound = box.add_stream("aac", rate=rate)
        sound.codec_context.layout, sound.codec_context.bit_rate = "mono", 64_000
        for packet in grey(picture, clip.seconds) if picture else ():
            box.mux(packet)
        for packet in packets(sound, clip.samples, rate):
            box.mux(packet)
    return sink.getvalue()


def grey_stream(box):
    """Add a stream for a small grey picture, as a phone video has one."""
    stream = box.add_stream("mpeg4", rate=Fraction(5))
    stream.width, stream.height, stream.pix_fmt = 160, 120, "yuv420p"
    return stream


def grey(stream, seconds: float):
    """Encoded pictures, slowly getting lighter."""
    import av

    for k in range(int(seconds * 5)):
        frame = av.VideoFrame.from_ndarray(np.full((120, 160, 3), 60 + k, np.uint8), "rgb24")
        frame.pts = k
        yield from stream.encode(frame.reformat(format="yuv420p"))
    yield from stream.encode(None)


def told(truth: Truth) -> dict:
    """The truth as plain numbers: speed each 50 ms, every firing opportunity, spans, findings."""
    simple = {
        name: getattr(truth, name)
        for name in (
            "seconds", "engine_heard", "speed_rpm", "misfire_share", "run_start_s", "run_up_end_s", "run_end_s",
            "cut_s",
            "standstill_s", "rundown_s", "seconds_to_run", "hunting_rate_hz", "hunting_swing_rpm", "settle_s",
        )
    }  # fmt: skip
    simple["spans"] = [{"kind": s.kind, "start_s": s.start_s, "end_s": s.end_s, "rpm": s.rpm} for s in truth.spans]
    simple["pulls"] = [
        {"start_s": p.start_s, "end_s": p.end_s, "rpm": p.rpm, "compressions": p.compressions} for p in truth.pulls
    ]
    simple["firings"] = {
        "t_s": truth.firing_t_s.tolist(),
        "slot": truth.firing_slot.tolist(),
        "missed": np.flatnonzero(truth.missed).tolist(),
    }
    simple["track"] = {"t_s": truth.t_s[::10].tolist(), "rpm": truth.rpm[::10].tolist()}
    return rounded(simple)


def rounded(value):
    """Floats to a tenth of a millisecond (or of a revolution), all through."""
    if isinstance(value, dict):
        return {k: rounded(v) for k, v in value.items()}
    if isinstance(value, list):
        return [rounded(v) for v in value]
    return round(float(value), 4) if isinstance(value, float) else value


def write(entry: Entry, folder: Path) -> dict:
    """Make one recording with its truth; returns its line of demo.json."""
    if entry.scenario is None:
        clip = synthesis.make_other(121, "talk", 12.0, "easy")
        truth = synthesis.nothing(clip.seconds)
    else:
        clip, truth = synthesis.make(entry.scenario)
    path = folder / entry.file
    write_sound(clip, path, entry.recorded_at)
    path.with_name(path.stem + ".truth.json").write_text(json.dumps(told(truth)) + "\n", encoding="utf-8")
    return {
        "file": entry.file,
        "machine_name": entry.machine_name,
        "story": entry.story,
        "options": entry.options,
        "truth": path.stem + ".truth.json",
    }


README = """# Demo recordings

Made up by `scripts/make_demo.py` from fixed seeds: no such machine exists. The scene is the tool library of an
allotment association, whose volunteer records every machine on the bench with a telephone. `demo.json` lists for each
file what to tell `enginelog check`; `<name>.truth.json` holds what really happens in it (speed, every firing and which
ones failed, pulls, start and stop).

{table}

With real engines: outdoors only, 6 m from doors and windows (carbon monoxide kills without warning); clear of
blade, belt and hot parts; no fuel in the open; hearing protection on; by the machine's own manual.
"""


def main() -> None:
    """Make every demo recording with its truth."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    lines = []
    for entry in entries():
        lines.append(write(entry, folder))
        print(f"{entry.file:42s} {(folder / entry.file).stat().st_size / 1000:7.0f} kB", flush=True)
    (folder / "demo.json").write_text(json.dumps(lines, indent=2) + "\n", encoding="utf-8")
    rows = ["| file | machine | what is to be heard |", "|---|---|---|"]
    rows += [f"| `{e['file']}` | {e['machine_name']} | {e['story']} |" for e in lines]
    (folder / "README.md").write_text(README.format(table="\n".join(rows)), encoding="utf-8")


if __name__ == "__main__":
    main()
