"""A publisher as a package of its own: what the monitor tells, as lines of JSON in a file.

Installed beside the monitor, a table in the site file switches it on:

    [plugins.lines]
    file = "/var/lib/condenser-monitor/lines.txt"
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.engine import UnitStatus
from condenser_monitor.monitor.plugins import PublisherPlugin
from condenser_monitor.monitor.publishers.base import EventPublisher
from condenser_monitor.monitor.storage.models import StoredEvent


class LinesSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The table `[plugins.lines]`."""

    file: str = "lines.txt"


class LinesPublisher(EventPublisher):
    """Appends each event; a file that cannot be written is tried again, as whatever `deliver` raises is."""

    name = "lines"

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path

    def deliver(self, kept: StoredEvent, status: UnitStatus | None) -> None:
        """Write one event, whole or not at all. Raises OSError."""
        line = msgspec.json.encode({"id": kept.id, "topic": kept.topic, "event": kept.body})
        with self.path.open("ab") as file:
            file.write(line + b"\n")


def _make(_site: Settings, own: LinesSettings) -> LinesPublisher:
    return LinesPublisher(Path(own.file))


PLUGIN = PublisherPlugin(LinesSettings, _make)
