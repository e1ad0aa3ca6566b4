"""Makes the links by which an editable install finds the package, where a source distribution has left them out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

ROOMS = ("monitor", "hardware", "web", "sim")


class Links(BuildHookInterface[Any]):
    """Called by hatchling before a wheel is built."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Make .src/condenser_monitor/ROOM -> ROOM."""
        if version != "editable":
            return
        for room in ROOMS:
            link = Path(self.root, ".src", "condenser_monitor", room)
            link.parent.mkdir(parents=True, exist_ok=True)
            if not link.exists():
                link.symlink_to(Path("..", "..", room), target_is_directory=True)
