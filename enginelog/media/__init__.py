"""Any phone recording becomes mono Clips.

    with open_recording("clip.m4a") as recording:
        for clip in recording.blocks():
            ...
        recording.info        # exact length now
        recording.problems    # what was wrong with the file itself

`read` gives a short recording whole; `write` writes one.
"""

from enginelog.media.opening import open_recording, read
from enginelog.media.recording import Recording
from enginelog.media.writing import write

__all__ = ["Recording", "open_recording", "read", "write"]
