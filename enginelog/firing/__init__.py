"""Every firing opportunity of an engine: when it sounds, how strong it is, and how likely it was lost.

Front door: `locate` for one block of sound, `turning_rpm` for the speed that its firings tell, `join` puts blocks
together.
"""

from enginelog.firing.joining import join
from enginelog.firing.locating import locate
from enginelog.firing.turning import turning_rpm

__all__ = ["join", "locate", "turning_rpm"]
