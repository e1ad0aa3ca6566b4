"""Readers of the measured data under tests/data (origins and licences in the README of each folder)."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from condenser_monitor.monitor.core.records import Scan

DATA = Path(__file__).parents[1] / "data"
NIST = DATA / "nist-ashp-hilft"
FRIDGES = DATA / "tracebase-refrigeration-1hz"


def truths(folder: Path) -> dict[str, Any]:
    """What was computed from the files as they lie there."""
    loaded: dict[str, Any] = json.loads((folder / "truths.json").read_text())
    return loaded


def nist_day(name: str, *, volts: float = 240.0, power_factor: float = 0.95) -> Iterator[Scan]:
    """One day in minutes: commanded stage as the call, outdoor power as current at these volts and power factor."""
    with (NIST / name).open(newline="") as file:
        for row, cells in enumerate(csv.DictReader(file)):
            yield Scan(
                t_s=60.0 * row,
                call=float(cells["stg"]) > 0,
                compressor_a=float(cells["od_power"]) / (volts * power_factor),
                outdoor_c=(float(cells["oa_temp"]) - 32) / 1.8,
            )


def fridge_watts(name: str) -> Iterator[tuple[datetime, float]]:
    """(time, watts averaged over 1 s), lines that repeat a second left out."""
    last = None
    for line in (FRIDGES / name).read_text().splitlines():
        stamp, watts, _ = line.split(";")
        at = datetime.strptime(stamp, "%d/%m/%Y %H:%M:%S")
        if at != last:
            yield at, float(watts)
        last = at


def fridge_scans(name: str, *, volts: float = 230.0) -> Iterator[Scan]:
    """Compressor current alone, at the stated volts and unity power factor; t_s from midnight."""
    for at, watts in fridge_watts(name):
        midnight = at.replace(hour=0, minute=0, second=0)
        yield Scan(t_s=(at - midnight).total_seconds(), compressor_a=watts / volts)
