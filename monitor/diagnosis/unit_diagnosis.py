"""The unit's one diagnosis: who is suspected, with shares, and why, over all findings, features and meter readings.

A suspect is weighed as evidence comes together, in the manner of naive Bayes, where a table's words stand for ratios:

    how usual it is behind each finding (predictions_*.py) and among all calls of the trade (suspects.py);
    what each sense said when the finding was raised: a trusted sense that forbids it rules it out;
    what shape, size and history tell, once for the unit (features.py): ratios;
    whom the evidence of the last days spoke for: what nobody mended is most often the same fault again;
    what a meter showed: a sound part is acquitted, an abnormal one adds its suspect. It never clears another one,
    because several faults at once are the rule in the trade: all that were suspected before an abnormal reading still
    are.

Findings are pooled by multiplying what each says (a logarithmic pool: C. Genest and J. V. Zidek, "Combining probability
distributions", Statistical Science 1986), with what they have in common, the suspect's own usualness, counted once.
Where no single suspect explains every finding and reading, the smallest sets that do are named
(elimination.minimal_hitting_sets).

Readings that contradict each other, or what the monitor senses, are to be measured again and meanwhile move nobody.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.findings import CATALOGUE, RUNS_UNCALLED, FindingRow
from condenser_monitor.monitor.core.inputs import DebouncedInputs
from condenser_monitor.monitor.core.readings import READINGS, SYMBOLS
from condenser_monitor.monitor.core.records import Severity
from condenser_monitor.monitor.diagnosis import elimination, features
from condenser_monitor.monitor.diagnosis.checks.meter import Judged
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.elimination import Expect, PredictionRow
from condenser_monitor.monitor.diagnosis.features import FEATURES, FeatureSays
from condenser_monitor.monitor.diagnosis.predictions import (
    HISTORY,
    RECENT_NEEDS,
    SAYS,
    YES_NO,
    Situation,
    meter_by_senses,
)
from condenser_monitor.monitor.diagnosis.predictions_control import CONTROL
from condenser_monitor.monitor.diagnosis.predictions_motors import MOTORS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS

# ---------------------------------------------------------------- readings that cannot both be true: measure again


class _Pair(NamedTuple):
    """A check's outcomes that another check's outcomes, or a sense's symbols, forbid."""

    check: str
    outcomes: str
    other: str
    says: str


_CURRENT = "sealed unsealed short"
_PAIRS = tuple(
    _Pair(*row.split(" | "))
    for row in (
        # a part that carries current is whole
        f"coil-ohms | open | coil_a | {_CURRENT}",
        f"coil-volts | absent | coil_a | {_CURRENT}",
        f"pressure-switch | open | coil_a | {_CURRENT}",
        f"time-delay-volts | across | coil_a | {_CURRENT}",
        f"board-volts | held | coil_a | {_CURRENT}",
        f"pressure-volts | low-pressure high-pressure | coil_a | {_CURRENT}",
        "coil-ohms | low | coil_a | sealed",
        # the unit's own normal is what the monitor compares with, a meter's band is of rated load: usual fits either
        "running-amps | none low | draw | high",
        "running-amps | high overload locked | draw | low",
        "winding-ohms | winding-open overload-open | compressor_a | running locked",
        "fan-ohms | open | fan_a | running",
        "fan-volts | absent | fan_a | running",
        "running-amps | none | compressor_a | running locked",
        "running-amps | low normal high overload locked | compressor_a | still",
        "listen | nothing fan-only | compressor_a | running",
        "listen | both compressor-only | compressor_a | still",
        "listen | nothing compressor-only | fan_a | running",
        # 24 V: what is live behind is live ahead
        "control-fuse | open | control_power | on",
        "rc-volts | absent | control_power | on",
        "rc-volts | normal high | control_power | off",
        "rc-volts | normal high | transformer-volts | absent",
        "rc-volts | normal high | control-fuse | open",
        "transformer-volts | absent | control_power | on",
        "thermostat-volts | absent | thermostat | on",
        "thermostat-volts | normal high | thermostat | off",
        "thermostat-volts | normal high | rc-volts | absent",
        "float-switch | open | call | on",
        "float-volts | across | call | on",
        "control-wire | open | call | on",
        "splice-volts | absent | control_v | normal high",
        "splice-volts | normal high | control_v | dead ghost",
        "splice-volts | absent | call | on",
        "coil-volts | normal high | splice-volts | absent",
        "coil-volts | normal high | control_v | dead ghost",
        "coil-volts | normal high | call | off",
        # line
        "line-volts | absent | supply | on",
        "line-volts | normal high | supply | off",
        "line-volts | normal high | breakers | off",
        "line-volts | normal high | leg-to-ground | none one-missing",
        "line-volts | normal high | line-fuses | open",
        "load-volts | absent | load | on",
        "load-volts | normal high | load | off",
        "load-volts | normal high | line-volts | absent",
        "breakers | off | supply | on",
        "leg-to-ground | none | supply | on",
        # one part measured twice
        "run-capacitor | dead | capacitor-amps | good",
        "run-capacitor | good | capacitor-amps | dead",
        "float-switch | closed | float-volts | across",
    )
)


class Contradicted(NamedTuple):
    """Checks whose readings contradict each other or what is sensed, in the order in which they were made; and
    whether a sensor is one side of it."""

    checks: tuple[str, ...]
    sensor: bool


