"""What each suspect predicts, finding by finding: the table that elimination works on.

A *situation* is a finding together with what a unit would show there if nothing sensed were at fault but the break
itself (`base`); each *cause* is a suspect, how usual it is there, and what it shows otherwise. Observables are the
senses (symbols of records.SYMBOLS), `recent:FINDING` (`yes` when it stood in the last two hours, else `no`),
`unit:FACT` from the nameplate, those of HISTORY, and the meter checks of checks/. What is seen of shape, size and
history is weighed in features.py, once for the unit. In a row's keywords
`_` stands for `-` or, after `recent` and `unit`, for `:`; senses keep theirs.

The weights are the trade's common practice put into figures by this project: only their order and rough ratio mean
anything. The rows themselves are in suspects/predictions_control.py and suspects/predictions_motors.py.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from condenser_monitor.monitor.core.readings import READINGS, SYMBOLS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.elimination import Expect, expect

# The first link that went dead when the last runs ended: the thermostat's output; the call while the thermostat
# stayed on (a safety or the wire); the call where the thermostat is not sensed; the contacts under a standing call;
# the compressor behind closed contacts.
STOPPED_AT = ("thermostat", "safety", "call", "contacts", "compressor")
# Whether the fan turned in the last runs of the compressor.
FAN_IN_RUNS = ("ran", "stalled", "still")
YES_NO = ("no", "yes")
HISTORY: dict[str, tuple[str, ...]] = {
    "stopped-at": STOPPED_AT,
    "fan-in-runs": FAN_IN_RUNS,
    # the split in settled minutes of the last run, where it is sensed
    "split": ("low", "normal", "high"),
}
# What a symbol means, in one clause: the reason by which a suspect is ruled out.
SAYS: dict[str, dict[str, str]] = {
    **{name: dict(row.says) for name, row in READINGS.items() if row.says},
    "unit:coil-tap": {
        "no": "the call is sensed ahead of the unit's own switches and boards",
        "yes": "the call is sensed at the coil, behind the unit's own switches and boards",
    },
    "unit:board-fan": {"no": "the contactor feeds the fan", "yes": "a board switches the fan"},
    "unit:heat-pump": {"no": "no heat pump is declared", "yes": "the unit is a heat pump"},
    "unit:start-kit": {"no": "no start kit is declared", "yes": "a start kit is installed"},
    "unit:load-shed": {"no": "no utility's switch is declared", "yes": "a utility's switch may hold the unit off"},
    "unit:delay": {"no": "no time-delay relay is installed", "yes": "a time-delay relay is installed"},
    "fan-in-runs": {
        "ran": "the fan ran in the last runs",
        "stalled": "the fan drew a stalled motor's current in the last runs",
        "still": "the fan stood still in the last runs",
    },
    "split": {
        "low": "the air is cooled less than this unit does",
        "normal": "the split is what this unit shows",
        "high": "the air is cooled more than this unit does",
    },
    "stopped-at": {
        "thermostat": "the thermostat ended the last runs",
        "safety": "the call was lost behind the thermostat",
        "call": "the call ended the last runs",
        "contacts": "the contacts opened under a standing call",
        "compressor": "the compressor stopped behind closed contacts",
    },
}
# The senses without which a recent finding cannot have been raised: then that it did not stand is not known.
RECENT_NEEDS: dict[str, tuple[str, ...]] = {
    "recent:sensing-disagrees": (),
    "recent:fan-not-running": ("compressor_a", "fan_a"),
    "recent:line-supply-lost": ("supply",),
    "recent:low-control-voltage": ("control_v",),
    "recent:low-running-current": ("compressor_a", "outdoor_c"),
    "recent:high-running-current": ("compressor_a",),
    "recent:locked-rotor": ("compressor_a",),
    "recent:overload-cycling": ("compressor_a",),
    "recent:slow-start": ("compressor_a",),
}


_DISAGREED = "recent:sensing-disagrees"
_DOUBT = 3.0  # as usual as a fault of the middle of a list


class Cause(NamedTuple):
    """One way in which a suspect brings a finding about; None unsays what the base predicts.

    With `marks` it is far-fetched, and thought of only where one of these observables was seen, and not as `no`.
    """

    suspect: str
    usual: float
    predicts: Mapping[str, Expect | None]
    marks: tuple[str, ...] = ()


class Situation(NamedTuple):
    """A finding's base and its causes, the most usual first."""

    base: Mapping[str, Expect]
    causes: tuple[Cause, ...]


