"""What a walk through the senses shows to be wrong, in plain words.

For each phase and sense there is one expectation: an answer, or a band of numbers made from the nameplate. Senses that
do not meet theirs are explained by the first rule that fits all phases at once: two of them exchanged, one reversed,
one that never moves, a wrong number of passes through a transformer; else by the first phase that does not fit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import NamedTuple

import msgspec

from condenser_monitor.hardware.circuits import values
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.readings import FLAGS, READINGS

Value = float | bool | None


class SensorPicture(NamedTuple):
    """One phase as a whole: reading -> value (None: missing), and the flags that gave no steady answer."""

    values: dict[str, Value]
    unsteady: tuple[str, ...] = ()


class Remark(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that is wrong. `kind` is a stable name, `senses` are those concerned, `text` says it to people."""

    kind: str
    senses: tuple[str, ...]
    text: str


Band = tuple[float, float]

# flag -> its answer by phase
FLAG_EXPECTED: dict[str, dict[str, bool]] = {
    "call": {"off": False, "called": True, "running": True},
    "supply": {"off": True, "called": False, "running": True},
    "load": {"off": False, "called": False, "running": True},
    "control_power": {"off": True, "called": True, "running": True},
    "thermostat": {"off": False, "called": True, "running": True},
}


def bands(unit: Unit) -> dict[str, dict[str, Band]]:
    """number -> band by phase, from the nameplate."""
    rla, fla = unit.compressor_rla_a, unit.fan_fla_a
    control = (limits.CONTROL_NOMINAL_V.value * limits.CLOSING_RATIO.value, limits.CONTROL_HIGH_V.value)
    coil = (limits.COIL_NONE_A.value, limits.COIL_UNSEALED_A.value)
    still = (0.0, limits.COMMISSION.still_a.value)
    return {
        "control_v": {"off": (0.0, limits.CONTROL_GHOST_V.value), "called": control, "running": control},
        "coil_a": {"off": (0.0, coil[0]), "called": coil, "running": coil},
        "compressor_a": {
            "off": (0.0, max(limits.TRICKLE_A.value, still[1])),
            "called": still,
            "running": (limits.COMMISSION.compressor_low.value * rla, limits.COMMISSION.compressor_high.value * rla),
        },
        "fan_a": {
            "off": still,
            "called": still,
            "running": (limits.COMMISSION.fan_low.value * fla, limits.COMMISSION.fan_high.value * fla),
        },
    }


def judge(
    phases: Mapping[str, SensorPicture],
    unit: Unit,
    fitted: Sequence[str],
    faults: Mapping[str, str],
    thermometer_c: float | None = None,
) -> list[Remark]:
    """All that is wrong, most telling first; empty where every fitted sense meets every phase's expectation."""
    remarks = list(_missing(phases, fitted, faults))
    remarks += _unsteady(phases)
    remarks += _flags(phases, [name for name in fitted if name in FLAGS])
    remarks += _numbers(phases, bands(unit))
    return remarks + list(_thermometer(phases, thermometer_c))


# ---------------------------------------------------------------- missing and unsteady

# part of the boards' own reason -> what to look at
REASONS: tuple[tuple[str, str, str], ...] = (
    ("bias", "bias-missing", "the bias of its converter is not there: look at AIN3, 3.3 V and ground of that board"),
    ("direct voltage", "unplugged", "nothing is plugged into its jack, or its cable is broken"),
    ("of VDD", "unplugged", "the thermistor's lead is open or shorted"),
    ("beyond", "clipped", "the signal is larger than the converter can take: wrong burden, or too many passes"),
    ("answers at this address", "chip-silent", "its converter does not answer: ribbon, power and address of the board"),
    ("a faster I2C bus", "bus-slow", "the I2C bus is too slow: set it to 400 kHz in config.txt, then restart the Pi"),
    ("no end of a conversion", "chip-silent", "its converter hangs: switch the board's supply off and on"),
)


