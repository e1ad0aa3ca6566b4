"""The catalogue of findings (contract.md, Findings) as data, and the condition of each.

A condition is a question to the facts, answered True, False or None (not known). It raises its finding when it has
been True for the finding's hold and the last scan bears it out; None neither raises nor clears. A finding whose parent
stands is not raised: it follows from it. The rows stand in the order in which they are judged, parents before children.

To add a finding: a row here, its numbers as a class of limits.FindingLimits, its suspects in diagnosis/, a scenario in
sim/scenarios.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from enum import IntEnum
from itertools import product
from typing import Any, Literal, NamedTuple, Protocol

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.inputs import DebouncedInputs
from condenser_monitor.monitor.core.links import Facts, either, facts
from condenser_monitor.monitor.core.patterns import InRun
from condenser_monitor.monitor.core.readings import draw_bands
from condenser_monitor.monitor.core.records import Evidence, Scan, Severity

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


class Cooling(IntEnum):
    """What a finding means for the house. Higher is worse."""

    UNKNOWN = 0  # the finding says nothing of it
    WORKS = 1
    POOR = 2  # it cools, but badly or not for long
    DAMAGE = 3  # it cools or not, and something is being damaged
    NONE = 4


# ---------------------------------------------------------------- what proves a finding's cause repaired

# A condition that is gone proves nothing. A call that ended, a thermostat that was switched off (as the message asked),
# mild weather or a pulled breaker end it as well. Proof is that the very part was seen to work: in a *run* under a
# call, for long enough that the finding would have come; at a *stop* after a run, for contacts that would not open; or
# in a *state* that only the repaired part can give. alarms/episodes.py holds what is seen to it.

Kind = Literal["run", "stop", "state"]


def cools(facts: Facts) -> Answer:
    """Return whether the unit does its work under a call: contacts closed, compressor and fan running."""
    if facts.call is False or facts.contacts is False or facts.fan is False or facts.locked:
        return False
    return facts.compressor


def stopped(facts: Facts) -> Answer:
    """Return whether everything is off without a call while the line supply is not known to be off."""
    if facts.supply is False:
        return None
    return both(no(facts.call), no(facts.compressor), not facts.contacts, not facts.fan)


class Proof(NamedTuple):
    """What proves one finding's cause repaired: `works` held for `hold_s`, `times` times, over `span_s` at least.

    `in_heat`: only in weather about as hot as it failed in. `at_rest` proves what was lost while nothing was called.
    """

    kind: Kind = "run"
    words: str = "the unit cooled in several runs, spread over half a day or more"
    works: Callable[[Facts], Answer] = cools
    hold_s: float = limits.PROOF.run_s.value
    times: int = int(limits.PROOF.times.value)
    span_s: float = limits.PROOF.span_s.value
    in_heat: bool = False
    at_rest: Callable[[Facts], Answer] | None = None


_LONG = limits.PROOF.long_run_s.value
_DAY = limits.PROOF.day_s.value
_HOT_RUN = "the unit cooled in several long runs, over a day or more, in weather as hot as when it failed"
_DAY_RUN = "the unit cooled in several runs, over a day or more"
_LONG_RUNS = Proof(hold_s=_LONG)
_OVER_A_DAY = Proof("run", _DAY_RUN, span_s=_DAY)
_IN_HEAT = Proof("run", _HOT_RUN, hold_s=_LONG, span_s=_DAY, in_heat=True)


# What goes with a finding that a declared utility's switch may have brought about unseen: it is urgent once that has to
# be over.
MAY_BE_SHED = "may_be_shed"

# ---------------------------------------------------------------- the rows


class Counter(Protocol):
    """What answers for a finding that shows only over several scans; it keeps what it has seen."""

    def update(self, scan: Scan) -> Answer:
        """Hear a scan, each one there is; return the answer after it."""


class FindingRow(NamedTuple):
    """One finding. `needs` are the inputs that must be borne out by the scan that raises it; `evidence` the readings
    that are shown with it; `pattern`: a counter of the engine gives the answer instead of `condition`; `after_delay`:
    the site's delay relay is waited for; `steady`: every single scan of the hold must bear the condition out, because a
    flickering wire makes any two senses disagree; `works`: what shows, when it clears, that the part works again by
    itself and not just that the call has ended; `urgent_from_c`: the outdoor temperature from which it is urgent;
    `cooling`: what it means for the house, where its severity does not say so; `sensed_by`: the sets of readings any of
    which a pattern needs, where it is not its evidence; `proof`: what shows its cause repaired; `counter`: makes what
    answers for a pattern that the engine does not count itself; `unsound`: in a run with it nothing is learned of what
    is normal."""

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
    cooling: Cooling | None = None
    sensed_by: tuple[frozenset[str], ...] = ()
    proof: Proof = Proof()
    counter: Callable[[Settings], Counter] | None = None
    unsound: bool = False

    def severity_at(self, evidence: Evidence, settings: Settings) -> Severity:
        """How urgent it is with what goes with it."""
        if evidence.get(MAY_BE_SHED):
            return Severity.SOON
        outdoor_c = evidence.get("outdoor_c")
        if self.urgent_from_c is None or not isinstance(outdoor_c, float):
            return self.severity
        return Severity.URGENT if outdoor_c >= settings.limit(self.urgent_from_c) else self.severity

    def can_be_seen(self, fitted: Collection[str]) -> bool:
        """Return whether a pattern has one of the sets of readings that it needs."""
        return not self.sensed_by or any(needed <= set(fitted) for needed in self.sensed_by)


_BY_SEVERITY = {Severity.URGENT: Cooling.NONE, Severity.SOON: Cooling.POOR, Severity.WATCH: Cooling.WORKS}
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
        cooling=Cooling.UNKNOWN,
        proof=Proof(
            "state", "the sensor gave readings for half a day", lambda f: True, limits.PROOF.span_s.value, 1, 0.0
        ),
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
        cooling=Cooling.UNKNOWN,
        proof=Proof(
            "stop", "sensors agreed through several runs and the rests after them", lambda f: not contradictions(f)
        ),
    ),
    FindingRow(
        "line-supply-lost",
        _NOW,
        "line-supply",
        "There is no line voltage at the outdoor unit, so it cannot run.",
        ("supply", "load"),
        ("supply", "load", "call"),
        lambda f: False if f.load or f.runs else no(f.supply),
        proof=Proof(
            "run",
            "power was there, and carried a run if it had been lost in one",
            times=1,
            span_s=0.0,
            at_rest=lambda f: f.supply,
        ),
        unsound=True,
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
        proof=Proof(
            "run",
            "24 V was there, and carried a run if it had been lost in one",
            times=1,
            span_s=0.0,
            at_rest=lambda f: f.control_power,
        ),
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
        proof=Proof("run", _DAY_RUN, hold_s=_LONG, span_s=_DAY),
    ),
    FindingRow(
        "call-without-thermostat",
        _SOON,
        "call",
        "The outdoor unit is called although the thermostat does not call: a control wire touches another one.",
        ("thermostat", "call"),
        ("thermostat", "call", "control_v"),
        lambda f: both(no(f.thermostat), f.call),
        cooling=Cooling.WORKS,
        proof=Proof(
            "stop", "call and thermostat agreed through several runs", lambda f: no(both(no(f.thermostat), f.call))
        ),
    ),
    FindingRow(
        "low-control-voltage",
        _SOON,
        "call",
        "The 24 V control voltage at the outdoor unit is too low to hold the contactor reliably.",
        ("call", "control_v"),
        ("control_v", "coil_a", "load"),
        lambda f: both(f.call, None if f.volts in (None, "dead") else f.volts in ("ghost", "weak")),
        proof=Proof("run", _DAY_RUN, lambda f: both(cools(f), f.volts in ("normal", "high")), span_s=_DAY),
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
        proof=_IN_HEAT,
        unsound=True,
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
        cooling=Cooling.WORKS,
        proof=_OVER_A_DAY,
        unsound=True,
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
        cooling=Cooling.DAMAGE,
        sensed_by=(
            frozenset({"call", "load"}),
            frozenset({"call", "coil_a"}),
            frozenset({"call", "control_v"}),
        ),
        proof=_OVER_A_DAY,
        unsound=True,
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
        proof=_IN_HEAT,
        unsound=True,
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
        cooling=Cooling.DAMAGE,
        sensed_by=(
            frozenset({"compressor_a", "load"}),
            frozenset({"compressor_a", "fan_a"}),
        ),
        proof=_IN_HEAT,
        unsound=True,
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
        proof=_LONG_RUNS,
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
        proof=_IN_HEAT,
        unsound=True,
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
        cooling=Cooling.DAMAGE,
        proof=Proof(works=lambda f: both(cools(f), f.fan), hold_s=_LONG),
        unsound=True,
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
        cooling=Cooling.DAMAGE,
        proof=Proof("stop", "the contacts opened at the end of several runs", stopped),
        unsound=True,
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
        sensed_by=(frozenset({"compressor_a"}),),
        proof=_OVER_A_DAY,
        unsound=True,
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
        proof=_IN_HEAT,
        unsound=True,
    ),
    FindingRow(
        "low-running-current",
        _SOON,
        "compressor",
        "The compressor has been drawing much less current than is normal for this unit at this temperature.",
        ("compressor", "draw"),
        ("compressor_a", "outdoor_c"),
        lambda f: draws(f, "low"),
        proof=_IN_HEAT,
        unsound=True,
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
        cooling=Cooling.WORKS,
        sensed_by=(frozenset({"line_v", "start_winding_a"}),),
        proof=Proof("run", _DAY_RUN, hold_s=_LONG, span_s=_DAY),
        unsound=True,
    ),
    FindingRow(
        "not-cooling",
        _NOW,
        "",
        "The unit runs, but it moves no heat out of the house.",
        (),
        ("return_air_c", "supply_air_c", "suction_c", "liquid_c", "outdoor_c", "compressor_a", "blower"),
        pattern=True,
        parents=(
            *("compressor-not-running", "locked-rotor", "overload-cycling", "fan-not-running"),
            *("contacts-stuck-closed", "call-without-thermostat", "line-supply-lost", "contactor-chatter"),
        ),
        sensed_by=(
            frozenset({"compressor_a", "return_air_c", "supply_air_c"}),
            frozenset({"compressor_a", "liquid_c", "suction_c"}),
        ),
        proof=_IN_HEAT,
        unsound=True,
    ),
    FindingRow(
        "low-split",
        _SOON,
        "",
        "The unit cools the air less than it normally does at these temperatures.",
        (),
        ("return_air_c", "supply_air_c", "suction_c", "liquid_c", "outdoor_c", "compressor_a"),
        pattern=True,
        parents=(
            *("sensing-disagrees", "not-cooling", "fan-not-running", "contacts-stuck-closed"),
            *("call-without-thermostat", "overload-cycling"),
        ),
        sensed_by=(
            frozenset({"compressor_a", "return_air_c", "supply_air_c"}),
            frozenset({"compressor_a", "liquid_c", "suction_c"}),
        ),
        proof=_IN_HEAT,
        unsound=True,
    ),
    FindingRow(
        "high-split",
        _SOON,
        "",
        "The air leaves the indoor coil colder than it normally does: too little air flows over it.",
        (),
        ("return_air_c", "supply_air_c", "suction_c", "liquid_c", "outdoor_c", "blower"),
        pattern=True,
        parents=("sensing-disagrees", "contacts-stuck-closed", "call-without-thermostat"),
        sensed_by=(
            frozenset({"compressor_a", "return_air_c", "supply_air_c"}),
            frozenset({"compressor_a", "liquid_c", "suction_c"}),
        ),
        proof=_IN_HEAT,
        unsound=True,
    ),
    FindingRow(
        "hot-discharge",
        _SOON,
        "compressor",
        "The gas leaves the compressor hotter than its oil can stand; it wears fast and may seize.",
        (),
        ("discharge_c", "suction_c", "liquid_c", "outdoor_c", "compressor_a"),
        pattern=True,
        counter=lambda settings: InRun(settings, "discharge_c", settings.limit(limits.HOT_DISCHARGE.run_s)),
        sensed_by=(frozenset({"discharge_c", "compressor_a"}),),
        parents=("locked-rotor", "fan-not-running", "sensing-disagrees"),
        cooling=Cooling.POOR,
        proof=_IN_HEAT,
        unsound=True,
    ),
    FindingRow(
        "slow-start",
        _WATCH,
        "compressor",
        "The compressor takes longer to come up to speed than it should.",
        (),
        (),
        pattern=True,
        sensed_by=(frozenset({"compressor_a"}),),
        proof=_OVER_A_DAY,
    ),
    FindingRow(
        "long-run",
        _WATCH,
        "compressor",
        "The unit has been running for hours without a stop.",
        ("compressor",),
        ("compressor_a", "outdoor_c"),
        lambda f: f.compressor if f.compressor is not None else f.runs,
        cooling=Cooling.POOR,
        proof=Proof("stop", "the unit stopped when the call ended", stopped, times=1, span_s=0.0),
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
        cooling=Cooling.NONE,
        proof=_LONG_RUNS,
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
        cooling=Cooling.UNKNOWN,
        sensed_by=(frozenset({"call", "outdoor_c"}),),
        proof=_LONG_RUNS,
    ),
)
CATALOGUE: dict[str, FindingRow] = {row.name: row for row in ROWS}
# While one of these stands the unit runs and nothing calls it; the blower is off meanwhile.
RUNS_UNCALLED = frozenset({"contacts-stuck-closed", "call-without-thermostat"})
# What a household can mean to be so: it is away, has set it warmer, or switched it off.
BY_INTENT = frozenset({"no-call-in-heat", "overdue-call"})


def can_be_meant(findings: Iterable[str]) -> bool:
    """Return whether an episode of these findings can be meant: nothing but a call that does not come is in it."""
    return BY_INTENT.issuperset(findings)


def add_finding(row: FindingRow, numbers: type[limits.FindingLimits]) -> None:
    """Put a finding of another package, with its numbers, at the end of the catalogue; again with one that changed."""
    CATALOGUE[row.name] = row
    limits.FINDINGS[row.name] = numbers


def cooling(finding: str) -> Cooling:
    """Return what a finding means for the house; one that this program does not know counts as damage."""
    row = CATALOGUE.get(finding)
    if row is None:
        return Cooling.DAMAGE
    return _BY_SEVERITY[row.severity] if row.cooling is None else row.cooling


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


# ---------------------------------------------------------------- what a set of sensors can raise


def watchable(settings: Settings) -> tuple[str, ...]:
    """Return the names of the findings that the installed sensors can raise, in the catalogue's order.

    A condition is tried with every combination of what its installed readings can say; a finding that none of them
    raises cannot be watched with these sensors, and nothing is promised about it.
    """
    fitted = frozenset(settings.fitted)
    return tuple(
        row.name for row in CATALOGUE.values() if readings_of(row, settings) and _possible(row, settings, fitted)
    )


def readings_of(row: FindingRow, settings: Settings) -> frozenset[str]:
    """Return the installed readings that the answer to a finding rests on."""
    fitted = frozenset(settings.fitted)
    if row.name == "sensor-silent":
        return fitted
    if row.pattern:
        sets = [needed for needed in row.sensed_by or (frozenset(row.evidence),) if needed <= fitted]
        return sets[0] if sets else frozenset()
    inputs = DebouncedInputs(settings, tuple(settings.fitted))
    return frozenset(name for name in fitted if any(one.name in row.needs for one in inputs.inputs_of(name)))


def _possible(row: FindingRow, settings: Settings, fitted: frozenset[str]) -> bool:
    if row.pattern:
        return True
    if row.name == "sensing-disagrees":
        return any(_can_hold(one.holds, one.readings, settings, fitted) for one in CONTRADICTIONS)
    assert row.condition is not None
    return _can_hold(row.condition, readings_of(row, settings), settings, fitted)


def _can_hold(
    condition: Callable[[Facts], Answer], readings: Iterable[str], settings: Settings, fitted: frozenset[str]
) -> bool:
    inputs = DebouncedInputs(settings, tuple(settings.fitted))
    needed = [one for name in readings if name in fitted for one in inputs.inputs_of(name)]
    said: list[tuple[Any, ...]] = [
        (None, *draw_bands(settings).names) if one.name == "draw" else (None, *_names(inputs, one.name))
        for one in needed
    ]
    for symbols in product(*said):
        for one, symbol in zip(needed, symbols, strict=True):
            one.symbol = symbol
        if condition(facts(inputs)):
            return True
    return False


def _names(inputs: DebouncedInputs, name: str) -> tuple[Any, ...]:
    """What an input can say: its bands, or on and off for a flag."""
    for track in inputs.tracks:
        for one, bands in zip(track.inputs, track.bands, strict=True):
            if one.name == name:
                return tuple(bands.names)
    return (False, True)