def key(word: str) -> str:
    """A keyword of a row as the observable it stands for: `recent_locked_rotor` -> `recent:locked-rotor`."""
    if word in SYMBOLS:
        return word
    head, _, rest = word.partition("_")
    if head in ("recent", "unit"):
        return f"{head}:{rest.replace('_', '-')}"
    return word.replace("_", "-")


# Whatever trips a compressor leaves its overload open until it has cooled.
TRIPPED = {"winding_ohms": "balanced or overload-open"}
# Turns that are shorted draw current: one that is silent has none, or has tripped.
SILENT_WINDING = {"winding_ohms": "winding-open; seldom overload-open or unequal"}
HIGH_OR_NOT = {"recent_high_running_current": "yes or no"}
LOW_OR_NOT = {"recent_low_running_current": "yes or no"}


def cause(suspect: str, usual: float, marks: Iterable[str] = (), **predicts: str) -> Cause:
    """A row of the table; `any` unsays what the base predicts."""
    said = {key(word): None if text == "any" else expect(text) for word, text in predicts.items()}
    return Cause(suspect, usual, said, tuple(marks))


def recalled(**predicts: str) -> tuple[Cause, ...]:
    """Rows of what makes and breaks the call: it starts the compressor again before the pressures have met, and a sound
    motor stalls and trips."""
    usual = {"thermostat": 1.0, "float-switch": 1.0, "control-wire-open": 0.5}
    return tuple(cause(suspect, weight, ["call-blink"], **predicts) for suspect, weight in usual.items())


def situation(base: Mapping[str, str], *causes: Cause) -> Situation:
    """A finding's rows, the most usual first; each cause inherits from the base what it does not say itself.

    Every finding is doubted when senses have contradicted each other of late: then it may be the monitor itself.
    """
    said = {key(word): expect(text) for word, text in base.items()}
    doubted = Cause("monitor-sensing", _DOUBT, dict.fromkeys(said) | {_DISAGREED: expect("yes")}, (_DISAGREED,))
    return Situation(said, tuple(sorted((*causes, doubted), key=lambda row: -row.usual)))


# ---------------------------------------------------------------- what a meter shows where a sense would say so

SAME_AS = {check.name: check.same_as for check in CHECKS.values() if check.same_as is not None}
_ON, _UNPOWERED = expect("on"), expect("right or blank")
LISTEN = {(False, False): "nothing", (False, True): "fan-only", (True, False): "compressor-only", (True, True): "both"}


def meter_by_senses(predicts: Mapping[str, Expect]) -> dict[str, Expect]:
    """What the live checks show, as far as the predictions for the senses settle it."""
    shown = {}
    for check, (sense, words) in SAME_AS.items():
        if sense in predicts:
            usual, seldom = (frozenset(word for symbol in part for word in words[symbol]) for part in predicts[sense])
            shown[check] = Expect(usual, seldom - usual)
    if "off" in predicts.get("control_power", _ON).usual:
        shown["thermostat-setting"] = _UNPOWERED  # its display goes out, where batteries do not keep it up
    if "compressor_a" in predicts and "fan_a" in predicts:
        shown["listen"] = _heard(predicts["compressor_a"], predicts["fan_a"])
    return shown


def _heard(compressor: Expect, fan: Expect) -> Expect:
    """A compressor that runs or hums, and a fan that turns, are heard from outside the cabinet."""

    def words(one: frozenset[str], other: frozenset[str]) -> frozenset[str]:
        return frozenset(LISTEN[c != "still", f != "still"] for c in one for f in other)

    usual = words(compressor.usual, fan.usual)
    return Expect(usual, words(compressor.allowed, fan.allowed) - usual)
