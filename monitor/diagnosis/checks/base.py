"""What a check is: the nouns of the catalogue in rows.py, and the cautions that its rows name.

A figure stands beside the words that carry it: every number of `expected` and of the cautions has one, and of the steps
where it is a figure to judge by. A test holds each number of the words to its figure, and a figure of a limit to that
limit's value.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple

from condenser_monitor.monitor import limits, sources
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.limits import Limit
from condenser_monitor.monitor.sources import Source

Power = Literal["as-is", "off", "live"]
Who = Literal["homeowner", "technician"]
# K: a difference of temperatures; Pa: a pressure of air; load-uF: microfarads from amperes and volts under load
Place = Literal["house", "thermostat", "indoor unit", "outdoor unit", "panel board", "site"]
Quantity = Literal["eye", "ohm", "V", "uF", "A", "windings", "K", "Pa", "load-uF"]


class CheckOutcome(NamedTuple):
    """One outcome of a check, and what it means in one clause."""

    symbol: str
    says: str


class Bound(NamedTuple):
    """The border between two outcomes: a limit, times the unit's or the part's rating where `times` says so.
    "label": as "rated", with the part's own tolerance in place of the limit's where one is known; "run-capacitor": as
    "label", and the unit's data know it. `apart`: sign and limit: so far over (1) or under (-1) a target typed with
    the reading lies the border then."""

    limit: Limit
    times: Literal["", "control", "rla", "lra", "rated", "label", "run-capacitor", "line"] = ""
    apart: tuple[float, Limit] | None = None

    def at(self, unit: Unit, rated: float | None, tolerance_pct: float | None = None) -> float:
        """The border in the check's own unit of measure. `tolerance_pct`: what stands on the part's label."""
        if self.apart is not None and rated is not None:
            times, limit = self.apart
            return max(0.0, rated + times * limit.value)
        if tolerance_pct is None and self.times == "run-capacitor":
            tolerance_pct = unit.run_capacitor_tolerance_pct
        if tolerance_pct is not None and self.times in ("label", "run-capacitor"):
            side = 1.0 if self.limit.value > 1.0 else -1.0
            return (1.0 + side * tolerance_pct / 100.0) * (1.0 if rated is None else rated)
        if self.times in ("rated", "label"):
            return self.limit.value * (1.0 if rated is None else rated)
        control_v = limits.CONTROL_NOMINAL_V.value
        scale = {
            "": 1.0,
            "control": control_v,
            "rla": unit.compressor_rla_a,
            "lra": unit.compressor_lra_a,
            "line": unit.line_v,
        }
        return self.limit.value * scale[self.times]


class Never(NamedTuple):
    """Readings that no part shows: from `start` on, up to `end`, in the check's own unit; None: without that end.
    `why`: what is wrong with such a reading, in one clause."""

    start: Bound | None
    end: Bound | None
    why: str

    def has(self, value: float, unit: Unit, rated: float | None) -> bool:
        """Whether a reading is one of these."""
        low = -1.0 if self.start is None else self.start.at(unit, rated)
        return low <= value and (self.end is None or value < self.end.at(unit, rated))


class Figure(NamedTuple):
    """A figure as it stands in the words, its basis (one of limits.BASES) and where it comes from."""

    shown: str
    basis: str
    source: str


def by_limit(limit: Limit, shown: str) -> Figure:
    """Return a figure that is a limit of the program."""
    return Figure(shown, limit.basis, limit.source)


def by_source(source: Source, shown: str, why: str = "") -> Figure:
    """Return a figure from a row of the ledger. `why`: what was made of it by arithmetic."""
    return Figure(shown, source.basis, f"{source.cite}: {why or source.says}")


def by_practice(shown: str, why: str = "no published source at hand") -> Figure:
    """Return a figure that is the trade's common practice."""
    return Figure(shown, "common practice", why)


