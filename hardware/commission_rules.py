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

from condenser_monitor.hardware.channels import AGAIN, BUILDS, CHANNELS, Channel, Phases
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


def bands(unit: Unit) -> dict[str, Phases]:
    """Return number -> band by phase, from the nameplate."""
    return {name: row.bands(unit) for name, row in CHANNELS.items() if row.bands is not None}


def judge(
    phases: Mapping[str, SensorPicture],
    unit: Unit,
    fitted: Sequence[str],
    faults: Mapping[str, str],
    thermometer_c: float | None = None,
    *,
    build: str = "boards",
) -> list[Remark]:
    """All that is wrong, most telling first; empty where every fitted sense meets every phase's expectation."""
    remarks = list(_missing(phases, fitted, faults))
    remarks += _unsteady(phases)
    remarks += _flags(phases, [name for name in fitted if name in FLAGS])
    remarks += _numbers(phases, bands(unit), BUILDS[build])
    remarks += _warm_and_cold(phases)
    return remarks + list(_thermometer(phases, thermometer_c))


# ---------------------------------------------------------------- missing and unsteady

# part of the boards' own reason -> what to look at
REASONS: tuple[tuple[str, str, str], ...] = (
    ("bias", "bias-missing", "the bias of its converter is not there: look at AIN3, 3.3 V and ground of that board"),
    ("direct voltage", "unplugged", "nothing is plugged into its jack, or its cable is broken"),
    ("of VDD", "unplugged", "the thermistor's lead is open or shorted"),
    ("1-Wire", "unplugged", "no probe answers on the 1-Wire bus: its three wires, its pull-up, config.txt"),
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
    wanted = CHANNELS[expected_of].answers
    return all(value is wanted[phase] for phase, value in _seen(phases, name).items())


def _one_flag(phases: Mapping[str, SensorPicture], name: str) -> Remark:
    row, wanted, seen = CHANNELS[name], CHANNELS[name].answers, _seen(phases, name)
    varied = {wanted[phase] for phase in seen} == {False, True}
    for other, why in row.like.items():
        if len(seen) == len(CHANNELS[other].answers) and _as_expected(phases, name, other):
            text = f"{name} shows what {other} should, in every phase: {why}"
            return Remark(kind="wrong-terminal", senses=(name,), text=text)
    if varied and all(value is not wanted[phase] for phase, value in seen.items()):
        text = f"{name} is reversed: on where it should be off and off where it should be on"
        return Remark(kind="reversed", senses=(name,), text=text)
    if varied and len(set(seen.values())) == 1:
        state = "on" if next(iter(seen.values())) else "off"
        text = f"{name} stays {state} in every phase: {row.stuck[state]}"
        return Remark(kind="never-changes", senses=(name,), text=text)
    where = ", ".join(phase for phase, value in seen.items() if value is not wanted[phase])
    return Remark(kind="unexpected", senses=(name,), text=f"{name} is not as it should be while {where}: {AGAIN}")


# ---------------------------------------------------------------- numbers

Bands = Mapping[str, Phases]


def _numbers(phases: Mapping[str, SensorPicture], table: Bands, rows: Mapping[str, Channel]) -> Iterator[Remark]:
    wrong = [name for name in table if _seen(phases, name) and not _fits(phases, table, name, name, 1.0)]
    explained: set[str] = set()
    for one, other in combinations([name for name in wrong if rows[name].passes], 2):
        what = None if {one, other} & explained else _exchanged(phases, table, rows[one], rows[other])
        if what:
            explained |= {one, other}
            yield Remark(kind="exchanged", senses=(one, other), text=what)
    for name in wrong:
        if name not in explained:
            yield _passes(phases, table, rows[name]) or _one_number(phases, table, name)


def _fits(phases: Mapping[str, SensorPicture], table: Bands, name: str, as_if: str, times: float) -> bool:
    """What `name` reads, so many times over, is what `as_if` should, in every phase."""
    for phase, value in _seen(phases, name).items():
        low, high = table[as_if][phase]
        if value is None or not low <= value * times <= high:
            return False
    return True


def _exchanged(phases: Mapping[str, SensorPicture], table: Bands, first: Channel, second: Channel) -> str | None:
    """Two transformers on each other's leads, or plugged into each other's jacks. What goes with a transformer to
    another jack is its passes, and its own scale where its burden is inside."""
    one, other = first.reading, second.reading
    if _fits(phases, table, one, other, 1.0) and _fits(phases, table, other, one, 1.0):
        return f"{one} and {other} are exchanged: each transformer sits on the other's lead"
    there = (first.scale or 1.0) / (second.scale or 1.0) if first.burden_inside else first.passes / second.passes
    if _fits(phases, table, one, other, there) and _fits(phases, table, other, one, 1 / there):
        return f"{one} and {other} are exchanged: each transformer is plugged into the other's jack"
    return None


def _passes(phases: Mapping[str, SensorPicture], table: Bands, row: Channel) -> Remark | None:
    """A lead that goes through its transformer too seldom or too often."""
    name, meant = row.reading, row.passes
    if not meant or "running" not in _seen(phases, name):
        return None
    likely = [times for times in range(1, 6) if times != meant and _fits(phases, table, name, name, meant / times)]
    if not likely:
        return None
    times_said = " or ".join("once" if times == 1 else f"{times} times" for times in likely)
    or_else = row.or_else.get(likely[0] < meant, "")
    other = "the transformer's rated amps" if row.burden_inside else "the board's burden"
    text = (
        f"{name} reads as if its lead went {times_said} through the transformer instead of {meant}: count the"
        f" passes, all wound the same way round, and check {other}{or_else}"
    )
    return Remark(kind="passes", senses=(name,), text=text)


def _one_number(phases: Mapping[str, SensorPicture], table: Bands, name: str) -> Remark:
    unit = READINGS[name].unit
    for phase, value in _seen(phases, name).items():
        low, high = table[name][phase]
        if value is None or low <= value <= high:
            continue
        side = "high" if value > high else "nothing" if value < limits.COMMISSION.nothing.value * low else "low"
        wrong = CHANNELS[name].wrong
        kind, why = wrong.get((phase, side)) or wrong[phase, "low"]
        why += _in_the_cold(phases, name, side)
        text = f"{name} is {value:.3g} {unit} while {phase}, expected {low:.3g} to {high:.3g} {unit}: {why}"
        return Remark(kind=kind, senses=(name,), text=text)
    raise AssertionError(name)  # only senses that miss a band come here


def _in_the_cold(phases: Mapping[str, SensorPicture], name: str, side: str) -> str:
    outdoor_c = _seen(phases, "outdoor_c").get("running")
    if name != "compressor_a" or side != "low" or outdoor_c is None or outdoor_c >= limits.COMMISSION.cold_c.value:
        return ""
    return f"; or it is the cold ({outdoor_c:.0f} C), in which a sound one draws less: walk again on a warmer day"


# The probe that must be the warmer one in a run, the colder one, by how much, and what each pair lies on.
PAIRS: tuple[tuple[str, str, limits.Limit, str], ...] = (
    ("liquid_c", "suction_c", limits.COMMISSION.pipes_apart_k, "pipe"),
    ("return_air_c", "supply_air_c", limits.COMMISSION.air_apart_k, "duct"),
)


def _warm_and_cold(phases: Mapping[str, SensorPicture]) -> Iterator[Remark]:
    """Probes of which one is warm and one cold in a run: each on the other's place, or both on one."""
    for warm, cold, least_k, place in PAIRS:
        seen = [_seen(phases, name).get("running") for name in (warm, cold)]
        if seen[0] is None or seen[1] is None:
            continue
        apart_k = float(seen[0]) - float(seen[1])
        if apart_k <= -least_k.value:
            text = f"{warm} and {cold} are exchanged: in a run the colder one lies on {warm}'s {place}"
            yield Remark(kind="exchanged", senses=(warm, cold), text=text)
        elif apart_k < least_k.value:
            text = (
                f"{warm} and {cold} are only {abs(apart_k):.1f} K apart in a run, expected {least_k.value:g} K or more:"
                f" both probes on one {place}, one hangs in the air, or the unit does not cool"
            )
            yield Remark(kind="wrong-value", senses=(warm, cold), text=text)


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
