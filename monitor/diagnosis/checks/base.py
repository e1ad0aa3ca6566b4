"""What a check is: the nouns of the catalogue in rows.py, and the cautions that its rows name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.limits import Limit

Power = Literal["as-is", "off", "live"]
Who = Literal["homeowner", "technician"]
Quantity = Literal["eye", "ohm", "V", "uF", "A", "windings"]


class CheckOutcome(NamedTuple):
    """One outcome of a check, and what it means in one clause."""

    symbol: str
    says: str


class Bound(NamedTuple):
    """The border between two outcomes: a limit, times the unit's or the part's rating where `times` says so."""

    limit: Limit
    times: Literal["", "control", "rla", "lra", "rated"] = ""

    def at(self, unit: Unit, rated: float | None) -> float:
        """The border in the check's own unit of measure."""
        if self.times == "rated":
            return self.limit.value * (1.0 if rated is None else rated)
        control_v = limits.CONTROL_NOMINAL_V.value
        scale = {"": 1.0, "control": control_v, "rla": unit.compressor_rla_a, "lra": unit.compressor_lra_a}
        return self.limit.value * scale[self.times]


class Check(NamedTuple):
    """One check of the catalogue.

    outcomes: from the lowest reading to the highest; `bounds` lie between them and `over` is the outcome of a reading
    over range. sound: the outcome that a sound part gives, None where that depends on the situation. news: False for a
    check of the meter or of the house, which speaks of no suspect. power: as-is = nothing is opened or switched; off =
    power off and locked; live = with the power on. panel: a cabinet or cover must be opened. hazard: 0 none, 1 hand
    tools with the power off, 2 extra-low voltage live, 3 line voltage live. expected: the sound reading in words, with
    basis and source of its figures.
    """

    name: str
    title: str
    where: Literal["thermostat", "indoor unit", "outdoor unit", "panel board", "site"]
    power: Power
    panel: bool
    who: Who
    minutes: float
    hazard: int
    quantity: Quantity
    outcomes: tuple[CheckOutcome, ...]
    sound: str | None
    expected: str
    basis: str
    source: str
    steps: tuple[str, ...]
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    bounds: tuple[Bound, ...] = ()
    over: str | None = None
    news: bool = True

    @property
    def symbols(self) -> tuple[str, ...]:
        return tuple(outcome.symbol for outcome in self.outcomes)

    def says(self, symbol: str) -> str:
        """What an outcome means, in one clause."""
        return next(outcome.says for outcome in self.outcomes if outcome.symbol == symbol)


def outcomes(**says: str) -> tuple[CheckOutcome, ...]:
    """`stuck_in="..."` -> Outcome("stuck-in", "...")."""
    return tuple(CheckOutcome(symbol.replace("_", "-"), text) for symbol, text in says.items())


CAUTIONS: Mapping[str, str] = {
    "isolate": "Switch the breaker off or pull the disconnect, lock and tag it. Thermostat and contactor are no way to"
    " isolate (29 CFR 1910.333 and its like; local rules decide).",
    "absence": "Before touching anything: prove the meter on a source known to be live, measure line to line and each"
    " line to ground, then prove the meter again.",
    "one-pole": "A one-pole contactor leaves one leg live behind open contacts: about 120 V to ground at capacitor and"
    " compressor. Measure line to line, and take every terminal as live.",
    "capacitor": "A capacitor can hold more than 300 V after switching off. Bleed each side through 20 kohm, 2 W, for"
    " 5 s, then measure that it is empty. Never short it with a screwdriver.",
    "meter": "Use a meter and leads of category CAT III 600 V or better.",
    "leads": "First hold the leads together: near 0 ohm. Over range means a broken lead, and every ohm reading lies.",
    "wires-off": "Take the wires off the part and note where they were: a path in parallel reads as if it were it.",
    "live": "Live line voltage: qualified people only, insulated gloves and tools, one hand, a dry place.",
    "class2": "24 V does not shock, but a slip that joins R and C opens the control fuse.",
    "moving": "The fan may start by itself at any time: keep hands and cloth away.",
    "hot": "A compressor that has tripped is hot enough to burn.",
    "refrigerant": "Gauges on the refrigerant circuit are for people certified to handle refrigerant (USA: EPA 608).",
}
OFF_INSIDE = ("isolate", "absence", "one-pole", "capacitor")
OHMS = (*OFF_INSIDE, "leads", "wires-off")
LINE_LIVE = ("live", "meter", "one-pole", "moving")
CONTROL_LIVE = ("class2", "meter", "one-pole")


# ---------------------------------------------------------------- shared by the rows of checks with a meter

CLOSED = (Bound(limits.METER.closed),)
TOOLS = ("multimeter, CAT III 600 V",)
DEAD = "Power off, locked, proved dead; capacitor bled."
CALLING = "Have the thermostat call (turn it well down); wait for any delay to pass."


def volts(what: str) -> tuple[CheckOutcome, ...]:
    """Outcomes of a voltage; `what` says where."""
    return outcomes(
        absent=f"there is no voltage {what}",
        low=f"the voltage {what} is low",
        normal=f"the voltage {what} is normal",
        high=f"the voltage {what} is high",
    )


def path(what: str, note: str = "") -> tuple[CheckOutcome, ...]:
    """Outcomes of a continuity check."""
    return outcomes(closed=f"{what} is closed", open=f"{what} is open{note}")
