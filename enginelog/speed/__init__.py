"""Speed over time: how fast the crankshaft turned in each moment, and how sure that is.

Front door: `track` for one block of sound, `summarise` for the figure of the run,
`order_power` of each block, `added` to those before, and `spectrum_of` all for the spectrum against engine order.
Where `layout_open`, a `Twin` hears the first blocks and says how it fires; live, the engine is `Taken` as heard so far.
"""

from enginelog.speed.kinds import layout_open
from enginelog.speed.spectrum import OrderPower, added, order_power, spectrum_of
from enginelog.speed.summary import summarise
from enginelog.speed.tracks import track
from enginelog.speed.twins import HeardAngles, Taken, Twin, fires

__all__ = [
    "HeardAngles",
    "OrderPower",
    "Taken",
    "Twin",
    "added",
    "fires",
    "layout_open",
    "order_power",
    "spectrum_of",
    "summarise",
    "track",
]
