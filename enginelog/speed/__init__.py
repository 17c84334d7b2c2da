"""Speed over time: how fast the crankshaft turned in each moment, and how sure that is.

Front door: `track` for one block of sound, `coasted` for all once it is known when it was cut, `summarise` for the
figure of the run,
`order_power` of each block, `added` to those before, and `spectrum_of` all for the spectrum against engine order, in
which `cancelled_db` tells whether several cylinders sound together; `doubted_as_one` doubts the speed of the run where
nothing tells one cylinder from the next. Where a two-stroke may fire on every second turn of the
`double_in_question`, and the order of its turns (`firing.order_of_turns`) tells which it is, the track is `settled`,
and where it is so mostly (`settled_by_turns`), or the lines of the whole leave no doubt (`settled_by_lines`), no other
speed is named. Where `Engine.firing_open`, a `Twin` hears the
first blocks and says how it fires; what each block shows of another engine is `thinned`, and whether one was
`running_beside` told at the end; live, the engine is `Taken` as heard so far.
"""

from enginelog.speed.alike import doubted_as_one, settled_by_lines, settled_by_turns
from enginelog.speed.coasted import coasted
from enginelog.speed.running_beside import running_beside, thinned
from enginelog.speed.spectrum import OrderPower, added, cancelled_db, order_power, spectrum_of
from enginelog.speed.summary import summarise
from enginelog.speed.tracks import double_in_question, settled, settled_double, track
from enginelog.speed.twins import HeardAngles, Taken, Twin, fires

__all__ = [
    "HeardAngles",
    "OrderPower",
    "Taken",
    "Twin",
    "added",
    "cancelled_db",
    "coasted",
    "double_in_question",
    "doubted_as_one",
    "fires",
    "order_power",
    "running_beside",
    "settled",
    "settled_double",
    "settled_by_lines",
    "settled_by_turns",
    "spectrum_of",
    "summarise",
    "thinned",
    "track",
]