def _missing(phases: Mapping[str, SensorPicture], fitted: Sequence[str], faults: Mapping[str, str]) -> Iterator[Remark]:
    """What could not be read, by reason: one converter's trouble is one remark."""
    silent: dict[tuple[str, str], list[str]] = {}
    for name in fitted:
        where = [phase for phase, seen in phases.items() if name in seen.values and seen.values[name] is None]
        if where:
            silent.setdefault((faults.get(name, "no reason is known"), ", ".join(where)), []).append(name)
    for (reason, where_said), names in silent.items():
        found = ((kind, advice) for part, kind, advice in REASONS if part in reason)
        kind, advice = next(found, ("missing", "see the reason"))
        text = f"{', '.join(names)} cannot be read ({where_said}): {advice}. The board says: {reason}"
        yield Remark(kind=kind, senses=tuple(names), text=text)


def _unsteady(phases: Mapping[str, SensorPicture]) -> Iterator[Remark]:
    for phase, seen in phases.items():
        for name in seen.unsteady:
            text = f"{name} flickers while {phase}: a loose terminal, or the phase was not yet steady"
            yield Remark(kind="unsteady", senses=(name,), text=text)


# ---------------------------------------------------------------- flags


def _seen(phases: Mapping[str, SensorPicture], name: str) -> dict[str, Value]:
    return {phase: seen.values[name] for phase, seen in phases.items() if seen.values.get(name) is not None}


def _flags(phases: Mapping[str, SensorPicture], flags: Sequence[str]) -> Iterator[Remark]:
    wrong = [name for name in flags if not _as_expected(phases, name, name)]
    explained: set[str] = set()
    for one, other in combinations(wrong, 2):
        if not {one, other} & explained and _as_expected(phases, one, other) and _as_expected(phases, other, one):
            explained |= {one, other}
            text = f"{one} and {other} are exchanged: each shows what the other should, in every phase"
            yield Remark(kind="exchanged", senses=(one, other), text=text)
    for name in wrong:
        if name not in explained:
            yield _one_flag(phases, name)


def _as_expected(phases: Mapping[str, SensorPicture], name: str, expected_of: str) -> bool:
    wanted = FLAG_EXPECTED[expected_of]
    return all(value is wanted[phase] for phase, value in _seen(phases, name).items())


def _one_flag(phases: Mapping[str, SensorPicture], name: str) -> Remark:
    wanted, seen = FLAG_EXPECTED[name], _seen(phases, name)
    varied = {wanted[phase] for phase in seen} == {False, True}
    for other, why in FLAG_LIKE.get(name, {}).items():
        if len(seen) == len(FLAG_EXPECTED[other]) and _as_expected(phases, name, other):
            text = f"{name} shows what {other} should, in every phase: {why}"
            return Remark(kind="wrong-terminal", senses=(name,), text=text)
    if varied and all(value is not wanted[phase] for phase, value in seen.items()):
        text = f"{name} is reversed: on where it should be off and off where it should be on"
        return Remark(kind="reversed", senses=(name,), text=text)
    if varied and len(set(seen.values())) == 1:
        state = "on" if next(iter(seen.values())) else "off"
        text = f"{name} stays {state} in every phase: {FLAG_STUCK[name][state]}"
        return Remark(kind="never-changes", senses=(name,), text=text)
    where = ", ".join(phase for phase, value in seen.items() if value is not wanted[phase])
    return Remark(kind="unexpected", senses=(name,), text=f"{name} is not as it should be while {where}: {_AGAIN}")


# flag -> the other one whose answers it gives in all phases -> where it then is
FLAG_LIKE: dict[str, dict[str, str]] = {
    "load": {
        "supply": "it taps the line side, or goes to ground from the leg that a one-pole contactor never opens;"
        " it belongs between T1 and T2"
    },
    "supply": {"load": "it taps the load side; it belongs ahead of the contactor, between L1 and L2"},
}
_AGAIN = "was the phase as asked for? If so, follow its wire from the terminal to the board"
_DEAD = "its taps, their fuses, or the wire to its pin"
FLAG_STUCK: dict[str, dict[str, str]] = {
    "call": {"on": "it taps R instead of Y, or the thermostat never stopped calling", "off": _DEAD},
    "supply": {"on": "it does not lie behind the disconnect, or that was not pulled", "off": _DEAD},
    "load": {
        "on": "it taps the line side, or goes from a leg that a one-pole contactor never opens to ground",
        "off": f"{_DEAD}; both taps on one leg read nothing: it goes from T1 to T2",
    },
    "control_power": {"on": _AGAIN, "off": f"{_DEAD}, or the control fuse indoors"},
    "thermostat": {"on": "it taps R instead of Y", "off": _DEAD},
}

