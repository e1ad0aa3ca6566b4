"""The catalogue of findings (contract, section 5) as data, and the condition of each.

A condition is a question to the facts, answered True, False or None (not known). It raises its finding when it has
been True for the finding's hold and the last scan bears it out; None neither raises nor clears. A finding whose parent
stands is not raised: it follows from it. The rows stand in the order in which they are judged, parents before children.

To add a finding: a row here, its numbers as a class of limits.FindingLimits, its suspects in diagnosis/, a scenario in
sim/scenarios.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.links import Facts, either
from condenser_monitor.monitor.core.records import Evidence, Severity

Answer = bool | None


def no(answer: Answer) -> Answer:
    """Three-valued not."""
    return None if answer is None else not answer


def both(*answers: Answer) -> Answer:
    """Three-valued and: False if one is False, None if one is not known, else True."""
    if False in answers:
        return False
    return None if None in answers else True


def rests(facts: Facts) -> Answer:
    """Nothing runs: the compressor is still, and so is the fan as far as it is known."""
    if facts.compressor or facts.fan:
        return False
    return None if facts.compressor is None else True


def draws(facts: Facts, band: str) -> Answer:
    """The running compressor's current is in `band`; a compressor at rest says nothing about its running current."""
    return facts.draw == band if facts.compressor and facts.draw is not None else None


def line_outside(facts: Facts, band: str) -> Answer:
    """The line voltage is in `band`; while a motor starts or stalls it sags by design, and says nothing."""
    line = facts.others.get("line_v")
    if line is None or line == "dead":
        return None
    return None if facts.locked and band == "low" else line == band


# ---------------------------------------------------------------- contradictions


class Contradiction(NamedTuple):
    """Two senses that no single fault of the unit can make say this together."""

    claim: str
    readings: tuple[str, ...]
    holds: Callable[[Facts], Answer]


CONTRADICTIONS: tuple[Contradiction, ...] = (
    Contradiction(
        "a motor draws current although no line voltage is sensed ahead of the contactor",
        ("supply", "compressor_a", "fan_a"),
        lambda f: both(no(f.supply), f.runs),
    ),
    Contradiction(
        "a motor draws current although the contacts are sensed open",
        ("load", "compressor_a", "fan_a"),
        lambda f: both(no(f.load), f.runs),
    ),
    Contradiction(
        "line voltage is sensed behind the contactor but not ahead of it",
        ("supply", "load"),
        lambda f: both(no(f.supply), f.load),
    ),
    Contradiction(
        "no call is sensed although full control voltage stands on the coil circuit",
        ("call", "control_v"),
        lambda f: both(no(f.call), None if f.volts is None else f.volts in ("normal", "high")),
    ),
    Contradiction(
        "a call is sensed although the coil circuit measures no voltage",
        ("call", "control_v"),
        lambda f: both(f.call, None if f.volts is None else f.volts == "dead"),
    ),
    Contradiction(
        "the coil draws current although no call is sensed",
        ("call", "coil_a"),
        # A voltage too weak for the call sense still drives a current through the coil: that is no contradiction.
        lambda f: (
            False if f.volts in ("ghost", "weak") else both(no(f.call), None if f.coil is None else f.coil != "none")
        ),
    ),
    Contradiction(
        "the contacts are closed under a call although the coil draws no current",
        ("call", "coil_a", "load"),
        # A delay relay between the call sense and the coil explains it for as long as it delays.
        lambda f: both(f.call, None if f.coil is None else f.coil == "none", f.contacts, not f.delayed),
    ),
    Contradiction(
        "the thermostat's 24 V is sensed although no control power is",
        ("control_power", "thermostat"),
        lambda f: both(no(f.control_power), f.thermostat),
    ),
    Contradiction(
        "a call is sensed at the unit although no control power is sensed indoors",
        ("control_power", "call"),
        lambda f: both(no(f.control_power), f.call),
    ),
    Contradiction(
        "a call is sensed at the unit although the thermostat's output is sensed off",
        ("thermostat", "call"),
        lambda f: both(no(f.thermostat), f.call),
    ),
)