def contradicted(sensed: Mapping[str, str], meter: Mapping[str, str]) -> Contradicted:
    """Return what cannot be true together. `sensed`: sense -> symbol (`draw`: the running current as the findings have
    it); `meter`: check -> outcome."""
    wrong = {"winding-ohms"} if meter.get("winding-ohms") == "unequal" else set()  # three readings that do not add up
    sensor = False
    for pair in _PAIRS:
        if meter.get(pair.check) not in pair.outcomes.split():
            continue
        if meter.get(pair.other) in pair.says.split():
            wrong |= {pair.check, pair.other}
        elif sensed.get(pair.other) in pair.says.split():
            wrong.add(pair.check)
            sensor = True
    return Contradicted(tuple(name for name in meter if name in wrong), sensor)


def _amps_apart(case: UnitCase, sensed: Mapping[str, str]) -> bool:
    """Whether a clamp shows another current than the monitor's own did, in a finding in which it does not change by
    itself."""
    ours, shown = case.values.get("compressor_a"), case.meter.get("running-amps")
    if ours is None or shown is None or shown.value is None or "compressor_a" not in sensed:
        return False
    return abs(shown.value - ours) > limits.AMPS_APART.value * max(ours, shown.value)


def _to_measure_again(
    case: UnitCase, sensed: Mapping[str, str], outcomes: Mapping[str, str]
) -> tuple[tuple[str, ...], float]:
    """The checks to make again: what contradicts, and what no part shows. And how likely that makes the monitor's own
    sensing, of the likeliest suspect: of a reading and a sense that contradict each other, one lies."""
    again, sensor = contradicted(sensed, outcomes)
    if _amps_apart(case, sensed):
        again, sensor = (*again, "running-amps"), True
    again = tuple(name for name in again if name not in case.confirmed)
    impossible = [name for name in outcomes if case.meter[name].doubt and name not in {*again, *case.confirmed}]
    lies = 2.0 if sensor else limits.SELDOM_SHARE.value
    return (*again, *impossible), lies if again else 0.0


SITUATIONS: dict[str, Situation] = CONTROL | MOTORS
MONITOR = "monitor-sensing"
PRESSURE_SWITCH, _CUTOUTS = "pressure-switch", ("low-pressure-cutout", "high-pressure-cutout")
PRESSURE_SWITCHES = frozenset((PRESSURE_SWITCH, *_CUTOUTS))
_SOMEWHERE = ("loose-connection",)
# No unit has both at once.
_EXCLUSIVE = tuple(map(frozenset, (("charge-low", "charge-high"), ("coil-open", "coil-shorted"))))
# What else a finding may follow from than the parents that keep it from being raised.
_FOLLOWS = {
    "locked-rotor": ("contactor-chatter", "line-supply-lost"),
    # A compressor that runs on uncalled, and maybe without its fan, trips as well.
    "overload-cycling": ("locked-rotor", "fan-not-running", "contacts-stuck-closed"),
    # An outdoor unit that runs without a call of the thermostat has no air indoors: it freezes, and trips.
    "short-cycling": (
        *("call-without-pull-in", "call-not-reaching-unit", "fan-not-running"),
        "call-without-thermostat",
    ),
    # Without its fan the unit trips: on the compressor's overload, or on high pressure, and may be locked out then.
    "compressor-not-running": ("fan-not-running", "contacts-stuck-closed"),
    "call-without-pull-in": ("fan-not-running",),
    "pull-in-without-run": ("locked-rotor", "fan-not-running"),
    "call-without-run": ("locked-rotor", "fan-not-running", "overload-cycling", "contacts-stuck-closed"),
    **dict.fromkeys(("not-cooling", "low-split", "high-split"), RUNS_UNCALLED),
    # What rejects no heat cools little, where it does not trip.
    "long-run": (*RUNS_UNCALLED, "fan-not-running"),
    **dict.fromkeys(("low-running-current", "high-running-current"), RUNS_UNCALLED),
}
# What a parent keeps from being raised while it lasts, and does not explain once it is over: contacts that stay closed
# without a call have welded, whatever made them chatter before.
_ANEW = {"contacts-stuck-closed": {"contactor-chatter"}}
# What changes by itself while a finding stands, so that a meter that comes later may read either: a compressor that
# trips is still for longer than it runs.
_TRIPS = ("compressor_a", "draw")
_MOVES = {
    **dict.fromkeys(("locked-rotor", "overload-cycling", "fan-not-running"), _TRIPS),
    **dict.fromkeys(
        ("short-cycling", "contactor-chatter"),
        (*_TRIPS, "call", "control_v", "coil_a", "coil_v", "load", "fan_a", "thermostat"),
    ),
}
_CALLED = ("call", "control_v", "thermostat")
# Over within minutes by nature, or hidden by the next call, and no less telling.
_BURSTS = ("locked-rotor", "contactor-chatter", "overload-cycling", *RUNS_UNCALLED)
OF_THE_MONITOR = ("sensing-disagrees", "sensor-silent")
NOTHING: Mapping[str, str] = {}


class FindingSeen(NamedTuple):
    """A finding as it was seen: the symbols of its moment (observable -> symbol), and whether it stands now. `or_else`:
    other findings that it may be instead, where somebody tells a symptom and no monitor says which. `cycles`: it does
    not stand at this moment, and comes and goes with the cycles of one that does: it counts as if it stood."""

    finding: str
    seen: Mapping[str, str] = NOTHING
    stands: bool = True
    or_else: tuple[str, ...] = ()
    cycles: bool = False


