"""Every firing opportunity of an engine: when it sounds, how strong it is, and how likely it was lost.

Front door: `locate` for one block of sound, `join` puts blocks together.
"""

from enginelog.firing.joining import join
from enginelog.firing.locating import locate

__all__ = ["join", "locate"]