# ---------------------------------------------------------------- numbers

Bands = Mapping[str, Mapping[str, Band]]
# (reading, whether it reads low) -> what else reads like too few or too many passes
OR_ELSE: dict[tuple[str, bool], str] = {
    ("fan_a", True): "; if they are right, it sits on the lead to the fan's capacitor",
    ("compressor_a", False): "; if they are right, other leads go through as well",
}
PASSES = {name: sense.passes for name, sense in values.CURRENT_SENSES.items()}


def _numbers(phases: Mapping[str, SensorPicture], table: Bands) -> Iterator[Remark]:
    wrong = [name for name in table if _seen(phases, name) and not _fits(phases, table, name, name, 1.0)]
    explained: set[str] = set()
    for one, other in combinations([name for name in wrong if name in PASSES], 2):
        what = None if {one, other} & explained else _exchanged(phases, table, one, other)
        if what:
            explained |= {one, other}
            yield Remark(kind="exchanged", senses=(one, other), text=what)
    for name in wrong:
        if name not in explained:
            yield _passes(phases, table, name) or _one_number(phases, table, name)


def _fits(phases: Mapping[str, SensorPicture], table: Bands, name: str, as_if: str, times: float) -> bool:
    """What `name` reads, so many times over, is what `as_if` should, in every phase."""
    for phase, value in _seen(phases, name).items():
        low, high = table[as_if][phase]
        if value is None or not low <= value * times <= high:
            return False
    return True


def _exchanged(phases: Mapping[str, SensorPicture], table: Bands, one: str, other: str) -> str | None:
    """Two transformers on each other's leads, or plugged into each other's jacks, whose passes differ."""
    if _fits(phases, table, one, other, 1.0) and _fits(phases, table, other, one, 1.0):
        return f"{one} and {other} are exchanged: each transformer sits on the other's lead"
    there, back = PASSES[one] / PASSES[other], PASSES[other] / PASSES[one]
    if _fits(phases, table, one, other, there) and _fits(phases, table, other, one, back):
        return f"{one} and {other} are exchanged: each transformer is plugged into the other's jack"
    return None


def _passes(phases: Mapping[str, SensorPicture], table: Bands, name: str) -> Remark | None:
    """A lead that goes through its transformer too seldom or too often."""
    if name not in PASSES or "running" not in _seen(phases, name):
        return None
    meant = PASSES[name]
    likely = [times for times in range(1, 6) if times != meant and _fits(phases, table, name, name, meant / times)]
    if not likely:
        return None
    times_said = " or ".join("once" if times == 1 else f"{times} times" for times in likely)
    text = (
        f"{name} reads as if its lead went {times_said} through the transformer instead of {meant}: count the"
        f" passes, all wound the same way round, and the board's burden{OR_ELSE.get((name, likely[0] < meant), '')}"
    )
    return Remark(kind="passes", senses=(name,), text=text)


def _one_number(phases: Mapping[str, SensorPicture], table: Bands, name: str) -> Remark:
    unit = READINGS[name].unit
    for phase, value in _seen(phases, name).items():
        low, high = table[name][phase]
        if value is None or low <= value <= high:
            continue
        side = "high" if value > high else "nothing" if value < limits.COMMISSION.nothing.value * low else "low"
        kind, why = NUMBER_WRONG.get((name, phase, side)) or NUMBER_WRONG[name, phase, "low"]
        why += _in_the_cold(phases, name, side)
        text = f"{name} is {value:.3g} {unit} while {phase}, expected {low:.3g} to {high:.3g} {unit}: {why}"
        return Remark(kind=kind, senses=(name,), text=text)
    raise AssertionError(name)  # only senses that miss a band come here