def contradictions(facts: Facts) -> list[Contradiction]:
    """The contradictions that stand."""
    return [row for row in CONTRADICTIONS if row.holds(facts)]


# ---------------------------------------------------------------- the catalogue


class FindingRow(NamedTuple):
    """One finding. `needs` are the beliefs that must be borne out by the scan that raises it; `evidence` the readings
    that are shown with it; `pattern`: a counter of the engine gives the answer instead of `condition`; `after_delay`:
    the site's delay relay is waited for; `steady`: every single scan of the hold must bear the condition out, because a
    flickering wire makes any two senses disagree; `works`: what shows, when it clears, that the part works again by
    itself and not just that the call has ended; `urgent_from_c`: the outdoor temperature from which it is urgent."""

    name: str
    severity: Severity
    link: str
    summary: str
    needs: tuple[str, ...]
    evidence: tuple[str, ...]
    condition: Callable[[Facts], Answer] | None = None
    pattern: bool = False
    parents: tuple[str, ...] = ()
    after_delay: bool = False
    steady: bool = False
    works: Callable[[Facts], Answer] | None = None
    urgent_from_c: limits.Limit | None = None

    def severity_at(self, evidence: Evidence, settings: Settings) -> Severity:
        """How urgent it is with what goes with it."""
        outdoor_c = evidence.get("outdoor_c")
        if self.urgent_from_c is None or not isinstance(outdoor_c, float):
            return self.severity
        return Severity.URGENT if outdoor_c >= settings.limit(self.urgent_from_c) else self.severity


_NOW, _SOON, _WATCH = Severity.URGENT, Severity.SOON, Severity.WATCH
_CONTROL = ("control_v", "coil_a")
_MOTORS = ("compressor_a", "fan_a")

