"""What can be read, and `enginelog formats` which lists it."""

from __future__ import annotations

import click

from enginelog.cli import console

# (what it is, endings by which recordings in a folder are known). A file named on the command line is read whatever
# its ending: the content decides.
FORMATS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("WAV, integer and float", (".wav", ".w64")),
    ("FLAC", (".flac",)),
    ("AIFF", (".aif", ".aiff")),
    ("Ogg with Vorbis or Opus", (".ogg", ".oga", ".opus")),
    ("MP3", (".mp3",)),
    ("MPEG-4 audio with AAC", (".m4a", ".aac")),
    ("phone video, its sound", (".mp4", ".mov", ".3gp", ".3g2")),
    ("WebM and Matroska", (".webm", ".mka", ".mkv")),
    ("AMR-NB and AMR-WB", (".amr", ".awb")),
    ("Core Audio", (".caf",)),
    ("MPEG transport stream", (".ts", ".mts", ".m2ts")),
    ("AU", (".au", ".snd")),
)
ENDINGS = frozenset(ending for _, endings in FORMATS for ending in endings)


@click.command()
def formats() -> None:
    """List the kinds of recording that can be read."""
    width = max(len(name) for name, _ in FORMATS)
    for name, endings in FORMATS:
        console.show(f"{name:<{width}}  {' '.join(endings)}")
