"""A whole monitor as a process of its own, for test_kill_loop.py: service, real engine, history, broker.

    python -m tests.crash.monitored SITE_FILE BEGAN_S

Its unit lives on the machine's monotonic clock from BEGAN_S on: every 1.2 s a call that pulls nothing in, then
rest. So the world goes on while the program is dead, as a real one does. Ends at SIGTERM, or killed.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Scan, StartTransient
from condenser_monitor.monitor.publishers.broker import BrokerPublisher
from condenser_monitor.monitor.service.run_loop import Service, run_until_signal
from condenser_monitor.monitor.storage.history import History
from tests.monitor.units import REST, RUN, but

PERIOD_S, FAULT_S = 1.2, 0.6
DEAF = but(RUN, load=False, compressor_a=0.0, fan_a=0.0, coil_a=0.0)


class Unit:
    """Boards on a unit that fails and mends itself."""

    def __init__(self, began_s: float) -> None:
        self._began_s, self._started_s = began_s, time.monotonic()

    def scan(self) -> Scan:
        now_s = time.monotonic()
        readings = DEAF if (now_s - self._began_s) % PERIOD_S < FAULT_S else REST
        return Scan(t_s=now_s - self._started_s, **readings)

    def changes(self) -> list[Scan]:
        return []

    def idle(self, seconds: float, stop: Callable[[], bool] = lambda: False) -> None:
        until_s = time.monotonic() + seconds
        while not stop() and (left_s := until_s - time.monotonic()) > 0:
            time.sleep(min(left_s, 0.02))

    def starts(self) -> list[StartTransient]:
        return []

    def faults(self) -> dict[str, str]:
        return {}

    def close(self) -> None:
        pass


def main(site_file: str, began_s: float) -> None:
    """Watch until told to end."""
    settings = config.load(site_file)
    history = History(settings.history.file, owner=True, keep=settings.history)
    run_until_signal(Service(settings, Unit(began_s), history, [BrokerPublisher(settings)]))


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]))