ROWS: tuple[FindingRow, ...] = (
    FindingRow(
        "sensor-silent",
        _SOON,
        "",
        "A sense that is fitted has stopped giving readings, so part of the unit is not being watched.",
        (),
        (),
        pattern=True,
    ),
    FindingRow(
        "sensing-disagrees",
        _SOON,
        "",
        "Sensors contradict each other in a way no single fault of the unit explains; the monitor needs a look.",
        ("call", "supply", "load", "control_power", "thermostat", "control_v", "coil_a", "compressor", "fan"),
        ("call", "supply", "load", *_CONTROL, *_MOTORS, "control_power", "thermostat"),
        lambda f: bool(f.distrusted),
        steady=True,
    ),
    FindingRow(
        "line-supply-lost",
        _NOW,
        "line-supply",
        "There is no line voltage at the outdoor unit, so it cannot run.",
        ("supply", "load"),
        ("supply", "load", "call"),
        lambda f: False if f.load or f.runs else no(f.supply),
    ),
    FindingRow(
        "control-power-lost",
        _NOW,
        "control-power",
        "There is no 24 V behind the control fuse indoors, so no call can reach the outdoor unit.",
        ("control_power",),
        ("control_power", "thermostat", "call"),
        lambda f: False if f.thermostat or f.call else no(f.control_power),
        parents=("line-supply-lost",),
    ),
    FindingRow(
        "call-not-reaching-unit",
        _NOW,
        "call",
        "The thermostat calls for cooling, but the call does not arrive at the outdoor unit.",
        ("thermostat", "call", "control_power"),
        ("thermostat", "call", "control_power", "control_v"),
        lambda f: False if f.control_power is False else both(f.thermostat, no(f.call)),
        parents=("control-power-lost",),
        after_delay=True,
    ),
    FindingRow(
        "call-without-thermostat",
        _SOON,
        "call",
        "The outdoor unit is called although the thermostat does not call: a control wire touches another one.",
        ("thermostat", "call"),
        ("thermostat", "call", "control_v"),
        lambda f: both(no(f.thermostat), f.call),
    ),
    FindingRow(
        "low-control-voltage",
        _SOON,
        "call",
        "The 24 V control voltage at the outdoor unit is too low to hold the contactor reliably.",
        ("call", "control_v"),
        ("control_v", "coil_a", "load"),
        lambda f: both(f.call, None if f.volts in (None, "dead") else f.volts in ("ghost", "weak")),
    ),
    FindingRow(
        "low-line-voltage",
        _SOON,
        "line-supply",
        "The line voltage at the outdoor unit is too low; its motors run hot and may not start.",
        ("line_v", "locked"),
        ("line_v", "compressor_a", "supply"),
        lambda f: line_outside(f, "low"),
        parents=("line-supply-lost",),
    ),
    FindingRow(
        "high-line-voltage",
        _SOON,
        "line-supply",
        "The line voltage at the outdoor unit is too high for its motors and controls.",
        ("line_v",),
        ("line_v", "compressor_a"),
        lambda f: line_outside(f, "high"),
        parents=("line-supply-lost",),
    ),
    FindingRow(
        "contactor-chatter",
        _NOW,
        "contacts",
        "The contactor is opening and closing rapidly, which burns its contacts and strains the compressor.",
        (),
        _CONTROL,
        pattern=True,
        parents=("line-supply-lost",),
    ),
    FindingRow(
        "call-without-pull-in",
        _NOW,
        "contacts",
        "The unit is called to cool, but the contactor's contacts have not closed.",
        ("call", "load", "supply"),
        (*_CONTROL, "supply"),
        lambda f: False if f.supply is False else both(f.call, no(f.contacts)),
        parents=("line-supply-lost", "contactor-chatter"),
        after_delay=True,
        works=lambda f: both(f.call, f.contacts),
    ),
    FindingRow(
        "call-without-run",
        _NOW,
        "contacts",
        "The unit is called to cool, but nothing in it runs.",
        ("call", "compressor", "fan"),
        (*_CONTROL, "supply", *_MOTORS),
        lambda f: False if f.supply is False else both(f.call, f.load is None, rests(f)),
        parents=("line-supply-lost", "contactor-chatter"),
        after_delay=True,
        works=lambda f: both(f.call, f.runs),
    ),
    FindingRow(
        "locked-rotor",
        _NOW,
        "compressor",
        "The compressor draws the current of a rotor that does not turn; it cannot start.",
        ("locked",),
        ("compressor_a", "control_v"),
        lambda f: f.locked,
    ),
    FindingRow(
        "overload-cycling",
        _NOW,
        "compressor",
        "The compressor keeps stopping and starting by itself while it is called: its overload protector is tripping.",
        (),
        _MOTORS,
        pattern=True,
        parents=("line-supply-lost", "contactor-chatter"),
    ),
    FindingRow(
        "pull-in-without-run",
        _NOW,
        "compressor",
        "The contacts have closed, but neither compressor nor fan draws current.",
        ("load", "compressor", "fan"),
        ("load", *_MOTORS),
        lambda f: both(f.contacts, rests(f)),
        parents=("line-supply-lost", "contactor-chatter", "overload-cycling"),
    ),
    FindingRow(
        "compressor-not-running",
        _NOW,
        "compressor",
        "The outdoor fan runs, but the compressor does not.",
        ("load", "compressor", "fan"),
        ("load", *_MOTORS),
        lambda f: both(f.contacts, f.fan, no(f.compressor)),
        parents=("locked-rotor", "overload-cycling", "contactor-chatter"),
    ),
    FindingRow(
        "fan-not-running",
        _NOW,
        "fan",
        "The compressor runs, but the outdoor fan does not; the compressor will overheat.",
        ("load", "compressor", "fan"),
        ("load", *_MOTORS),
        lambda f: both(f.contacts, f.compressor, no(f.fan)),
        parents=("locked-rotor",),
    ),
    FindingRow(
        "contacts-stuck-closed",
        _NOW,
        "contacts",
        "Nothing calls for cooling, yet the contacts stay closed or the compressor runs.",
        ("call", "load", "compressor", "fan"),  # where contacts are not sensed, the fan's current tells them closed
        ("load", *_CONTROL, *_MOTORS),
        lambda f: both(no(f.call), either(f.contacts, f.compressor)),
        parents=("contactor-chatter",),
    ),
    FindingRow(
        "short-cycling",
        _SOON,
        "compressor",
        "The unit starts and stops too often, which wears the compressor.",
        (),
        (),
        pattern=True,
        parents=("line-supply-lost", "contactor-chatter", "overload-cycling", "locked-rotor"),
    ),
    FindingRow(
        "high-running-current",
        _SOON,
        "compressor",
        "The compressor has been drawing more current than it should.",
        ("compressor", "draw"),
        ("compressor_a", "outdoor_c"),
        lambda f: draws(f, "high"),
        parents=("locked-rotor", "fan-not-running"),
    ),
    FindingRow(
        "low-running-current",
        _SOON,
        "compressor",
        "The compressor has been drawing much less current than is normal for this unit at this temperature.",
        ("compressor", "draw"),
        ("compressor_a", "outdoor_c"),
        lambda f: draws(f, "low"),
    ),
    FindingRow(
        "run-capacitor-weak",
        _SOON,
        "compressor",
        "The compressor's run capacitor has lost capacitance; the motor runs hot and will one day not start.",
        (),
        ("start_winding_a", "line_v", "compressor_a"),
        pattern=True,
        parents=("sensing-disagrees",),
    ),
    FindingRow(
        "not-cooling",
        _NOW,
        "",
        "The unit runs, but it moves no heat out of the house.",
        (),
        ("return_air_c", "supply_air_c", "suction_c", "liquid_c", "outdoor_c", "compressor_a", "blower"),
        pattern=True,
        parents=("sensing-disagrees", "compressor-not-running", "locked-rotor", "overload-cycling"),
    ),
    FindingRow(
        "low-split",
        _SOON,
        "",
        "The unit cools the air less than it normally does at these temperatures.",
        (),
        ("return_air_c", "supply_air_c", "suction_c", "liquid_c", "outdoor_c", "compressor_a"),
        pattern=True,
        parents=("sensing-disagrees", "not-cooling", "fan-not-running"),
    ),
    FindingRow(
        "high-split",
        _SOON,
        "",
        "The air leaves the indoor coil colder than it normally does: too little air flows over it.",
        (),
        ("return_air_c", "supply_air_c", "suction_c", "liquid_c", "outdoor_c", "blower"),
        pattern=True,
        parents=("sensing-disagrees",),
    ),
    FindingRow(
        "slow-start",
        _WATCH,
        "compressor",
        "The compressor takes longer to come up to speed than it should.",
        (),
        (),
        pattern=True,
    ),
    FindingRow(
        "long-run",
        _WATCH,
        "compressor",
        "The unit has been running for hours without a stop.",
        ("compressor",),
        ("compressor_a", "outdoor_c"),
        lambda f: f.compressor if f.compressor is not None else f.runs,
    ),
    FindingRow(
        "overdue-call",
        _SOON,
        "thermostat-call",
        "The unit has not been called to cool for far longer than it ever went without in such weather; unless it was"
        " switched off or set warmer on purpose, the call does not get to it.",
        ("call",),
        ("outdoor_c", "call", "thermostat", "control_power"),
        pattern=True,
        parents=("line-supply-lost", "control-power-lost", "call-not-reaching-unit"),
        urgent_from_c=limits.OVERDUE_CALL.urgent_c,
    ),
    FindingRow(
        "no-call-in-heat",
        _WATCH,
        "thermostat-call",
        "It has been hot for hours, and the unit has not been called to cool as it was on earlier days like this.",
        ("call",),
        ("outdoor_c", "call"),
        pattern=True,
        parents=("line-supply-lost", "control-power-lost", "call-not-reaching-unit", "overdue-call"),
    ),
)
CATALOGUE: dict[str, FindingRow] = {row.name: row for row in ROWS}


def hold_s(row: FindingRow, settings: Settings) -> float:
    """How long the condition must hold, in s, on this site: with what is declared of the unit's timers."""
    unit = settings.unit
    held_s = settings.limit(limits.FINDINGS[row.name].hold_s)
    if not row.after_delay:
        return held_s
    held_s += max(unit.delay_on_make_s, unit.delay_on_break_s)
    if row.name == "call-not-reaching-unit":
        return held_s + (limits.HABITS.shed_most_s.value if unit.load_shed else 0.0)
    return held_s + (limits.HABITS.ramp_s.value if unit.kind == "variable-speed" else 0.0)
