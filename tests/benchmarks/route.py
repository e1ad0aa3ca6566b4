"""The way of a scan to a broker message: our files and functions on it. `python -m tests.benchmarks.route`.

A monitor with its history and its broker publisher runs against a private broker; from the scan that raises a finding
until the subscriber has the message, each function of ours that is called is noted, in all threads. By then it is
connected and has said how the unit stands: making a connection and the first readings are no part of the way.
"""

from __future__ import annotations

import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from types import CodeType, FrameType
from typing import Any

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.monitor.publishers.broker import BrokerPublisher
from condenser_monitor.monitor.publishers.messages import topic
from condenser_monitor.monitor.service.run_loop import Service, ServiceWatchdog
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker
from tests.benchmarks.live import DEAF, REST, UNIT, Ear
from tests.monitor.edge_tools import WALL_S, ReplayBoards

ROOT = Path(__file__).resolve().parents[2]
OURS = tuple(str(ROOT / folder) for folder in ("monitor", "hardware"))


class Route:
    """Notes the functions of ours that are called while `noting`."""

    def __init__(self) -> None:
        self.codes: set[CodeType] = set()
        self.noting = False

    def profile(self, frame: FrameType, event: str, _: Any) -> None:
        """Be told by the interpreter of each call."""
        if self.noting and event == "call":
            self.codes.add(frame.f_code)

    @property
    def functions(self) -> Counter[str]:
        """File -> number of its functions on the way; comprehensions and generators count with what holds them."""
        found: Counter[str] = Counter()
        for code in self.codes:
            path = str(Path(code.co_filename).resolve())
            if path.startswith(OURS) and not code.co_name.startswith("<"):
                found[str(Path(path).relative_to(ROOT))] += 1
        return found


@contextmanager
def _profiled(route: Route) -> Iterator[None]:
    threading.setprofile(route.profile)
    sys.setprofile(route.profile)
    try:
        yield
    finally:
        sys.setprofile(None)
        threading.setprofile(None)


def measured(folder: Path) -> Counter[str]:
    """Return file -> functions, from the scan that raises a finding to the message at a subscriber."""
    route = Route()
    with PrivateBroker() as broker, _profiled(route):
        keep = config.HistorySettings(file=str(folder / "a.db"), live_dir=str(folder / "live"))
        mqtt = config.Mqtt(host="127.0.0.1", port=broker.port)
        settings = config.Settings(unit=UNIT, history=keep, mqtt=mqtt)
        history = History(keep.file, owner=True, keep=keep)
        pending: list[Scan] = []
        boards = ReplayBoards(iter(pending.pop, None))
        service = Service(settings, boards, history, [BrokerPublisher(settings)], watchdog=ServiceWatchdog(""))
        ear, first = (Ear(broker.port, topic(settings.site.id, channel)) for channel in ("events", "readings"))
        for second in range(60):
            pending.append(_scan(second, REST))
            service.step()
        first.wait()
        _until_told(service, pending, route, lambda: len(history.latest_events(100)))
        ear.wait()
        route.noting = False
        service.close()
        ear.close()
        first.close()
    return route.functions


def _scan(second: int, readings: Mapping[str, Any]) -> Scan:
    """As the boards give it: with the time of day. With the one that raises a stretch of readings ends, as with one in
    ten."""
    return Scan(t_s=float(second), wall_s=WALL_S + second, **readings)


def _until_told(service: Service, pending: list[Scan], route: Route, events: Callable[[], int]) -> None:
    """Let a unit fail to pull in until a finding comes; only the scan that raises it is noted."""
    for second in range(60, 200):
        pending.append(_scan(second, DEAF))
        route.codes.clear()
        route.noting = True
        service.step()
        sys.setprofile(None)  # whether a finding has come is our question: no part of the way
        told = events()
        sys.setprofile(route.profile)
        if told:
            return
        route.noting = False
    raise AssertionError("no finding was raised")


def main() -> None:
    """Print the files of the way with their functions, and the sums."""
    with TemporaryDirectory(prefix="route") as folder:
        found = measured(Path(folder))
    for path, count in sorted(found.items()):
        print(f"{count:4d}  {path}")
    print(f"{found.total()} functions in {len(found)} files")


if __name__ == "__main__":
    main()
