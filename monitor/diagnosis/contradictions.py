"""Readings that cannot both be true: of two checks, or of a check and what the monitor senses."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple


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
        "running-amps | none low normal | draw | high",
        "running-amps | normal high overload locked | draw | low",
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
        "leg-to-ground | both | supply | off",
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
