"""Replaying a recording through the very engine that runs live (contract, section 4)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.records import Event, StartTransient
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.recording.csv_file import Reader


def fitted_for(settings: Settings, reader: Reader) -> tuple[str, ...]:
    """The senses to judge by: what the site file says is fitted, else the columns of the recording."""
    return reader.columns if settings.senses.fitted is None else settings.fitted


class Replay:
    """One recording on its way through an engine; iterate for the events. `reader` and `engine` tell the rest."""

    def __init__(self, path: str | Path, settings: Settings, *, strict: bool = False) -> None:
        self.reader = Reader(path, strict=strict)
        self.engine = Engine(settings, fitted=fitted_for(settings, self.reader))

    def __iter__(self) -> Iterator[Event]:
        feed, feed_start = self.engine.feed, self.engine.feed_start
        for item in self.reader:
            events = feed_start(item) if isinstance(item, StartTransient) else feed(item)
            if events:
                yield from events
