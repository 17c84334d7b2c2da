"""Speed over time: how fast the crankshaft turned in each moment, and how sure that is.

Front door: `track` for one block of sound, `join` for the blocks of a recording, `summarise` for the figure of the run,
`order_power` of each block, `added` to those before, and `spectrum_of` all for the spectrum against engine order.
"""

from enginelog.speed.spectrum import OrderPower, added, order_power, spectrum_of
from enginelog.speed.summary import summarise
from enginelog.speed.tracks import join, track

__all__ = ["OrderPower", "added", "join", "order_power", "spectrum_of", "summarise", "track"]
