"""Scan sequences for the tests of the mind: a plain unit's readings, strung together in virtual time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, TypeVar

import msgspec

from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.load_state import EngineMemory, MemoryPart
from condenser_monitor.monitor.core.records import Change, Event, Scan
from condenser_monitor.monitor.engine import Engine

UNIT = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1)
SETTINGS = Settings(unit=UNIT)
ALL = (
    *("call", "control_v", "coil_a", "supply", "load"),
    *("compressor_a", "fan_a", "outdoor_c", "control_power", "thermostat"),
)
Readings = dict[str, Any]
Kept = TypeVar("Kept")

REST: Readings = {
    "call": False,
    "control_v": 0.3,
    "coil_a": 0.0,
    "supply": True,
    "load": False,
    "compressor_a": 0.0,
    "fan_a": 0.0,
    "outdoor_c": 31.0,
    "control_power": True,
    "thermostat": False,
}
RUN: Readings = {
    "call": True,
    "control_v": 25.4,
    "coil_a": 0.26,
    "supply": True,
    "load": True,
    "compressor_a": 9.0,
    "fan_a": 1.0,
    "outdoor_c": 31.0,
    "control_power": True,
    "thermostat": True,
}


def but(base: Readings, **changes: Any) -> Readings:
    """`base` with some readings changed."""
    return base | changes


def scans(*parts: tuple[float, Readings], every_s: float = 1.0, from_s: float = 0.0) -> Iterator[Scan]:
    """Each part's readings for its number of seconds, one scan every `every_s`."""
    step, end_s = 0, 0.0
    for held_s, readings in parts:
        end_s += held_s
        while step * every_s < end_s - 1e-9:
            yield Scan(t_s=round(from_s + step * every_s, 6), **readings)
            step += 1


def events(
    stream: Iterable[Scan], settings: Settings = SETTINGS, fitted: Sequence[str] = ALL, engine: Engine | None = None
) -> list[Event]:
    """All that an engine says about the scans."""
    engine = engine or Engine(settings, fitted=fitted)
    return [event for scan in stream for event in engine.feed(scan)]


def changes(
    *parts: tuple[float, Readings],
    every_s: float = 1.0,
    settings: Settings = SETTINGS,
    fitted: Sequence[str] = ALL,
) -> list[tuple[float, str, str]]:
    """(t_s, change, finding) for each change of a finding."""
    found = events(scans(*parts, every_s=every_s), settings, fitted)
    return [(e.t_s, e.change.value, e.finding) for e in found if isinstance(e, Change)]


def raised(*parts: tuple[float, Readings], **how: Any) -> list[str]:
    """The names of the findings raised, in order."""
    return [name for _, change, name in changes(*parts, **how) if change == "raised"]


def over_a_restart(part: MemoryPart[Kept], value: Kept) -> Kept:
    """What the next process reads of a part of the memory."""
    return part.read(msgspec.json.encode(value), part.version)


def why_refused(part: MemoryPart[Any], body: bytes) -> str:
    """Why the next process has nothing of a part of the memory that was left so."""
    memory = EngineMemory(b'{"version":1,"%b":%b}' % (part.name.encode(), body))
    assert memory.load(part) is None
    return memory.why_refused()
