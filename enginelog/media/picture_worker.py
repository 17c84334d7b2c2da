"""Makes one picture from outside a plain one, in a process that can take no more memory and time than it is given.

    python -P -m enginelog.media.picture_worker EDGE_PX MOST_PIXELS MEMORY_BYTES CPU_S < picture > picture.jpg

What comes out is a JPEG made anew from the pixels alone, upright, its longer edge EDGE_PX at most: it tells no place,
no maker of the phone, and hides nothing. Exit status 4 with a line on standard error where it is no picture.
"""

from __future__ import annotations

import io
import sys
from typing import TYPE_CHECKING

from enginelog.media.bounded import limit
from enginelog.media.sniff import is_heif

if TYPE_CHECKING:
    from PIL.Image import Image as Picture

KINDS = ("JPEG", "PNG", "WEBP", "GIF")
QUALITY = 85
# A reader of HEIC would bring 25 MB of encoder with it, under a licence of its own (GPL): more than a photo is worth.
HEIC = (
    "HEIC, the format of newer phones, is not read: save or share it as JPEG, and for the next ones choose JPEG, the "
    "most compatible format, in the settings of the phone's camera"
)


class TooManyPixelsError(Exception):
    """The picture claims to be larger than any phone makes."""


def main(arguments: list[str]) -> int:
    """Read, make plain, write; the exit status."""
    edge_px, most_pixels, memory_bytes, cpu_s = map(int, arguments)
    limit(memory_bytes, cpu_s)
    try:
        data = sys.stdin.buffer.read()
        if is_heif(data[:12]):
            return _refused(HEIC)
        made = plain(data, edge_px, most_pixels)
    except MemoryError:
        return _refused("it needs more memory than it may have")
    except TooManyPixelsError as failed:
        return _refused(str(failed))
    except Exception:  # whatever a broken file makes the decoder say
        return _refused("no JPEG, PNG, WebP or GIF that can be read; set the phone's camera to JPEG")
    sys.stdout.buffer.write(made)
    return 0


def plain(data: bytes, edge_px: int, most_pixels: int) -> bytes:
    """The picture as a JPEG of its pixels alone. Raises what the decoder raises; TooManyPixelsError."""
    from PIL import Image, ImageOps

    with Image.open(io.BytesIO(data), formats=KINDS) as picture:
        if picture.width * picture.height > most_pixels:
            raise TooManyPixelsError(f"{picture.width} x {picture.height} pixels, {most_pixels} at most expected")
        picture.draft("RGB", (edge_px, edge_px))  # a large JPEG is decoded smaller at once
        upright = ImageOps.exif_transpose(picture)
        shown = _on_white(upright)
        shown.thumbnail((edge_px, edge_px))
        target = io.BytesIO()
        shown.save(target, "JPEG", quality=QUALITY, optimize=True)
    return target.getvalue()


def _on_white(picture: Picture) -> Picture:
    """Without transparency, and without anything but pixels."""
    from PIL import Image

    full = picture.convert("RGBA")
    ground = Image.new("RGB", full.size, "white")
    ground.paste(full, mask=full.getchannel("A"))
    return ground


def _refused(text: str) -> int:
    print(text, file=sys.stderr)
    return 4


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
