"""Speed over time: how fast the crankshaft turned in each moment, and how sure that is.

Front door: `track` for one block of sound, `summarise` for the figure of the run,
`order_power` of each block, `added` to those before, and `spectrum_of` all for the spectrum against engine order.
"""

from enginelog.speed.spectrum import OrderPower, added, order_power, spectrum_of
from enginelog.speed.summary import summarise
from enginelog.speed.tracks import track

__all__ = ["OrderPower", "added", "order_power", "spectrum_of", "summarise", "track"]
