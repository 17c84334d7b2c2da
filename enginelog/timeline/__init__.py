"""What happened when: quiet, pull, run, rundown; whether an engine was heard at all.

Front door: `listen` for one block of sound, `join` for the blocks of a recording, `build` for the timeline.
"""

from enginelog.timeline.activity import Activity, join, listen
from enginelog.timeline.build import build

__all__ = ["Activity", "build", "join", "listen"]
