"""Speed over time: how fast the crankshaft turned in each moment, and how sure that is.

Front door: `track` for one block of sound, `join` for the blocks of a recording, `summarise` for the figure of the run,
`order_power` and `join_spectra` for the spectrum against engine order.
"""

from enginelog.speed.spectrum import join_spectra, order_power
from enginelog.speed.summary import summarise
from enginelog.speed.tracks import join, track

__all__ = ["join", "join_spectra", "order_power", "summarise", "track"]