class Check(NamedTuple):
    """One check of the catalogue.

    outcomes: from the lowest reading to the highest; `bounds` lie between them and `over` is the outcome of a reading
    over range. sound: the outcome that a sound part gives, None where that depends on the situation. absent: the
    outcome, typed by its name, of a part that is not installed, which is no suspect either. never: what no part shows,
    sound or broken: each an end from which, and one up to which, no reading can lie, None without such an end; and why.
    uncleared: the outcome that
    a sound part gives on a meter that cannot clear it. news: False for a check of the meter or of the house, which
    speaks of no suspect. power: as-is = nothing is opened or switched; off = power off and locked; live = with the
    power on. panel: a cabinet or cover must be opened. hazard: 0 none, 1 hand tools with the power off, 2 extra-low
    voltage live, 3 line voltage live. expected: the sound reading in words, with basis and source; `figures` has those
    of each of its numbers. chance: how often it reads otherwise than sound in a unit whose fault lies elsewhere; an
    abnormal reading tells so much, and no more, against the other suspects. running: only while the compressor runs.
    fed: only with the line supply there. after: the checks ahead of it along the string. same_as: the reading that
    tells the same, and symbol of the reading -> what the meter then shows. wants_target: the metering device with which
    a reading says nothing without its target. calls: a look for which the thermostat is set to call. thawed: it tells
    nothing while ice is on the coil or its pipe.
    """

    name: str
    title: str
    where: Place
    power: Power
    minutes: float
    hazard: int
    quantity: Quantity
    outcomes: tuple[CheckOutcome, ...]
    sound: str | None
    expected: str
    basis: str
    source: str
    steps: tuple[str, ...]
    panel: bool = True
    who: Who = "technician"
    figures: tuple[Figure, ...] = ()
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    bounds: tuple[Bound, ...] = ()
    over: str | None = None
    absent: str | None = None
    never: tuple[Never, ...] = ()
    uncleared: str | None = None
    news: bool = True
    chance: float = limits.ABNORMAL_CHANCE.value
    running: bool = False
    fed: bool = False
    after: tuple[str, ...] = ()
    same_as: tuple[str, Mapping[str, tuple[str, ...]]] | None = None
    wants_target: str = ""
    calls: bool = False
    thawed: bool = False

    @property
    def symbols(self) -> tuple[str, ...]:
        return tuple(outcome.symbol for outcome in self.outcomes)

    @property
    def innocent(self) -> frozenset[str]:
        """The outcomes that accuse no part; none where that depends on the situation."""
        return frozenset(one for one in (self.sound, self.absent, self.uncleared) if one is not None)

    def says(self, symbol: str) -> str:
        """What an outcome means, in one clause."""
        return next(outcome.says for outcome in self.outcomes if outcome.symbol == symbol)


def outcomes(**says: str) -> tuple[CheckOutcome, ...]:
    """`stuck_in="..."` -> Outcome("stuck-in", "...")."""
    return tuple(CheckOutcome(symbol.replace("_", "-"), text) for symbol, text in says.items())


CAUTIONS: Mapping[str, str] = {
    "isolate": "Switch the breaker off and pull the disconnect, lock and tag both; the 24 V comes from the indoor"
    " unit, so"
    " isolate that too. Thermostat and contactor are no means of isolation (29 CFR 1910.333 and its like; local rules"
    " decide).",
    "absence": "Before touching anything: prove the meter on a source known to be live, measure line to line and each"
    " line to ground, then prove the meter again.",
    "one-pole": "A one-pole contactor leaves one leg live behind open contacts: about 120 V to ground at capacitor and"
    " compressor. Measure line to line, and treat every terminal as live.",
    "capacitor": "A run capacitor can hold more than 300 V after the power is off. Prove the terminals dead, bleed each"
    " side through 20 kohm, 2 W, rated for the volts, for at least 5 s, then measure again at the capacitor itself."
    " Never short it with a screwdriver.",
    "start-capacitor": "A start capacitor holds far more: after 5 s through 20 kohm, 200 uF still has 98 V. Bleed for"
    " five"
    " time constants (20 s for 200 uF), then measure that it is empty.",
    "meter": "Use a meter and leads of category CAT III 600 V or better.",
    "leads": "First hold the leads together: near 0 ohm. Over range means a broken lead: every ohm reading would be"
    " wrong.",
    "wires-off": "Take the wires off the part and note where they were: a parallel path gives a false reading.",
    "live": "Live line voltage: qualified people only, insulated gloves and tools, one hand, a dry place.",
    "class2": "24 V rarely shocks, but a slip that joins R and C opens the control fuse.",
    "moving": "The fan may start by itself at any time: keep hands and clothes away.",
    "hot": "A compressor that has tripped is hot enough to burn.",
    "refrigerant": "Gauges on the refrigerant circuit are for people certified to handle refrigerant (USA: EPA 608).",
    "terminals": "Do not pull a plug or a wire off at the compressor while it is under pressure: a damaged terminal"
    " can blow"
    " out with burning oil. Measure from the contactor's end of its leads. If it reads grounded, leave the terminal"
    " cover on and do not energize it again.",
    "no-reset": "A breaker that tripped at a start is not reset until a technician has measured the compressor to"
    " ground.",
}
UNDER_ONE_OHM = by_limit(limits.METER.closed, "under 1 ohm")
NEARLY_0_V = by_practice("0 V", "a closed contact drops almost nothing")
CONTROL_24_V = by_practice("24 V", limits.CONTROL_NOMINAL_V.source)
SETTLED = by_practice("15 minutes", "pressures and pipes have settled by then")
CAUTION_FIGURES: Mapping[str, tuple[Figure, ...]] = {
    "isolate": (CONTROL_24_V, by_source(sources.ISOLATION, "29 CFR 1910.333")),
    "one-pole": (by_source(sources.SERVICE_NOMINAL, "120 V", "half of 240 V"),),
    "capacitor": (
        by_source(
            sources.CAPACITOR_BLEED, "300 V", "up to about 400 V at the start terminal; 240 V have a peak of 339 V"
        ),
        by_source(sources.CAPACITOR_BLEED, "20 kohm, 2 W"),
        by_source(
            sources.CAPACITOR_RESIDUE, "5 s", "45 uF from 339 V through 20 kohm are under 50 V in 1.7 s, 80 uF in 3.4 s"
        ),
    ),
    "start-capacitor": (
        by_source(sources.CAPACITOR_LAW, "98 V", "200 uF from 339 V through 20 kohm, 4 s of time constant, after 5 s"),
        by_source(sources.CAPACITOR_LAW, "5 s"),
        by_source(sources.CAPACITOR_BLEED, "20 kohm"),
        by_practice("200 uF", "a usual size"),
        by_source(sources.CAPACITOR_LAW, "20 s", "five time constants of 4 s"),
    ),
    "meter": (by_source(sources.METER_CATEGORY, "CAT III 600 V"),),
    "leads": (by_limit(limits.METER.leads, "0 ohm"),),
    "class2": (CONTROL_24_V,),
    "refrigerant": (by_practice("EPA 608", "40 CFR 82, subpart F, for refrigerants in the USA"),),
}
OFF_INSIDE = ("isolate", "absence", "one-pole", "capacitor")
OHMS = (*OFF_INSIDE, "leads", "wires-off")
WINDINGS = (*OFF_INSIDE, "leads", "terminals", "hot")
LINE_LIVE = ("live", "meter", "one-pole", "moving")
CONTROL_LIVE = ("class2", "meter", "one-pole")
# 24 V points in a cabinet that also holds line voltage
MIXED_LIVE = ("live", *CONTROL_LIVE)