class UnitCase(NamedTuple):
    """All that a diagnosis is made of. `fitted`: the fitted readings, so that a silent one can be told from one that is
    not there; `features`: feature -> symbol; `meter`: check -> answer; `cleared`: suspects ruled out earlier, with the
    reason: they stay out; `confirmed`: checks that were measured again and are not doubted any more; `past`: the shares
    of suspects in the last days, of evidence that is not in this case any more; `values`: readings as numbers, as they
    were when the first finding was seen, for what a meter shows of the same."""

    findings: Sequence[FindingSeen]
    unit: Unit
    fitted: Collection[str] = ()
    features: Mapping[str, str] = NOTHING
    meter: Mapping[str, Judged] = {}
    cleared: Mapping[str, str] = NOTHING
    confirmed: Collection[str] = ()
    past: Mapping[str, float] = {}
    values: Mapping[str, float] = {}


class Diagnosis(NamedTuple):
    """What `diagnose` finds.

    suspects: all who are worth a check, the likeliest first. shares: suspect -> share of belief; they add up to at most
    1. shortlist: the few whom people are told of, with their shares. because: what most
    speaks for the first one, in plain clauses. ruled_out: suspect -> the reason in one clause. wanted_senses: senses,
    not fitted or silent, that would tell the suspects further apart, the best first. together: where no single suspect
    explains everything, the smallest sets that do. measure_again: checks whose readings contradict each other or what
    is sensed. rows: what is still open, weighed, for the choice of the next check. explains: finding -> the suspects
    that can be behind it, in the order of the diagnosis. afresh: the shares as they would be without the last days.
    fits: how well all that is known fits together; to be compared with that of the same case less a reading only.
    """

    suspects: tuple[str, ...]
    shares: dict[str, float]
    shortlist: dict[str, float]
    because: tuple[str, ...]
    ruled_out: dict[str, str]
    wanted_senses: tuple[str, ...]
    together: tuple[frozenset[str], ...]
    measure_again: tuple[str, ...]
    rows: tuple[PredictionRow, ...]
    explains: dict[str, tuple[str, ...]]
    afresh: dict[str, float]
    fits: float = 1.0


NOBODY = Diagnosis((), {}, {}, (), {}, (), (), (), (), {}, {})  # while nothing is found


def diagnose(case: UnitCase) -> Diagnosis:
    """Weigh all suspects. Raises ContractError for a finding, an observable or a symbol that does not exist."""
    _check(case)
    unit_parts = [_Part(one, case) for one in case.findings if one.finding not in OF_THE_MONITOR]
    parts = unit_parts or [_Part(one, case) for one in case.findings]
    outcomes = {name: one.outcome for name, one in case.meter.items() if CHECKS[name].news}
    sensed = _sensed(case.findings)
    again, least_lies = _to_measure_again(case, sensed, outcomes)
    usable = {name: one for name, one in case.meter.items() if name in outcomes and name not in again}
    abnormal = {name: one for name, one in usable.items() if accuses(name, one.outcome)}
    telling = {name: one for name, one in usable.items() if name not in abnormal}
    owners = {name: frozenset(_owners(name, one.outcome)) for name, one in abnormal.items()}
    told = features.ratios(case.features, [one.finding for one in case.findings])
    traits = [FeatureSays(FEATURES[name][case.features[name]].says, ratios) for name, ratios in told.items()]
    accused = frozenset().union(*owners.values()) - case.cleared.keys()
    weighed = _weigh(parts, [trait.ratios for trait in traits], accused)
    past = _past_ratios(case.past, {name: one.weight for name, one in weighed.items()})
    for name in past.keys() & weighed.keys():
        weighed[name].weight *= past[name]
    if least_lies:
        _put(
            weighed, MONITOR, least_lies * max((one.weight for one in weighed.values()), default=1.0), parts[0].finding
        )
    most = max((one.weight for one in weighed.values()), default=1.0)
    own_first = _own_first(parts, case, {name: one.measured(telling) for name, one in weighed.items()})
    for part, name in own_first.items():
        _put(weighed, name, limits.SELDOM_SHARE.value * most, part.finding)  # a second fault beside the first
    before = {name: one.weight * one.measured(telling) for name, one in weighed.items()}
    after = {name: before[name] * one.measured(abnormal) for name, one in weighed.items()}
    of_the_unit = {name: weight for name, weight in before.items() if name != MONITOR}
    named = _listed(before) | _listed(of_the_unit) | _listed(after)
    named |= frozenset().union(*owners.values()) & after.keys()
    lefts = [part.left.keys() & after.keys() for part in parts if not part.doubted and part.tells]
    # Nothing is left without a cause: where nobody who is named explains a finding, its own likeliest suspect is.
    named |= {max(left, key=lambda name: (after[name], -_PLACES[name])) for left in lefts if left and not left & named}
    total = math.fsum(after.values()) * (1.0 + limits.UNKNOWN_SHARE.value) or 1.0
    shares = {name: round(weight / total, 3) for name, weight in after.items()}
    explainers = [
        {name for name, one in weighed.items() if name in owners[check] or one.shows(check, judged.outcome)}
        for check, judged in abnormal.items()
        if owners[check]
    ]
    together = _together([*lefts, *explainers], named, shares)
    needed = together[0] if together else frozenset()
    order = sorted(named, key=lambda name: (name not in needed, *_rank(name, shares)))
    rows = [
        row._replace(weight=one.weight * row.weight / one.total * meter_fit(row, usable))
        for one in (weighed[name] for name in order)
        for row in one.rows
    ]
    alias = which_switch(after)
    merged: dict[str, float] = {}
    for name, share in shares.items():
        goes_by = alias.get(name, name)
        merged[goes_by] = merged.get(goes_by, 0.0) + share
    shortlist = _shortlist(merged, {alias.get(name, name) for name in needed})
    # A second fault beside those who are named: the likeliest behind a finding that they hardly explain.
    second = {
        alias.get(name, name)
        for part, name in own_first.items()
        if max(map(part.share, shortlist), default=0.0) < limits.EXPLAINED_SHARE.value
    }
    shortlist |= {name: round(merged[name], 3) for name in sorted(second - shortlist.keys()) if name in merged}
    # The shares without what the last days add to them.
    own = {name: weight / past.get(name, 1.0) for name, weight in after.items()}
    own_total = math.fsum(own.values()) or 1.0
    return Diagnosis(
        suspects=tuple(order),
        shares={name: shares[name] for name in order},
        shortlist=shortlist,
        because=_because(order[:1], after, parts, traits, abnormal),
        ruled_out={
            name: why
            for name, why in (dict(case.cleared) | _ruled_out(parts, weighed, traits, telling)).items()
            if name not in named
        },
        wanted_senses=wanted_senses(
            rows, {name: s for part in parts for name, s in part.evidence.items()}, case.fitted
        ),
        together=together,
        measure_again=again,
        rows=tuple(rows),
        explains={part.finding: part.explained_by(shares, tuple(shortlist)) for part in parts}
        | {one.finding: (MONITOR,) for one in case.findings if one.finding in OF_THE_MONITOR},
        afresh={name: round(weight / own_total, 3) for name, weight in own.items() if weight >= 0.001 * own_total},
        fits=math.fsum(after.values()),
    )


