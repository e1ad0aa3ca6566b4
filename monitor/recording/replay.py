"""Replaying a recording through the very engine that runs live (contract.md, replay)."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf
from pathlib import Path

import msgspec

from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.records import Event, Scan
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.recording.csv_file import Reader


def fitted_for(settings: Settings, reader: Reader) -> tuple[str, ...]:
    """The senses to judge by: what the site file says is fitted, else the columns of the recording."""
    return reader.columns if settings.senses.fitted is None else settings.fitted


class Replay:
    """One recording on its way through an engine; iterate for the events. `reader` and `engine` tell the rest. Columns
    of senses that the site has not fitted are missing, whatever they hold."""

    def __init__(self, path: str | Path, settings: Settings, *, strict: bool = False) -> None:
        self.reader = Reader(path, strict=strict)
        fitted = fitted_for(settings, self.reader)
        self.engine = Engine(settings, fitted=fitted)
        self._unfitted: dict[str, None] = dict.fromkeys(name for name in self.reader.columns if name not in fitted)

    def __iter__(self) -> Iterator[Event]:
        engine, unfitted = self.engine, self._unfitted
        hear = engine.hear
        due_s = _or_never(engine.alarm_deadline())
        for item in self.reader:
            masked = unfitted and isinstance(item, Scan)
            events = hear(msgspec.structs.replace(item, **unfitted) if masked else item)
            if events:
                yield from events
                due_s = _or_never(engine.alarm_deadline())
            if item.t_s >= due_s:  # what is due by time alone, such as an all-clear, after the changes of the scan
                yield from engine.tick(item.t_s, item.wall_s if isinstance(item, Scan) else None)
                due_s = _or_never(engine.alarm_deadline())


def _or_never(deadline_s: float | None) -> float:
    return inf if deadline_s is None else deadline_s
