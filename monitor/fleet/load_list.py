"""What to load on the truck, from the rows of the suspects, with the size that the nameplate asks for. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.diagnosis.suspects import CONTACTOR, SUSPECTS
from condenser_monitor.monitor.limits import CONTACTOR_LRA_A, FLEET

_LOADED = int(FLEET.suspects_loaded.value)


def contactor_amps(unit: Unit) -> int:
    """The smallest usual rating that carries the unit's currents: full load, and locked rotor at 240 V. The largest
    one when none does: the nameplate decides on the spot."""
    full_load_a = unit.compressor_rla_a + unit.fan_fla_a
    fit = [amps for amps, lra in CONTACTOR_LRA_A.items() if amps >= full_load_a and lra.value >= unit.compressor_lra_a]
    return min(fit, default=max(CONTACTOR_LRA_A))


def likely_part(suspects: Sequence[str]) -> str:
    """The part of the first suspect; empty when there is none."""
    return SUSPECTS[suspects[0]].part if suspects and suspects[0] in SUSPECTS else ""


def load(suspects: Iterable[str], unit: Unit | None) -> tuple[str, ...]:
    """What to take for these suspects, the likeliest first, each thing once. Without a nameplate no size is named."""
    things = dict.fromkeys(
        thing for suspect in suspects for thing in (SUSPECTS[suspect].load if suspect in SUSPECTS else ())
    )
    return tuple(_sized(thing, unit) for thing in things)


def loads(suspects: Sequence[str], unit: Unit | None) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What to load for the likeliest suspects, and what besides if it is none of these."""
    first = load(suspects[:_LOADED], unit)
    return first, tuple(thing for thing in load(suspects, unit) if thing not in first)


def truck(loads: Iterable[Sequence[str]]) -> list[tuple[str, int]]:
    """All visits of a day together: each thing with the number of visits that want it, the most wanted first."""
    count = Counter(thing for things in loads for thing in things)
    return sorted(count.items(), key=lambda item: (-item[1], item[0]))


def _sized(thing: str, unit: Unit | None) -> str:
    if thing != CONTACTOR:
        return thing
    if unit is None:
        return "contactors, 24 V coil, one-pole and two-pole 40 A (no nameplate on file)"
    return thing.format(poles=unit.contactor_poles, amps=contactor_amps(unit))
