"""`enginelog listen`: record from a microphone, show what is heard while it comes, and analyse it in the end."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from enginelog import model
from enginelog.cli import clips, console
from enginelog.cli.engine_options import Number, engine_from, engine_options, hints
from enginelog.cli.tables import show_table
from enginelog.model.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from enginelog.live import Finished, Reading, Source

STATUS_ANALYSED = 0
STATUS_NOTHING = 3
BAR = 30


@click.command()
@engine_options
@click.option("--devices", "only_devices", is_flag=True, help="List the microphones and do nothing else.")
@click.option("--device", metavar="NAME", help="Which one: its number, or a part of its name; the usual one else.")
@click.option(
    "--from",
    "sound",
    type=click.Path(path_type=Path),
    metavar="CLIP",
    help="Listen to this recording, as fast as it sounds, instead of a microphone.",
)
@click.option(
    "--out",
    type=clips.NewPlace(path_type=Path),
    metavar="FILE",
    help="The WAV file to record into; one named by date and time in the current folder else.",
)
@click.option("--seconds", type=Number(1, 14_400, "seconds"), metavar="S", help="Stop after so long; with Ctrl-C else.")
def listen(
    only_devices: bool, device: str | None, sound: Path | None, out: Path | None, seconds: float | None, **told: Any
) -> int:
    """Listen to an engine through a microphone of this machine.

    The sound goes into a file that stays whole whatever happens, a second at most excepted. Meanwhile the speed with
    its trend, steadiness, misfires, level and clipping are shown; Ctrl-C ends it. Then the file is analysed as by
    check.

    \b
    Exit status as of check; 1 where there is no microphone, or the file cannot be written.
    """
    from enginelog import live

    if only_devices:
        rows = [(d.number, d.name, d.channels, d.rate_hz, "usual" if d.usual else "") for d in live.devices()]
        show_table(("no.", "name", "channels", "Hz", ""), rows, "No microphone.")
        return STATUS_ANALYSED
    engine = engine_from(**told)
    for line in hints(engine):
        console.note(line)
    source = live.microphone(device) if sound is None else live.from_file(str(sound))
    path = out or Path(f"listen-{datetime.now():%Y%m%d-%H%M%S}.wav")
    console.note(f"listening to {source.name} into {path}; Ctrl-C ends it")
    return _analyse(_record(source, path, engine, seconds), engine)


def _record(source: Source, path: Path, engine: model.Engine, seconds: float | None) -> Finished:
    """Record until the end, or Ctrl-C, with the display; the recording made."""
    from enginelog import analysis, limits, live

    live_limits = limits.load("live")
    follower = live.Follower(source.rate_hz, analysis.listener(engine), live_limits)
    stop = threading.Event()
    with _display() as tell, _stopping(stop):
        done = live.listen(source, path, follower, live_limits, tell, stop, seconds)
    lost = f", {counted(done.lost, 'gap')} in it" if done.lost else ""
    console.note(f"{path}: {done.seconds:z.1f} s recorded{lost}")
    return done


@contextmanager
def _stopping(stop: threading.Event) -> Iterator[None]:
    """While inside, Ctrl-C asks for the end instead of breaking off in the middle of a block."""
    import signal

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, lambda *_: stop.set())
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _analyse(done: Finished, engine: model.Engine) -> int:
    """The file that was recorded, as by `check` (without its report); the exit status."""
    from enginelog import analysis, report

    if done.seconds <= 0:
        raise model.UnreadableError(f"{done.path.name}: no sound came from the microphone")
    with console.progress(done.path.name) as tell:
        run = analysis.analyse(str(done.path), engine, progress=tell)
    console.show(report.summary_text(run, width=console.width()).rstrip())
    console.show(f"Recording: {console.safe_name(str(done.path))}")
    return STATUS_ANALYSED if run.timeline.engine_heard and run.quality.usable else STATUS_NOTHING


@contextmanager
def _display() -> Iterator[Callable[[Reading], None]]:
    """A function that shows a reading: a block that is drawn anew on a terminal, a line a second elsewhere."""
    if sys.stdout is not None and sys.stdout.isatty():
        from rich.console import Console
        from rich.live import Live
        from rich.text import Text

        with Live(Text("listening"), console=Console(), auto_refresh=False, transient=True) as shown:
            yield lambda reading: shown.update(Text("\n".join(lines(reading))), refresh=True)
        return
    told_s = [0.0]

    def tell(reading: Reading) -> None:
        if reading.at_s - told_s[0] >= 1.0:
            told_s[0] = reading.at_s
            console.show(one_line(reading))

    yield tell


def lines(reading: Reading) -> list[str]:
    """A reading as a block of lines."""
    share = min(max((reading.level_db + 60) / 60, 0.0), 1.0)
    bar = "#" * round(BAR * share) + "." * (BAR - round(BAR * share))
    return [
        f"Speed       {_speed(reading)}",
        f"Trend       {trend(reading.trend_rpm_per_s)}",
        f"Steadiness  {_band(reading)}",
        f"Misfires    {_misfires(reading)}",
        f"Level       [{bar}] {reading.level_db:z.0f} dB against full scale",
        f"Clipping    {'TOO LOUD: move the microphone away' if reading.clipped_percent > 0 else 'none'}",
        f"Recorded    {reading.at_s:z.1f} s"
        + (f", {counted(reading.lost, 'gap')}" if reading.lost else "")
        + "   (Ctrl-C ends it)",
    ]


def one_line(reading: Reading) -> str:
    """A reading on one line, for a log."""
    clipped = "; clipping" if reading.clipped_percent > 0 else ""
    return (
        f"{reading.at_s:z7.1f} s  {_speed(reading)}; misfires {_misfires(reading)}; {reading.level_db:z.0f} dB{clipped}"
    )


def _speed(reading: Reading) -> str:
    return (
        "cannot tell" if reading.rpm is None else f"{reading.rpm:z.0f} rpm (confidence {reading.confidence:z.2f} of 1)"
    )


def trend(rpm_per_s: float | None) -> str:
    """How the speed changes, in words."""
    if rpm_per_s is None:
        return "cannot tell"
    if abs(rpm_per_s) < 15:
        return "steady"
    return f"{'rising' if rpm_per_s > 0 else 'falling'} by {abs(rpm_per_s):z.0f} rpm a second"


def _band(reading: Reading) -> str:
    return "cannot tell yet" if reading.band_percent is None else f"within {reading.band_percent:z.1f} % of the speed"


def _misfires(reading: Reading) -> str:
    told = f"{reading.misfires} of {counted(reading.firings, 'firing')} (a first look)"
    return told if reading.firings else "none counted yet"