def _in_the_cold(phases: Mapping[str, SensorPicture], name: str, side: str) -> str:
    outdoor_c = _seen(phases, "outdoor_c").get("running")
    if name != "compressor_a" or side != "low" or outdoor_c is None or outdoor_c >= limits.COMMISSION.cold_c.value:
        return ""
    return f"; or it is the cold ({outdoor_c:.0f} C), in which a sound one draws less: walk again on a warmer day"


_START_LEAD = (
    "wrong-conductor",
    "the leads of the start winding and the capacitor carry about this much; it belongs on the common lead",
)
_CANCEL = (
    "wrong-conductor",
    "its lead carries nothing: a wrong conductor, or both of a pair through one transformer, where they cancel",
)
_NOT_OFF = (
    "wrong-conductor",
    "with the disconnect pulled no lead of this unit can carry current: another unit's lead, or the disconnect is in",
)
NUMBER_WRONG: dict[tuple[str, str, str], tuple[str, str]] = {
    ("control_v", "off", "high"): ("wrong-terminal", "it taps R instead of Y, or the thermostat still calls"),
    ("control_v", "called", "low"): (
        "wrong-terminal",
        "no full 24 V at its terminals: taps, their fuses, or a real fault",
    ),
    ("control_v", "called", "high"): ("wrong-value", "more than a class 2 transformer gives: calibrate, or the burden"),
    ("control_v", "running", "low"): (
        "wrong-value",
        "it sags when the coil pulls: a real fault, or a tap behind a splice",
    ),
    ("control_v", "running", "high"): (
        "wrong-value",
        "more than a class 2 transformer gives: calibrate, or the burden",
    ),
    ("coil_a", "off", "high"): ("wrong-conductor", "its lead carries current without a call: it is not the coil's"),
    ("coil_a", "called", "low"): ("wrong-conductor", "its lead is not the coil's, or the contactor did not pull in"),
    ("coil_a", "called", "high"): (
        "wrong-conductor",
        "more than a coil holds with: other loads on the lead, or it buzzes",
    ),
    ("coil_a", "running", "low"): _CANCEL,
    ("coil_a", "running", "high"): ("wrong-conductor", "more than a coil holds with: a second conductor goes through"),
    ("compressor_a", "off", "high"): (
        "wrong-conductor",
        "current without a call: its lead feeds something else as well",
    ),
    ("compressor_a", "called", "high"): _NOT_OFF,
    ("compressor_a", "running", "nothing"): _CANCEL,
    ("compressor_a", "running", "low"): _START_LEAD,
    ("compressor_a", "running", "high"): (
        "wrong-conductor",
        "more than the nameplate: another lead goes through too, the nameplate is typed wrong, or it is real",
    ),
    ("fan_a", "off", "high"): ("wrong-conductor", "current without a call: its lead is not the fan's"),
    ("fan_a", "called", "high"): _NOT_OFF,
    ("fan_a", "running", "nothing"): _CANCEL,
    ("fan_a", "running", "low"): (
        "wrong-conductor",
        "less than a fan motor runs with: it belongs on the lead to the contactor, not on the capacitor's",
    ),
    ("fan_a", "running", "high"): ("wrong-conductor", "more than the nameplate: another lead goes through as well"),
}


def _thermometer(phases: Mapping[str, SensorPicture], thermometer_c: float | None) -> Iterator[Remark]:
    seen = [float(value) for value in _seen(phases, "outdoor_c").values() if value is not None]
    if not seen or thermometer_c is None:
        return
    apart = seen[-1] - thermometer_c
    if abs(apart) > limits.COMMISSION.apart_k.value:
        text = (
            f"outdoor_c is {abs(apart):.1f} K {'above' if apart > 0 else 'below'} the thermometer: sun or warm air on"
            " the sensor, or not a 10 kohm thermistor of the usual curve"
        )
        yield Remark(kind="wrong-value", senses=("outdoor_c",), text=text)
