"""Cycles and run time of the simulated house and unit against measured days of like weather.

The measured days are those of a real two-stage heat pump in NIST's chambers (tests/data/nist-ashp-hilft): outdoor
temperature and set point of each day are fed to the simulated house, and starts and run minutes of that day compared.
The chambers emulate a building with people in it, so the inner gain is the one number fitted, once for all days. The
simulated unit has one stage; a run of the measured one is any time its outdoor unit draws over 500 W, as in its truths.

Stated tolerance: starts a day within 45 %, run minutes a day within 25 %, and the mean run length within 45 %.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from condenser_monitor.sim.house import HouseDesign, ThermostatDesign
from condenser_monitor.sim.refrigeration import celsius
from condenser_monitor.sim.weather import Hour, Weather, clear_sky_w_m2
from condenser_monitor.sim.world import World, WorldPlan

DATA = Path(__file__).parents[1] / "data" / "nist-ashp-hilft"
SUMMER_DAYS = (
    *("Atlanta_Eff_Default", "Atlanta_Eff_ExtrmSum", "Tucson_Eff_Default", "Tucson_Eff_ExtrmSum"),
    "Buffalo_Eff_EnergySave",
)
INSIDE_W = 3500.0


def _rows(day: str) -> list[dict[str, str]]:
    with (DATA / f"{day}.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def _schedule(rows: list[dict[str, str]]) -> tuple[tuple[float, float], ...]:
    """Set points as [hour, C] rows, one for each change (looked at every ten minutes)."""
    found: list[tuple[float, float]] = []
    for minute in range(0, 1440, 10):
        set_c = celsius(float(rows[minute]["zn_temp_cspt"]))
        if not found or found[-1][1] != set_c:
            found.append((minute / 60, set_c))
    return tuple(found)


def _simulated(rows: list[dict[str, str]]) -> tuple[int, int]:
    """Starts and run minutes of the simulated unit on that day."""
    hours = [
        Hour(sum(celsius(float(r["oa_temp"])) for r in rows[60 * h : 60 * h + 60]) / 60, clear_sky_w_m2(h + 0.5))
        for h in range(24)
    ]
    world = World(
        WorldPlan(
            house=HouseDesign(indoor_c=celsius(float(rows[0]["zn_temp"])), inside_w=INSIDE_W),
            thermostat=ThermostatDesign(schedule=_schedule(rows)),
            start_hour=0.0,
        ),
        Weather(hours),
    )
    running = []
    for minute in range(1440):
        world.advance(60.0 * minute + 30.0)
        running.append(world.unit.compressor.turning)
    starts = sum(now and not before for before, now in zip([False, *running], running, strict=False))
    return starts, sum(running)


@pytest.mark.parametrize("day", SUMMER_DAYS)
def test_cycles_and_run_time_against_a_measured_day(day: str) -> None:
    """Starts, run minutes and mean run length of the day, within the tolerance stated above."""
    truth: dict[str, Any] = json.loads((DATA / "truths.json").read_text())[f"{day}.csv"]
    starts, minutes = _simulated(_rows(day))
    measured_starts, measured_minutes = truth["runs_over_500W"], truth["run_rows"]
    assert minutes == pytest.approx(measured_minutes, rel=0.25)
    assert starts == pytest.approx(measured_starts, rel=0.45)
    assert minutes / starts == pytest.approx(measured_minutes / measured_starts, rel=0.45)
