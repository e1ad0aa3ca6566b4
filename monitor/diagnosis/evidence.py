"""From a finding's evidence, or single numbers, back to the symbols that suspects are predicted by."""

from __future__ import annotations

from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.readings import FLAGS, READINGS, word
from condenser_monitor.monitor.core.records import Evidence


def seen_from(evidence: Evidence, unit: Unit) -> dict[str, str]:
    """Return a finding's readings as symbols, without one that lies between two bands, and all that is no reading."""
    seen: dict[str, str] = {}
    for name, value in evidence.items():
        if name in FLAGS and isinstance(value, bool):
            seen[name] = "on" if value else "off"
        elif name in READINGS and isinstance(value, int | float) and not isinstance(value, bool):
            symbol = _symbol(name, float(value), unit)
            if symbol is not None:
                seen[name] = symbol
    return seen


def numbers_of(evidence: Evidence) -> dict[str, float]:
    """Return a finding's readings that are numbers, as they were."""
    return {
        name: float(value)
        for name, value in evidence.items()
        if name in READINGS and isinstance(value, int | float) and not isinstance(value, bool)
    }


def _symbol(name: str, value: float, unit: Unit) -> str | None:
    """The word of a number that is the same whatever it was before."""
    inputs = READINGS[name].inputs
    if inputs is None:
        return None
    tables = inputs(Settings(unit=unit))
    words = set()
    for was in range(max(len(bands.names) for bands in tables.values())):
        placed = {key: bands.names[bands.place(value, min(was, len(bands.names) - 1))] for key, bands in tables.items()}
        words.add(word(name, placed))
    return words.pop() if len(words) == 1 else None
