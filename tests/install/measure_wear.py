#!/usr/bin/env python3
"""How much the monitor writes to its card: lives through hours of a unit's life in virtual time and counts bytes.

    python tests/install/measure_wear.py DIRECTORY [--hours 24]

The real service, engine and history run on made-up scans: twenty minutes on, ten off, currents and temperature that
wander, a contactor that does not pull in once in twelve hours. Every five seconds of that time what is dirty is forced
out, as the kernel does, so that nothing is counted once that a real day would write twice. Prints JSON: bytes a day as
the kernel counted them for this process (`written`), and for the whole block device under DIRECTORY (`device`, journal
included; only meaningful on a file system of its own).
"""

from __future__ import annotations

import argparse
import json
import os
from math import pi, sin
from pathlib import Path
from random import Random

from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.records import Scan, StartTransient
from condenser_monitor.monitor.service.run_loop import Service
from condenser_monitor.monitor.storage.history import History

CYCLE_S, ON_S, FAULT_EVERY_S, WRITE_BACK_S = 1800.0, 1200.0, 43200.0, 5.0
WALL_S = 1_784_000_000.0  # a day in July 2026


class Day:
    """Boards of a made-up unit on a virtual clock; the clock is here too."""

    def __init__(self, folder: Path) -> None:
        self.now_s = 0.0
        self._dice = Random(1)
        self._folder = folder
        self._written_s = 0.0
        self._starts: list[StartTransient] = []
        self._ran = False

    def clock(self) -> float:
        return self.now_s

    def wall(self) -> float:
        return WALL_S + self.now_s

    def idle(self, seconds: float, _stop: object = None) -> None:
        self.now_s += seconds
        if self.now_s - self._written_s >= WRITE_BACK_S:
            self._written_s = self.now_s
            for path in self._folder.iterdir():
                if path.is_file():
                    _force_out(path)

    def scan(self) -> Scan:
        calls = self.now_s % CYCLE_S < ON_S
        runs = calls and self.now_s % FAULT_EVERY_S >= CYCLE_S
        if runs and not self._ran:
            start = StartTransient(t_s=self.now_s, duration_s=0.18, peak_a=70.0, settled_a=14.0, rate_hz=860.0)
            self._starts.append(start)
        self._ran = runs
        noise = self._dice.gauss
        outdoor_c = 30.0 + 8.0 * sin(2 * pi * self.now_s / 86400.0)
        return Scan(
            t_s=self.now_s,
            wall_s=self.wall(),
            call=calls,
            control_v=26.0 + noise(0, 0.1) if calls else 0.2 + abs(noise(0, 0.05)),
            coil_a=0.25 + noise(0, 0.003) if runs else 0.001,
            supply=True,
            load=runs,
            compressor_a=12.0 + 0.1 * (outdoor_c - 30.0) + noise(0, 0.05) if runs else 0.02,
            fan_a=1.1 + noise(0, 0.01) if runs else 0.005,
            outdoor_c=outdoor_c + noise(0, 0.05),
        )

    def starts(self) -> list[StartTransient]:
        starts, self._starts = self._starts, []
        return starts

    def changes(self) -> list[Scan]:
        return []

    def faults(self) -> dict[str, str]:
        return {}

    def close(self) -> None:
        pass


def _force_out(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _by_process() -> int:
    rows = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(rows["write_bytes"])


def _by_device(folder: Path) -> int | None:
    device = folder.stat().st_dev
    path = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}/stat")
    return int(path.read_text().split()[6]) * 512 if path.exists() else None


def measure(folder: Path, hours: float) -> dict[str, float | None]:
    """Live so long and count. The history is left in `folder`."""
    day = Day(folder)
    history = History(folder / "condenser-monitor.db", owner=True, clock=day.clock, wall=day.wall)
    service = Service(Settings(), day, history, clock=day.clock, sleep=day.idle, wall=day.wall)
    process, device = _by_process(), _by_device(folder)
    service.run(steps=round(hours * 3600))
    service.close()
    day.idle(WRITE_BACK_S)
    per_day = 24 / hours
    after = _by_device(folder)
    return {
        "hours": hours,
        "written": (_by_process() - process) * per_day,
        "device": None if device is None or after is None else (after - device) * per_day,
        "kept": sum(path.stat().st_size for path in folder.iterdir()),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", type=Path, metavar="DIRECTORY")
    parser.add_argument("--hours", type=float, default=24.0)
    args = parser.parse_args()
    print(json.dumps(measure(args.folder, args.hours)))


if __name__ == "__main__":
    main()