# ---------------------------------------------------------------- one finding's part


class _Part:
    """What one finding says, and how much by itself (`weight`); `place` is the link of the chain that it is about,
    `rests_on` the readings of which a single one that lies may make it.

    `left` are the suspects that its senses allow, with how usual each is behind it; `forbidden` those that can be
    behind it, but for its senses, which speak against each of their ways.
    """

    def __init__(self, one: FindingSeen, case: UnitCase) -> None:
        self.finding = one.finding
        self.evidence = evidence_of(one, case)
        self.follows = FOLLOWS[one.finding]
        # A fan that stands still beside a running compressor does not follow from what was before that run.
        bursts = () if one.finding == "fan-not-running" else _BURSTS
        explained = any(
            other.finding in self.follows
            for other in case.findings
            if other.stands or other.cycles or other.finding in bursts
        )
        catalogued = CATALOGUE.get(one.finding)
        self.place = one.finding if catalogued is None else catalogued.link
        self.rests_on = _rests_on(catalogued) or {self.place}
        standing = [other for other in case.findings if other.stands] or case.findings
        followed = one.finding in _BURSTS and any(one.finding in FOLLOWS[other.finding] for other in standing)
        self.weight = 1.0 if one.stands or one.cycles or followed else limits.RECENT_WEIGHT.value
        if catalogued is not None and catalogued.severity is Severity.WATCH:
            self.weight *= limits.WATCH_WEIGHT.value
        if explained:
            self.weight *= limits.FOLLOWS_WEIGHT.value
        # What follows from another finding, or is told at the next visit only, asks for no cause of its own.
        self.tells = self.weight >= limits.RECENT_WEIGHT.value and not explained
        shown = {name: one.outcome for name, one in case.meter.items() if accuses(name, one.outcome)}
        marks = {**self.evidence, **case.features, **shown}
        names = (one.finding, *one.or_else)
        pairs = [pair for name in names for pair in zip(SITUATIONS[name].causes, ROWS[name], strict=True)]
        self.rows = [
            row
            for cause, row in pairs
            if row.suspect not in case.cleared
            and (not cause.marks or any(marks.get(mark, "no") != "no" for mark in cause.marks))
        ]
        self.against = {id(row): elimination.contradictions(row, self.evidence) for row in self.rows}
        best = min((len(wrong) for wrong in self.against.values()), default=0)
        # Where a sense forbids every suspect, those that it forbids least are kept, and the sense itself is doubted.
        self.doubted = best > 0
        self.open = [
            row._replace(weight=row.weight * elimination.fit(row, self.evidence, limits.LIAR_SHARE.value))
            for row in self.rows
            if len(self.against[id(row)]) == best
        ]
        self.left: dict[str, float] = {}
        for row in self.open:
            self.left[row.suspect] = max(self.left.get(row.suspect, 0.0), row.weight)
        if self.doubted:
            self.left[MONITOR] = max(self.left.get(MONITOR, 0.0), 2.0 * max(self.left.values(), default=1.0))
        self.most = max(self.left.values(), default=1.0)
        self.forbidden = {row.suspect for row in self.rows} - self.left.keys()

    def share(self, suspect: str) -> float:
        """How usual the suspect is behind this finding, of the most usual one that is left."""
        if suspect in self.left:
            return self.left[suspect] / self.most
        return self.unlisted(suspect) * (limits.LIAR_SHARE.value if suspect in self.forbidden else 1.0)

    def places(self, suspect: str) -> Collection[str]:
        """Where the suspect would be, to be behind this finding; "": it is no matter of a place."""
        return self.rests_on if suspect == MONITOR else {self.place} if suspect in _SOMEWHERE else {""}

    @staticmethod
    def unlisted(suspect: str) -> float:
        """How usual a suspect is that no row of a finding names."""
        return limits.UNLISTED_SHARE.value * SUSPECTS[suspect].usual / _MOST_USUAL

    def explained_by(self, shares: Mapping[str, float], shortlist: Sequence[str]) -> tuple[str, ...]:
        """The suspects that can be behind this finding, in the order of the unit's diagnosis."""
        here = {name: shares[name] for name in self.left if name in shares}
        places = {name: place for place, name in enumerate(shortlist)}
        order = sorted(_listed(here), key=lambda name: (places.get(name, len(places)), *_rank(name, here)))
        # What nobody who is named shows by itself follows from what they do.
        return tuple(order) or tuple(shortlist) or (MONITOR,)


