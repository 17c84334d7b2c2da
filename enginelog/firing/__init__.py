"""Every firing opportunity of an engine: when it sounds, how strong it is, and how likely it was lost.

Front door: `locate` for one block of sound, `turning_rpm` for the speed that its firings tell, `join` puts blocks
together; `order_of_turns` tells whether a two-stroke `fires_every_second` or `fires_every_turn`.
"""

from enginelog.firing.joining import join
from enginelog.firing.locating import locate
from enginelog.firing.slipping import fires_every_second, fires_every_turn, order_of_turns
from enginelog.firing.turning import turning_rpm

__all__ = ["fires_every_second", "fires_every_turn", "join", "locate", "order_of_turns", "turning_rpm"]
