"""Which findings a set of installed sensors can raise at all: derived from the conditions themselves.

A condition is tried with every combination of what its installed readings can say; a finding that none of them raises
cannot be watched with these sensors, and nothing is promised about it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import product
from typing import Any

from condenser_monitor.monitor.core.bands import draw_bands
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.findings import CONTRADICTIONS, ROWS, Answer, FindingRow
from condenser_monitor.monitor.core.inputs import DebouncedInputs
from condenser_monitor.monitor.core.links import Facts, facts

# What the counters of several cycles need: any one of these sets.
_COUNTED: dict[str, tuple[frozenset[str], ...]] = {
    "contactor-chatter": (frozenset({"call", "load"}), frozenset({"call", "coil_a"}), frozenset({"call", "control_v"})),
    "overload-cycling": (frozenset({"load", "compressor_a"}), frozenset({"fan_a", "compressor_a"})),
    "short-cycling": (frozenset({"compressor_a"}),),
    "run-capacitor-weak": (frozenset({"start_winding_a", "line_v"}),),
    "slow-start": (frozenset({"compressor_a"}),),
    "no-call-in-heat": (frozenset({"call", "outdoor_c"}),),
    **dict.fromkeys(
        ("not-cooling", "low-split", "high-split"),
        (
            frozenset({"compressor_a", "return_air_c", "supply_air_c"}),
            frozenset({"compressor_a", "suction_c", "liquid_c"}),
        ),
    ),
}


def watchable(settings: Settings) -> tuple[str, ...]:
    """Return the names of the findings that the installed sensors can raise, in the catalogue's order."""
    fitted = frozenset(settings.fitted)
    return tuple(row.name for row in ROWS if readings_of(row, settings) and _possible(row, settings, fitted))


def readings_of(row: FindingRow, settings: Settings) -> frozenset[str]:
    """Return the installed readings that the answer to a finding rests on."""
    fitted = frozenset(settings.fitted)
    if row.name == "sensor-silent":
        return fitted
    if row.pattern:
        sets = [needed for needed in _COUNTED.get(row.name, (frozenset(row.evidence),)) if needed <= fitted]
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
    beliefs = [one for name in readings if name in fitted for one in inputs.inputs_of(name)]
    said: list[tuple[Any, ...]] = [
        (None, *draw_bands(settings).names) if one.name == "draw" else (None, *_names(inputs, one.name))
        for one in beliefs
    ]
    for symbols in product(*said):
        for one, symbol in zip(beliefs, symbols, strict=True):
            one.symbol = symbol
        if condition(facts(inputs)):
            return True
    return False


def _names(inputs: DebouncedInputs, belief: str) -> tuple[Any, ...]:
    """What an input can say: its bands, or on and off for a flag."""
    for track in inputs.tracks:
        for one, bands in zip(track.beliefs, track.bands, strict=True):
            if one.name == belief:
                return tuple(bands.names)
    return (False, True)