def evidence_of(one: FindingSeen, case: UnitCase) -> dict[str, str]:
    """All that is known about a finding as observable -> symbol.

    A recent finding that is not named did not stand, where the senses that it needs are fitted; else it is not known.
    """
    facts = {
        "unit:delay": "yes" if case.unit.delay_on_make_s > 0 else "no",
        "unit:start-kit": "yes" if case.unit.start_kit else "no",
        "unit:load-shed": "yes" if case.unit.load_shed else "no",
        "unit:coil-tap": "yes" if case.unit.call_tap == "coil" else "no",
        "unit:board-fan": "yes" if case.unit.fan_by_board else "no",
        "unit:heat-pump": "yes" if case.unit.heat_pump else "no",
    }
    names: set[str] = set()
    for where in (SITUATIONS[name] for name in (one.finding, *one.or_else)):
        names |= set(where.base).union(*(row.predicts for row in where.causes))
    # A start that stalls is over within seconds, and its protector open for minutes.
    unseen = {"recent:locked-rotor"} if "scans" in case.features else set()
    sensed = {name for name in names - unseen if name in RECENT_NEEDS and set(RECENT_NEEDS[name]) <= set(case.fitted)}
    recent = dict.fromkeys(sorted(sensed), "no")
    beside = {f"recent:{other.finding}": "yes" for other in case.findings if other.finding != one.finding}
    if features.stalls(case.features):
        recent["recent:locked-rotor"] = "yes"
    seen = dict(one.seen)
    if one.finding in CONTROL and seen.get("fan_a") == "running" and case.unit.fan_by_board:
        del seen["fan_a"]  # its board lets it run with the contactor open
    return {**facts, **recent, **beside, **seen}


def _check(case: UnitCase) -> None:
    """Raises ContractError for a finding, an observable or a symbol that does not exist."""
    for name in (name for one in case.findings for name in (one.finding, *one.or_else)):
        if name not in SITUATIONS:
            raise ContractError("suspects: finding", name, ", ".join(SITUATIONS))
    seen = [pair for one in case.findings for pair in one.seen.items()]
    for name, symbol in (*seen, *case.features.items(), *((name, one.outcome) for name, one in case.meter.items())):
        allowed = symbols_of(name)
        if symbol not in allowed:
            raise ContractError(f"suspects: {name}", symbol, ", ".join(allowed) or "senses, recent findings and checks")


def symbols_of(observable: str) -> tuple[str, ...]:
    """What an observable can say; empty for one that does not exist."""
    if observable in CHECKS:
        return CHECKS[observable].symbols
    if observable in FEATURES:
        return tuple(FEATURES[observable])
    if observable.startswith(("recent:", "unit:")):
        return YES_NO
    return HISTORY.get(observable) or SYMBOLS.get(observable, ())


def clause(observable: str, symbol: str) -> str:
    """The reason that an observed symbol gives for ruling a suspect out, in one clause."""
    if observable in CHECKS:
        return CHECKS[observable].says(symbol)
    if observable.startswith("recent:"):
        stood = "stood" if symbol == "yes" else "did not stand"
        return f"{observable.removeprefix('recent:')} {stood} in the last two hours"
    return SAYS[observable][symbol]


# ---------------------------------------------------------------- weighing


@dataclass(slots=True)
class _Weighed:
    """One suspect with its ways of showing itself, which weigh `total` together: `weight` is what all but the meter
    says."""

    weight: float
    rows: Sequence[PredictionRow]
    total: float

    def shows(self, check: str, outcome: str) -> bool:
        """Whether that is usual behind it, on its own part or not."""
        return any(check in row.predicts and outcome in row.predicts[check].usual for row in self.rows)

    def measured(self, meter: Mapping[str, Judged]) -> float:
        """How well the readings fit, its ways of showing itself weighed by how usual they are."""
        return math.fsum(row.weight * meter_fit(row, meter) for row in self.rows) / self.total


def _weigh(
    parts: Sequence[_Part], likelier: Sequence[Mapping[str, float]], accused: Collection[str]
) -> dict[str, _Weighed]:
    """Weigh each suspect of the findings, and those whom a meter has `accused`. `likelier`: what else makes suspects
    likelier, or less likely: suspect -> ratio."""
    suspects = dict.fromkeys([name for part in parts for name in part.left] + sorted(accused))
    most = max(part.weight for part in parts)
    shares = [part.weight / most for part in parts]
    weighed = {}
    for name in suspects:
        # What the findings have in common, how usual the suspect is at all, counts once.
        weight = (SUSPECTS[name].usual / _MOST_USUAL) ** (1.0 - math.fsum(shares))
        # A loose joint is one at one place, and a sensor that lies one sensor: another would be a second one.
        where = {part: part.places(name) for part in parts}
        places = set[str]().union(*where.values())
        explains = dict.fromkeys(places, 1.0)
        for place in places:
            for part, share in zip(parts, shares, strict=True):
                # How usual it is behind the finding: by itself, or by what the finding follows from.
                behind = [part, *(other for other in parts if other.finding in part.follows)]
                here = [one.share(name) if place in where[one] else one.unlisted(name) for one in behind]
                explains[place] *= (here[0] if name in part.forbidden else max(here)) ** share
        weight *= max(explains.values())
        weight *= math.prod(ratios.get(name, 1.0) for ratios in likelier)
        rows = [row for part in parts for row in part.open if row.suspect == name]
        rows = rows or [own_row(part.finding, name) for part in parts]
        weighed[name] = _Weighed(weight, rows, math.fsum(row.weight for row in rows))
    return weighed


