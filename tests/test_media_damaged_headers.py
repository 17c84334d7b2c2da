"""Headers that ask for what no file has: one line in the end, nothing printed on the way, and memory that does not
follow what they declare."""

import io
import struct

import pytest

from enginelog import media
from enginelog.media.forgiving import ForFFmpeg
from enginelog.model import UnreadableError

FAR = 1 << 56  # bytes; beyond what file systems here take as a place, so that the seek itself fails


def caf(skip):
    """The beginning of a CAF file (Apple Core Audio Format Specification 1.0): a chunk that is so long, then data."""
    described = struct.pack(">d4sIIIII", 48000.0, b"lpcm", 0, 2, 1, 1, 16)
    chunks = (
        (b"desc", described, 32),
        (b"chan", struct.pack(">III", 0x640001, 0, 0), skip),
        (b"data", bytes(90_000), 90_000),
    )
    return b"caff\0\1\0\0" + b"".join(name + struct.pack(">q", size) + body for name, body, size in chunks)


def w64(skip):
    """The beginning of a Sony Wave64 file: names are GUIDs, sizes count the 24 bytes of a chunk's head."""
    tail = bytes.fromhex("f3acd3118cd100c04f8edb8a")
    wave = struct.pack("<HHIIHH", 0x1234, 1, 48000, 96000, 2, 16)  # a coding that libsndfile leaves to FFmpeg
    riff = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000") + struct.pack("<q", 90_200)
    parts = ((b"fmt ", wave, 24 + len(wave)), (b"junk", b"", skip), (b"data", bytes(90_000), 90_024))
    return riff + b"wave" + tail + b"".join(name + tail + struct.pack("<q", size) + body for name, body, size in parts)


@pytest.mark.parametrize("skip", [FAR, -FAR, (1 << 63) - 1])
@pytest.mark.parametrize(("make", "ending"), [(caf, ".caf"), (w64, ".w64")])
def test_a_header_that_points_beyond_all_files_prints_nothing(tmp_path, capfd, make, ending, skip):
    path = tmp_path / f"a{ending}"
    path.write_bytes(make(skip))
    try:
        with media.open_recording(path) as recording:
            list(recording.blocks())
    except UnreadableError as refused:
        assert "\n" not in str(refused)
    assert capfd.readouterr() == ("", "")


def test_a_file_that_can_no_longer_be_read_says_so_once():
    class Gone(io.BytesIO):
        def read(self, size=-1):
            raise OSError(5, "Input/output error")

    stream = ForFFmpeg(Gone())
    with pytest.raises(OSError, match="Input/output"):
        stream.read(10)
    assert stream.read(10) == b"" and stream.seek(-5) == -1
