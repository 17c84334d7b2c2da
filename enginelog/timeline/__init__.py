"""What happened when: quiet, pull, run, rundown; whether an engine was heard at all.

Front door: `listen` for one block of sound, `Watch` for the blocks of a recording as they come in, `tell` for the
timeline; or `join` and `build` where all is at hand.
"""

from enginelog.timeline.activity import Activity, join, listen
from enginelog.timeline.build import build, tell
from enginelog.timeline.watching import Watch, Watched

__all__ = ["Activity", "Watch", "Watched", "build", "join", "listen", "tell"]