# ---------------------------------------------------------------- shared by the rows of checks with a meter

CLOSED = (Bound(limits.METER.closed),)
PRESENT: Mapping[str, tuple[str, ...]] = {"off": ("absent",), "on": ("normal",)}
_X = limits.IMPOSSIBLE
NEVER_24_V = (Never(Bound(_X.control_v), None, "the 24 V side never has as much: another terminal, or a slip"),)
NEVER_LINE = (Never(Bound(_X.line_v, "line"), None, "no service gives as much: another range, or a slip"),)
NEVER_A_PATH = (
    Never(
        Bound(_X.path_ohm),
        Bound(_X.open_ohm),
        "neither closed nor open: a wire left on, a poor touch, or another unit",
    ),
)
TOOLS = ("multimeter, CAT III 600 V",)
DEAD = "Power off at breaker, disconnect and indoor unit, locked, proved dead; capacitor bled and proved empty."
CALLING = "Have the thermostat call (turn it well down); wait for any delay to pass."


def look(
    name: str,
    title: str,
    where: Place,
    minutes: float,
    expected: str,
    *steps: str,
    sound: str | None,
    source: str = "the trade's rule",
    figures: tuple[Figure, ...] = (),
    tools: tuple[str, ...] = (),
    cautions: tuple[str, ...] = (),
    chance: float = limits.ABNORMAL_CHANCE.value,
    after: tuple[str, ...] = (),
    calls: bool = False,
    **says: str,
) -> Check:
    """A look from outside, without tools, that a homeowner may take; `says` are its outcomes."""
    return Check(
        name=name,
        title=title,
        where=where,
        power="as-is",
        panel=False,
        who="homeowner",
        minutes=minutes,
        hazard=0,
        quantity="eye",
        outcomes=outcomes(**says),
        sound=sound,
        expected=expected,
        basis="common practice",
        source=source,
        figures=figures,
        steps=steps,
        tools=tools,
        cautions=cautions,
        chance=chance,
        after=after,
        calls=calls,
    )


def volts(what: str, high: str = "") -> tuple[CheckOutcome, ...]:
    """Outcomes of a voltage; `what` says where, `high` what else is to be said of one that is too high."""
    return outcomes(
        absent=f"there is no voltage {what}",
        low=f"the voltage {what} is low",
        normal=f"the voltage {what} is normal",
        high=f"the voltage {what} is high{high}",
    )


def path(what: str, note: str = "") -> tuple[CheckOutcome, ...]:
    """Outcomes of a continuity check."""
    return outcomes(closed=f"{what} is closed", open=f"{what} is open{note}")
