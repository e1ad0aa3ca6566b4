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
# A one-pole contactor may feed the crankcase heater past its open pole: two poles would switch that off too.
CONTACTOR = "contactor, {poles}-pole, {amps} A, 24 V coil (same number of poles: one may carry the crankcase heater)"
_CONTACTOR = (CONTACTOR,)
_CAPACITORS = "run capacitors, common sizes and the nameplate's (read the old one's label)"
_TRANSFORMER = "control transformer, multi-tap, 75 VA"
_FUSES = "control fuses, 3 and 5 A automotive blade"
_GAUGES = "manifold gauges"
_RECOVERY = "recovery machine and cylinder, rated for mildly flammable refrigerants"
_LEAKS = "leak detector for mildly flammable refrigerants"
_DRAIN = "wet vacuum or nitrogen for the drain"

LOADS: dict[str, tuple[str, ...]] = {
    "coil-open": _CONTACTOR,
    "coil-shorted": (CONTACTOR, _FUSES),
    "armature-blocked": _CONTACTOR,
    "contacts-not-making": _CONTACTOR,
    "contacts-welded": _CONTACTOR,
    "armature-stuck-in": _CONTACTOR,
    "control-voltage-weak": (_TRANSFORMER, "thermostat cable"),
    "control-fuse": (_FUSES, "thermostat cable"),
    "control-transformer": (_TRANSFORMER, _FUSES),
    "float-switch": ("float switch", _DRAIN),
    "pressure-switch": (_GAUGES, "pressure switch"),
    "low-pressure-cutout": (_GAUGES, _LEAKS, "low-pressure switch"),
    "high-pressure-cutout": (_GAUGES, "garden hose and coil cleaner", "high-pressure switch"),
    "control-wire-open": ("thermostat cable", "wire connectors"),
    "control-wire-shorted": ("thermostat cable", _FUSES),
    "loose-connection": ("spade terminals and crimper", "wire connectors"),
    "line-supply-off": ("disconnect fuses", "disconnect with pull-out"),
    "line-leg-lost": ("disconnect fuses", "disconnect with pull-out", "two-pole breaker"),
    "line-voltage": ("multimeter with min and max hold",),
    "time-delay": ("time-delay relay",),
    "run-capacitor": (_CAPACITORS,),
    "start-device": ("start capacitor and potential relay",),
    "compressor-overload-open": (_CAPACITORS, "contact thermometer"),
    "compressor-locked": (_CAPACITORS, "start capacitor and potential relay"),
    "compressor-winding-open": ("insulation tester",),
    "compressor-grounded": ("insulation tester", _RECOVERY),
    "compressor-not-pumping": (_GAUGES, _RECOVERY),
    "fan-motor": ("condenser fan motor with capacitor", "fan blade puller"),
    "fan-capacitor": (_CAPACITORS,),
    "fan-control": ("fan relay", "defrost board"),
    "condenser-dirty": ("garden hose and coil cleaner", "fin comb"),
    "charge-low": (_GAUGES, _LEAKS, "refrigerant and scales"),
    "charge-high": (_GAUGES, _RECOVERY),
    "metering-device": (_GAUGES, "filter drier", _RECOVERY),
    "non-condensables": (_GAUGES, "vacuum pump and vacuum gauge", _RECOVERY),
    "indoor-airflow": ("air filters", "manometer with probes", "blower capacitor"),
    "thermostat-setting": (),
    "thermostat": ("thermostat", "batteries"),
    "defrost-board": ("defrost board",),
    "indoor-board": ("indoor control board", _FUSES),
    "door-switch": ("door switch",),
    "refrigerant-detector": (_LEAKS, "refrigerant sensor"),
    "load-shed": (),
    "equipment-oversized": (),
    "monitor-sensing": ("spare clamp and sensor board",),
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
        return "contactors, 24 V coil, one-pole and two-pole 40 A (no nameplate on file)"
    return thing.format(poles=unit.contactor_poles, amps=contactor_amps(unit))