def _past_ratios(past: Mapping[str, float], weights: Mapping[str, float]) -> dict[str, float]:
    """How much likelier the last days make each suspect: its share then, of what it is among all calls of the trade; or
    of what today's evidence makes it by itself, where that is more. What was found then and is found again is the same
    evidence, and speaks once."""
    most = max(weights.values(), default=0.0) or 1.0
    known = {
        name: max(SUSPECTS[name].usual / _MOST_USUAL, weights.get(name, 0.0) / most)
        for name in past.keys() & SUSPECTS.keys()
    }
    return {
        name: min(1.0 + limits.PAST_RATIO.value * past[name] / own, limits.PAST_MOST.value)
        for name, own in known.items()
    }


def _put(weighed: dict[str, _Weighed], suspect: str, least: float, finding: str) -> None:
    row = own_row(finding, suspect)
    weighed.setdefault(suspect, _Weighed(least, [row], row.weight))
    weighed[suspect].weight = max(weighed[suspect].weight, least)


def _own_first(parts: Sequence[_Part], case: UnitCase, fits: Mapping[str, float]) -> dict[_Part, str]:
    """The likeliest suspect of each finding that asks for a cause of its own, as if it were the only one: what explains
    two findings at once does not acquit what usually is behind one of them. `fits`: how well the meter's readings fit
    each suspect."""
    first = {}
    for part in parts:
        if len(parts) == 1 or part.doubted or not part.tells or not part.left:
            continue
        own_features = features.beside(case.features, part.finding, [other.finding for other in parts])
        traits = features.ratios(own_features, [part.finding])
        own = {
            name: weight * fits[name] * math.prod(ratios.get(name, 1.0) for ratios in traits.values())
            for name, weight in part.left.items()
            if name not in case.cleared
        }
        first[part] = max(own, key=lambda name: (own[name], -_PLACES[name]))
    return first


def _rank(name: str, shares: Mapping[str, float]) -> tuple[float, float, int]:
    """The order of suspects: by share as it is shown, then by how usual, then as the catalogue has them."""
    return -shares[name], -SUSPECTS[name].usual, _PLACES[name]


def which_switch(weights: Mapping[str, float]) -> dict[str, str]:
    """By which name a pressure switch goes: high or low where what is known tells which, else plainly as one."""
    seldom, often = sorted(_CUTOUTS, key=lambda name: weights.get(name, -1.0))  # one with no share left is still named
    if not weights.keys() & _CUTOUTS or PRESSURE_SWITCH not in weights:
        return {}
    if weights.get(seldom, 0.0) > limits.WHICH_SHARE.value * weights[often]:
        return dict.fromkeys(_CUTOUTS, PRESSURE_SWITCH)
    return {PRESSURE_SWITCH: often}


def _listed(weights: Mapping[str, float]) -> frozenset[str]:
    """The likeliest that cover nearly all that is believed, and a second and third that are not far-fetched."""
    ranked = sorted(weights, key=lambda name: (-round(weights[name], 9), _PLACES[name]))
    most, total = (weights[ranked[0]], math.fsum(weights.values())) if ranked else (0.0, 0.0)
    named = {name for name in ranked[:3] if 0.0 < limits.FAR_FETCHED_SHARE.value * most <= weights[name]}
    covered = 0.0
    for name in ranked:
        if covered >= limits.COVERED_SHARE.value * total or weights[name] < limits.LISTED_SHARE.value * most:
            break
        named.add(name)
        covered += weights[name]
    return frozenset(named)


def _shortlist(merged: Mapping[str, float], needed: Collection[str]) -> dict[str, float]:
    """Who is worth naming to people: who is `needed`, the three likeliest that are not much less likely than the first,
    and whoever is nearly as likely; the likeliest first. The monitor itself takes nobody's place."""
    ranked = sorted(merged, key=lambda name: (name not in needed, *_rank(name, merged)))
    named = set(needed)
    for names in (ranked, [name for name in ranked if name != MONITOR]):
        most = max((merged[name] for name in names), default=0.0)
        for place, name in enumerate(names):
            least = limits.THIRD_SHARE if place < 3 else limits.NEAR_SHARE
            if 0.0 < least.value * most <= merged[name]:
                named.add(name)
    return {name: round(merged[name], 3) for name in ranked if name in named}


def meter_fit(row: PredictionRow, meter: Mapping[str, Judged]) -> float:
    """How well the readings fit a row, what the meter may err counted in."""
    fits = 1.0
    for check, judged in meter.items():
        shares = judged.shares or ((judged.outcome, 1.0),)
        fits *= math.fsum(share * outcome_fit(row, check, outcome) for outcome, share in shares)
    return fits


