"""(edge) The machine's wall clock, which may not have been set yet."""

from __future__ import annotations

import time

from condenser_monitor.monitor import limits


def wall_clock() -> float | None:
    """Seconds since 1970; None while the machine's clock was plainly never set."""
    wall_s = time.time()
    return wall_s if wall_s >= limits.PUBLISHERS.clock_least.value else None
