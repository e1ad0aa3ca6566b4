"""What is normal for this unit, and slow drift from it."""

from __future__ import annotations

from typing import Any

from monitor.config import Settings
from monitor.records import Cycle, StartTransient


class Trends:
    """Learns the unit's own normal. `memory` is what an earlier memory() gave; one that cannot be used is not an error:
    the learning starts fresh and `refused` says why."""

    def __init__(self, settings: Settings, memory: bytes | None = None) -> None:
        self.settings = settings
        self.refused = ""

    def take_minute(
        self,
        *,
        t_s: float,
        wall_s: float | None,
        compressor_a: float | None,
        outdoor_c: float | None,
        control_v: float | None = None,
    ) -> None:
        """The means of one minute of settled run (A RMS, °C, V RMS), while no finding on currents stands."""

    def normal_a(self, outdoor_c: float | None, control_v: float | None = None) -> float | None:
        """What the compressor normally draws at this outdoor temperature, in A RMS; None until learned, and outside
        the temperatures seen."""
        return None

    def take_cycle(self, cycle: Cycle) -> None:
        """One finished cooling cycle: counts, hours, pull-in delay, coil current."""

    def take_start(self, start: StartTransient) -> None:
        """One captured start."""

    def slow_start(self) -> bool | None:
        """Whether the last starts are slow, against this unit's first ones or outright; None: too few captured."""
        return None

    def renew(self, part: str) -> None:
        """A part was replaced or repaired ("compressor", "contactor"): forget what was normal for the old one."""

    def report(self) -> dict[str, Any]:
        """What is normal, drift, days still needed, use and wear: JSON-able, for the page and the contractor."""
        return {}

    def memory(self) -> bytes:
        """What must survive a restart, as JSON."""
        return b"{}"