def outcome_fit(row: PredictionRow, check: str, outcome: str) -> float:
    """How well one outcome fits: 1 where it is predicted; a sound part is acquitted; an abnormal outcome that the row
    does not predict is a second fault beside it, as likely as that is in any unit."""
    predicted = row.predicts.get(check)
    if predicted is None:
        return 1.0
    fits = predicted.fit(outcome)
    if fits:
        return fits
    return limits.ACQUIT_SHARE.value if outcome in CHECKS[check].innocent else CHECKS[check].chance


def accuses(check: str, outcome: str) -> bool:
    """The outcome speaks against a part, and so for no other one."""
    row = CHECKS[check]
    if row.sound is None:
        return outcome in ("low", "half", "high") and row.quantity == "V"
    return outcome not in row.innocent


def _owners(check: str, outcome: str) -> set[str]:
    """The suspects whose own part shows this."""
    return {
        name
        for name, suspect in SUSPECTS.items()
        if check in suspect.meter
        and outcome in suspect.meter[check].usual
        and not suspect.meter[check].usual >= {CHECKS[check].sound}
    }


def shows_on_part(suspect: str, check: str, outcome: str) -> bool:
    """Return whether what a check showed is that suspect's own part at fault, and not only what may be so behind it:
    no other part shows it, or where that one is at fault this part never reads sound."""
    may = {name for name, row in SUSPECTS.items() if check in row.meter and outcome in row.meter[check].usual}
    owners = _owners(check, outcome) or (may if len(may) == 1 else set())
    return accuses(check, outcome) and suspect in owners


# ---------------------------------------------------------------- the reasons


def _because(
    order: Sequence[str],
    weights: Mapping[str, float],
    parts: Sequence[_Part],
    traits: Sequence[FeatureSays],
    abnormal: Mapping[str, Judged],
) -> tuple[str, ...]:
    """What most speaks for the first suspect: features, what a meter showed on its part, senses that forbid others."""
    if not order:
        return ()
    first, found = order[0], []
    for says, ratios in traits:
        others = [ratios.get(name, 1.0) for name in weights if name != first] or [1.0]
        gain = ratios.get(first, 1.0) / (math.fsum(others) / len(others))
        found.append((gain, says))
    for check, judged in abnormal.items():
        if judged.outcome in SUSPECTS[first].meter.get(check, Expect(frozenset())).allowed:
            found.append((100.0, CHECKS[check].says(judged.outcome)))
    corrected = {name for says, _ in traits for name in _CORRECTS.get(says, ())}
    for part in parts:
        if first not in part.left:
            continue
        forbids: dict[str, set[str]] = {}
        for row in part.rows:
            for name in part.against[id(row)]:
                # That something was not there is no reason that anybody would give.
                if name not in corrected and part.evidence[name] != "no":
                    forbids.setdefault(name, set()).add(row.suspect)
        for name, whom in forbids.items():
            found.append((len(whom - set(part.left)) / 2.0, clause(name, part.evidence[name])))
    ranked = sorted(found, key=lambda pair: -pair[0])
    return tuple(dict.fromkeys(says for gain, says in ranked if gain >= _TELLS))[:3]


def _ruled_out(
    parts: Sequence[_Part],
    weighed: Mapping[str, _Weighed],
    traits: Sequence[FeatureSays],
    telling: Mapping[str, Judged],
) -> dict[str, str]:
    """suspect -> the reason by which it is out: what a meter showed, a sense, or a feature."""
    reasons: dict[str, str] = {}
    for name, one in weighed.items():
        by_meter = {check: one.measured({check: judged}) for check, judged in telling.items()}
        worst = min(by_meter, key=lambda check: by_meter[check], default="")
        if worst and by_meter[worst] < limits.SELDOM_SHARE.value:
            reasons[name] = clause(worst, telling[worst].outcome)
            continue
        for says, ratios in traits:
            if ratios.get(name, 1.0) <= limits.SELDOM_SHARE.value / 2:
                reasons.setdefault(name, says)
    for part in parts:
        for row in sorted(part.rows, key=lambda row: len(part.against[id(row)])):
            wrong = part.against[id(row)]
            if wrong and row.suspect not in part.left:
                reasons.setdefault(row.suspect, clause(wrong[0], part.evidence[wrong[0]]))
    return reasons


def _together(
    causes: Sequence[Collection[str]], named: Collection[str], shares: Mapping[str, float]
) -> tuple[frozenset[str], ...]:
    """The smallest sets that explain every finding and every abnormal reading, where no single suspect does, the
    likeliest first. `causes`: for each of them, who can be behind it."""
    conflicts = [one for one in (set(names) & set(named) for names in causes) if one]
    if not conflicts or set.intersection(*conflicts):
        return ()
    sets = [
        one
        for one in elimination.minimal_hitting_sets(conflicts, size=2)
        if not any(pair <= one for pair in _EXCLUSIVE)
    ]

    def likely(one: frozenset[str]) -> tuple[float, float]:
        return math.prod(shares[name] for name in one), math.fsum(SUSPECTS[name].usual for name in one)

    return tuple(sorted(sets, key=likely, reverse=True))


# ---------------------------------------------------------------- what else to sense


