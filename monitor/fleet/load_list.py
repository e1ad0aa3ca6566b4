"""What to load on the truck for each suspect, with the size that the nameplate asks for. Common practice, no source,
but for the contactor's ratings. Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.limits import CONTACTOR_LRA_A, FLEET

_LOADED = int(FLEET.suspects_loaded.value)
CONTACTOR = "contactor, {poles}-pole, {amps} A, 24 V coil"
_CONTACTOR = (CONTACTOR,)
_CAPACITORS = "run capacitors, common sizes (read the old one's label)"

LOADS: dict[str, tuple[str, ...]] = {
    "coil-open": _CONTACTOR,
    "coil-shorted": (CONTACTOR, "control fuses, 3 A"),
    "armature-blocked": _CONTACTOR,
    "contacts-not-making": _CONTACTOR,
    "contacts-welded": _CONTACTOR,
    "armature-stuck-in": _CONTACTOR,
    "control-voltage-weak": ("control transformer, 24 V, 40 VA", "thermostat cable"),
    "control-fuse": ("control fuses, 3 A", "thermostat cable"),
    "control-transformer": ("control transformer, 24 V, 40 VA", "control fuses, 3 A"),
    "float-switch": ("float switch", "drain cleaning tools"),
    "pressure-switch": ("manifold gauges", "pressure switch"),
    "control-wire-open": ("thermostat cable", "wire connectors"),
    "loose-connection": ("spade terminals and crimper", "wire connectors"),
    "line-supply-off": ("disconnect fuses",),
    "time-delay": ("time-delay relay",),
    "run-capacitor": (_CAPACITORS,),
    "compressor-overload-open": (_CAPACITORS, "contact thermometer"),
    "compressor-locked": (_CAPACITORS, "start kit"),
    "compressor-winding-open": ("megohmmeter",),
    "fan-motor": ("condenser fan motor with capacitor", "fan blade puller"),
    "fan-capacitor": (_CAPACITORS,),
    "condenser-dirty": ("garden hose and coil cleaner", "fin comb"),
    "charge-low": ("manifold gauges", "leak detector", "refrigerant and scales"),
    "charge-high": ("manifold gauges", "recovery machine and cylinder"),
    "thermostat-setting": (),
    "thermostat": ("thermostat", "batteries"),
    "equipment-oversized": (),
    "monitor-sensing": ("spare clamp and sense board",),
}


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
    things = dict.fromkeys(thing for suspect in suspects for thing in LOADS.get(suspect, ()))
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
        return "contactors, 24 V coil, one and two poles (no nameplate on file)"
    return thing.format(poles=unit.contactor_poles, amps=contactor_amps(unit))
