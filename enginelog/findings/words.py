"""Making findings: numbers in plain words, sources from the limits, the line for what cannot be told."""

from __future__ import annotations

from enginelog.limits import Limit
from enginelog.model import Engine, Finding
from enginelog.model.wording import fixed

SOUND_ALONE = "Sound alone does not name the cause; follow the machine's manual."
GOVERNOR = (
    "with the engine off and cool: governor linkage and spring for play and binding",
    "fuel supply: filter, tank vent, carburettor passages, old fuel",
    "air leaks at the intake gaskets",
)
# An operator-presence lever or trigger must be held: asked to touch nothing, somebody would tie it.
UNTOUCHED = (
    "record a minute at steady throttle and load without moving a control; a lever that must be held is held by hand,"
    " never tied",
)
BALANCE_TEST = "balance test by the manual: ground one plug after the other; more than {rpm:z.0f} rpm apart counts"
WEAK_OR_FAR = (
    "record again with the microphone equally far from both outlets",
    "stopped half a minute after a cold start: the outlet of a cylinder that does not burn stays much cooler"
    " (infrared thermometer, never the bare hand)",
)
UNDER_LOAD = ("record it under load, in its ordinary work: does it then sound alike on every turn?",)
DIED_AWAY = "They came with its end: an engine whose fuel is shut off, or runs out, dies away so."
UNCOMPARED = "cylinders are compared only where lost firings can be counted"
IGNITION = ("spark plug: gap and deposits", "plug lead and cap", "air gap of the ignition coil")


def unknown(code: str, why: str, advice: tuple[str, ...] = ()) -> Finding:
    """A finding that says why nothing can be said."""
    return Finding(code, "unknown", f"Cannot tell: {why}.", next=advice)


def worst(*verdicts: str) -> str:
    """The gravest of several verdicts (fault, watch, unknown, ok)."""
    order = ("ok", "unknown", "watch", "fault")
    return max(verdicts, key=order.index)


def graded(value: float, watch: float, fault: float | None = None) -> str:
    """ok up to `watch`, watch up to `fault`, fault beyond."""
    if fault is not None and value > fault:
        return "fault"
    return "watch" if value > watch else "ok"


def deciding(verdict: str, watch: Limit, fault: Limit) -> Limit:
    """The limit that made a verdict: that for a fault of one, else that for watching."""
    return fault if verdict == "fault" else watch


def unsteady_advice(engine: Engine) -> tuple[str, ...]:
    """What to check where the speed is not steady: no governor's linkage on a machine that has none."""
    return GOVERNOR if engine.governed else GOVERNOR[1:]


def figure(percent: float, *limits: float) -> str:
    """A share to the digits that matter; to one more where it would else be the same as one of the limits beside it."""
    decimals = 2 if percent < 0.995 else 1 if percent < 9.95 else 0
    decimals += any(fixed(percent, decimals) == fixed(limit, decimals) for limit in limits)
    return fixed(percent, decimals)
