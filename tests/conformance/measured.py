"""Readers of the measured data under tests/data (origins and licences in the README of each folder)."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from msgspec.structs import replace

from condenser_monitor.monitor.core.records import Scan

DATA = Path(__file__).parents[1] / "data"
NIST = DATA / "nist-ashp-hilft"
NIST_WEEKS = DATA / "nist-ashp-hilft-more"
FRIDGES = DATA / "tracebase-refrigeration-1hz"


def truths(folder: Path) -> dict[str, Any]:
    """What was computed from the files as they lie there."""
    loaded: dict[str, Any] = json.loads((folder / "truths.json").read_text())
    return loaded


def nist_day(
    name: str, *, folder: Path = NIST, volts: float = 240.0, power_factor: float = 0.95, from_s: float = 0.0
) -> Iterator[Scan]:
    """One day in minutes: commanded stage as the call, outdoor power as current at these volts and power factor."""
    with (folder / name).open(newline="") as file:
        for row, cells in enumerate(csv.DictReader(file)):
            yield Scan(
                t_s=from_s + 60.0 * row,
                call=float(cells["stg"]) > 0,
                compressor_a=float(cells["od_power"]) / (volts * power_factor),
                outdoor_c=(float(cells["oa_temp"]) - 32) / 1.8,
            )


def nist_weeks(climate: str, *, factor: Callable[[float], float] = lambda days: 1.0) -> Iterator[Scan]:
    """Every day of a climate end to end, by name, at 230 V; `factor` is what a fault makes of a running current, by
    days since the first."""
    for day, path in enumerate(sorted(NIST_WEEKS.glob(f"{climate}_*.csv"))):
        for scan in nist_day(path.name, folder=NIST_WEEKS, volts=230.0, from_s=86400.0 * day):
            amps = scan.compressor_a or 0.0
            yield replace(scan, compressor_a=amps * factor(scan.t_s / 86400.0)) if amps > 2.0 else scan


def nist_chain(climate: str, days: int) -> Iterator[Scan]:
    """The first days of a climate end to end, by name, as base sensors beside that machine would read them: its runs
    (over 500 W), their current at 230 V, a fan that takes 1 A of it, and the weather are measured; thermostat, call,
    coil and contacts go with the run, 24 V and line are there."""
    for day, path in enumerate(sorted(NIST_WEEKS.glob(f"{climate}_*.csv"))[:days]):
        with path.open(newline="") as file:
            for row, cells in enumerate(csv.DictReader(file)):
                watts = float(cells["od_power"])
                on = watts > 500.0
                yield Scan(
                    t_s=86400.0 * day + 60.0 * row,
                    thermostat=on,
                    call=on,
                    control_power=True,
                    control_v=25.0 if on else 0.0,
                    coil_a=0.24 if on else 0.0,
                    supply=True,
                    load=on,
                    compressor_a=watts / (230.0 * 0.95) - on,
                    fan_a=1.0 if on else 0.0,
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
