"""The alarm life: how a finding becomes something people are told, and stops being it (ISA-18.2 / IEC 62682)."""

from __future__ import annotations

from typing import Any

from monitor.config import Settings
from monitor.records import Alert, AlertChange, Answer, Change, Request


class AlertDesk:
    """Follows the alert of every finding. `memory` is what an earlier desk's memory() gave; one that cannot be used is
    not an error: the desk starts fresh and says why in `refused`."""

    def __init__(self, settings: Settings, memory: bytes | None = None) -> None:
        self.settings = settings
        self.refused = ""

    def take(self, change: Change) -> list[AlertChange]:
        """One change of a finding, in order of time. Timers due before it run first, timers due at its very moment do
        not: call tick() after the changes of a scan."""
        return []

    def request(self, request: Request, now_s: float, wall_s: float | None) -> tuple[Answer, list[AlertChange]]:
        """A person's wish. Never raises: what cannot be done is answered with the reason; a repeated id is harmless."""
        return Answer(id=request.id, done=False, why="not ready"), []

    def tick(self, now_s: float, wall_s: float | None) -> list[AlertChange]:
        """Time has passed: off-delays, shelvings and service mode that end at or before `now_s` end."""
        return []

    def next_deadline(self) -> float | None:
        """When tick() next has something to do, in `t_s`; None: nothing is waiting."""
        return None

    def alerts(self) -> tuple[Alert, ...]:
        """The alerts that are not normal, in the catalogue's order."""
        return ()

    def metrics(self, wall_s: float | None) -> dict[str, Any]:
        """Figures of the alarm system over the last 30 days, JSON-able."""
        return {}

    @property
    def service_until_wall_s(self) -> float | None:
        """When service mode ends, for people; None when not in service mode or the wall clock is not known."""
        return None

    @property
    def in_service(self) -> bool:
        """True while service mode lasts, whether or not the wall clock is known."""
        return False

    def memory(self) -> bytes:
        """What must survive a restart, as JSON."""
        return b"{}"
