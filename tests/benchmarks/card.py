"""What the monitor writes to the Pi's card: the kernel's count of bytes handed to the disk, for each byte that is kept.

The shipped service over scans of every second in virtual time: calls of a warm afternoon, fifteen minutes on and off,
one fault raised and cleared an hour. The live file lies in memory, as on a Pi. The history's daily backup comes on top:
it writes the file's size once more, at most `backup_mb_day` a day.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.service.run_loop import Service, ServiceWatchdog
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.bus import VirtualClock
from tests.benchmarks.table import Row, cost
from tests.monitor.edge_tools import ReplayBoards
from tests.monitor.units import ALL, REST, RUN, UNIT, but, scans

HOURS = 4
WALL_S = 1_784_000_000.0
MEMORY = Path("/dev/shm")
_DEAF = but(RUN, load=False, compressor_a=0.0, fan_a=0.0, coil_a=0.0)
HOUR = ((840, REST), (60, _DEAF), (900, RUN), (900, REST), (900, RUN))


def handed_to_disk() -> int:
    """Return how many bytes this process has caused to be sent to a disk; memory file systems do not count."""
    counts = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(counts["write_bytes"])


def written(folder: Path, hours: int) -> tuple[int, int]:
    """Return bytes handed to the disk, and bytes by which the history grew, in a life of so many hours."""
    clock = VirtualClock(1000.0)
    wall = lambda: WALL_S + clock()  # noqa: E731 - two lines more would say no more
    with TemporaryDirectory(dir=MEMORY if os.access(MEMORY, os.W_OK) else None) as live:
        keep = config.HistorySettings(file=str(folder / "h.db"), live_dir=live)
        settings = config.Settings(unit=UNIT, senses=config.SensorSettings(fitted=ALL), history=keep)
        history = History(keep.file, owner=True, keep=keep, clock=clock, wall=wall)
        history.close()
        os.sync()
        was, size = handed_to_disk(), (folder / "h.db").stat().st_size
        history = History(keep.file, owner=True, keep=keep, clock=clock, wall=wall, background=lambda work: None)
        stream = list(scans(*HOUR * hours, from_s=1000.0))
        service = Service(
            *(settings, ReplayBoards(stream), history),
            clock=clock,
            sleep=lambda seconds: None,
            wall=wall,
            watchdog=ServiceWatchdog(""),
        )
        try:
            for _ in stream:
                service.step()
                clock.sleep(1.0)
        finally:
            service.close()
        os.sync()
        return handed_to_disk() - was, (folder / "h.db").stat().st_size - size


def wear(folder: Path) -> list[Row]:
    """Megabytes a day, over what the history grows by."""
    if not sys.platform.startswith("linux"):
        return []
    disk, grown = (24.0 / HOURS * size / 1e6 for size in written(folder, HOURS))
    return [cost("written to the card, a warm day", disk, "MB", ("what the history grows by", grown))]
