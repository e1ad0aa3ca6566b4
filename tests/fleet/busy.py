"""Processor time and memory of processes, from /proc (proc(5))."""

from __future__ import annotations

import os
from pathlib import Path

_TICKS_PER_S = os.sysconf("SC_CLK_TCK")


class Busy:
    """A process and its children: what they have used, those included that have ended and been waited for."""

    def __init__(self, pid: int | None) -> None:
        self._pid = pid or 0

    def cpu_s(self) -> float:
        """Seconds of processor time so far."""
        ticks = 0
        for place in Path("/proc").glob("[0-9]*"):
            fields = _fields(int(place.name))
            if int(place.name) == self._pid and fields:
                ticks += sum(map(int, fields[11:15]))  # utime, stime, cutime, cstime
            elif len(fields) > 13 and int(fields[1]) == self._pid:
                ticks += sum(map(int, fields[11:13]))
        return ticks / _TICKS_PER_S


def _fields(pid: int) -> list[str]:
    """The fields of /proc/PID/stat from the third on; none where the process has gone."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return []


def rss(pid: int) -> int:
    """Resident memory, bytes; 0 where the process has gone."""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except (OSError, IndexError):
        return 0
    return pages * os.sysconf("SC_PAGE_SIZE")
