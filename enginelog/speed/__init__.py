"""Speed over time: how fast the crankshaft turned in each moment, and how sure that is.

Front door: `track` for one block of sound, `join` for the blocks of a recording, `summarise` for the figure of the run.
"""

from enginelog.speed.summary import summarise
from enginelog.speed.tracks import join, track

__all__ = ["join", "summarise", "track"]