def wanted_senses(
    rows: Sequence[PredictionRow], evidence: Mapping[str, str], fitted: Collection[str]
) -> tuple[str, ...]:
    """Unknown senses that would tell the open rows apart: fitted but silent ones first, then by the bits they tell."""
    gains = {}
    for name in (name for name in READINGS if name in SYMBOLS and name not in evidence):
        usual: dict[str, set[str]] = {}
        allowed: dict[str, set[str]] = {}
        for row in rows:
            said = row.predicts.get(name, Expect(frozenset(SYMBOLS[name])))
            usual.setdefault(row.suspect, set()).update(said.usual)
            allowed.setdefault(row.suspect, set()).update(said.usual, said.seldom)
        # Told apart: what one suspect usually shows there rules another one out.
        if any(not usual[one] <= allowed[other] for one in usual for other in allowed):
            gains[name] = elimination.gain_bits(rows, name, SYMBOLS[name])
    return tuple(sorted(gains, key=lambda name: (name not in fitted, -gains[name])))


def _sensed(findings: Sequence[FindingSeen]) -> dict[str, str]:
    """What the senses say or, where they are not known, what the finding itself says they do."""
    sensed: dict[str, str] = {}
    standing = [one.finding for one in findings if one.stands and not one.or_else]
    for finding in standing:
        for name, symbol in IMPLIED[finding].items():
            # What two findings say otherwise, of two moments, nobody knows.
            sensed[name] = symbol if sensed.get(name, symbol) == symbol else ""
    sensed |= {"draw": "high"} if "high-running-current" in standing else {}
    sensed |= {"draw": "low"} if "low-running-current" in standing else {}
    for one in findings:
        sensed |= {name: symbol for name, symbol in one.seen.items() if name in SYMBOLS}
    moved = {name for finding in standing for name in _MOVES.get(finding, ())}
    if sensed.get("thermostat") != "on":
        # It did not call, or nobody knows: a technician makes it call for a reading.
        moved |= {name for name in _CALLED if sensed.get(name) in ("off", "dead", "ghost")}
    return {name: symbol for name, symbol in sensed.items() if name not in moved}


# ---------------------------------------------------------------- the rows, with every prediction filled in


def _filled(finding: str) -> tuple[PredictionRow, ...]:
    """Each cause's predictions, the later before the earlier: sound parts, what the senses imply, the part, the row."""
    base = SITUATIONS[finding].base
    rows = []
    for cause in SITUATIONS[finding].causes:
        said = {name: value for name, value in {**base, **cause.predicts}.items() if value is not None}
        part = dict(SUSPECTS[cause.suspect].meter)
        # What a finding's base says of a check yields to what the suspect's own part shows.
        plain = {name: value for name, value in said.items() if name not in cause.predicts and name in part}
        rows.append(
            PredictionRow(
                cause.suspect,
                cause.usual,
                SOUND
                | meter_by_senses(said)
                | said
                | part
                | {name: value for name, value in said.items() if name in cause.predicts and name not in plain},
            )
        )
    return tuple(rows)


@cache
def own_row(finding: str, suspect: str) -> PredictionRow:
    """What a suspect shows that no row of the finding speaks of: its own part's readings, all others as the finding
    itself has them, or sound."""
    base = SITUATIONS[finding].base
    return PredictionRow(suspect, 1.0, {**SOUND, **meter_by_senses(base), **base, **SUSPECTS[suspect].meter})


def _implied(finding: str) -> dict[str, str]:
    """What a finding says of the senses by itself: the one usual symbol of its base that no cause overrides."""
    causes = [cause for cause in SITUATIONS[finding].causes if cause.suspect != MONITOR]
    return {
        name: next(iter(said.usual))
        for name, said in SITUATIONS[finding].base.items()
        if name in SYMBOLS and len(said.usual) == 1 and not any(name in cause.predicts for cause in causes)
    }


def _rests_on(row: FindingRow | None) -> frozenset[str]:
    """The readings that a finding of the catalogue rests on; none for one that it does not know."""
    if row is None:
        return frozenset()
    needed = {_READING_OF[name] for name in row.needs if name in _READING_OF}
    return frozenset(needed).union(*row.sensed_by)


def _followed(finding: str) -> frozenset[str]:
    """What a finding may follow from, the monitor's own faults aside."""
    row = CATALOGUE.get(finding)
    parents = () if row is None else row.parents
    return frozenset((*parents, *_FOLLOWS.get(finding, ()))) - {*OF_THE_MONITOR, *_ANEW.get(finding, ())}


SOUND = {check.name: Expect(check.innocent) for check in CHECKS.values() if check.sound is not None}
ROWS: dict[str, tuple[PredictionRow, ...]] = {finding: _filled(finding) for finding in SITUATIONS}
IMPLIED = {finding: _implied(finding) for finding in SITUATIONS}
FOLLOWS = {finding: _followed(finding) for finding in SITUATIONS}
_EVERY_INPUT = DebouncedInputs(Settings(), tuple(READINGS))
_READING_OF = {one.name: reading for reading in READINGS for one in _EVERY_INPUT.inputs_of(reading)}
_PLACES = {name: place for place, name in enumerate(SUSPECTS)}


def add_situation(finding: str, made: Situation) -> None:
    """Say what suspects predict for a finding of another package."""
    SITUATIONS[finding] = made
    ROWS[finding], IMPLIED[finding], FOLLOWS[finding] = _filled(finding), _implied(finding), _followed(finding)
    own_row.cache_clear()


_MOST_USUAL = max(suspect.usual for suspect in SUSPECTS.values())
# What a feature says of a reading more exactly than the reading's own band does.
_CORRECTS = {FEATURES["coil-amps"]["open"].says: ("coil_a",)}
_TELLS = 1.4  # ours: a reason that makes the first suspect this much likelier is worth telling
