"""What is kept of the alerts, in the process and over restarts."""

from __future__ import annotations

from typing import Literal

import msgspec

from condenser_monitor.monitor.alarms.metrics import MetricsMemory
from condenser_monitor.monitor.core.load_state import MemoryPart, load_state
from condenser_monitor.monitor.core.monotonic_time import Saved
from condenser_monitor.monitor.core.records import AlertState, Answer, Severity


class Slot(msgspec.Struct, forbid_unknown_fields=True):
    """The alert of one finding. Times in the timeline's `x`.

    `standing`: the finding stands. `gone_x`: when it was cleared, while the off-delay runs. `owed`: people were told
    the alarm and not yet the all-clear.
    """

    severity: Severity
    summary: str
    state: AlertState = AlertState.NORMAL
    standing: bool = False
    gone_x: float | None = None
    owed: bool = False
    since_x: float = 0.0
    since_wall_s: float | None = None
    suspects: tuple[str, ...] = ()
    acked_by: str | None = None
    shelved_until_x: float | None = None
    note: str = ""

    @property
    def in_alarm(self) -> bool:
        """Standing, or gone for less than the off-delay."""
        return self.standing or self.gone_x is not None

    def tell(self, was: AlertState) -> Literal["no", "alarm", "all-clear"]:
        """What people are to be told of the step from `was` to the state now; keeps the books of what is owed."""
        if self.state is AlertState.UNACKED and was is not AlertState.UNACKED:
            self.owed = True
            return "alarm"
        if self.owed and not self.in_alarm and self.state in (AlertState.NORMAL, AlertState.RETURNED):
            self.owed = False
            return "all-clear"
        return "no"


class DeskMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What survives a restart; times in the timeline's `x`."""

    version: int
    timeline: Saved
    slots: dict[str, Slot]
    service_until_x: float | None
    answers: list[Answer]
    metrics: MetricsMemory


MEMORY_VERSION = 1
ALERTS_MEMORY = MemoryPart("alerts", MEMORY_VERSION, DeskMemory, what="alerts")


def read_memory(memory: bytes | None) -> tuple[DeskMemory | None, str]:
    """The memory, or why it cannot be used."""
    return load_state(memory, DeskMemory, MEMORY_VERSION, what="the memory of the alerts")
