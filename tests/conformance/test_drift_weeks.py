"""Weeks of a real two-stage machine, as a monitor lives through them: what it learns, and that it raises nothing.

Data: tests/data/nist-ashp-hilft-more (NIST chamber days, MIT). The settings are those of a site with the least sensors
and the outdoor temperature; the holds allow for the columns' skew of up to two minutes (README of the data).
"""

from __future__ import annotations

import csv
from functools import cache
from typing import Any

import numpy as np
import pytest

from condenser_monitor.monitor.core.config import SensorSettings, Settings, Unit
from condenser_monitor.monitor.core.records import Change
from condenser_monitor.monitor.engine import Engine
from tests.conformance.measured import NIST_WEEKS, nist_weeks
from tests.size import long_one

pytestmark = long_one

CLIMATES = ("Atlanta", "Tucson")


def settings(**unit: Any) -> Settings:
    nameplate = {"compressor_rla_a": 14.0, "compressor_lra_a": 70.0, "fan_fla_a": 0.9, "heat_pump": True} | unit
    return Settings(
        unit=Unit(**nameplate),
        senses=SensorSettings(fitted=("call", "compressor_a", "outdoor_c")),
        limits={"contacts-stuck-closed": {"hold_s": 180}, "call-without-run": {"hold_s": 150}},
    )


def lived(climate: str, engine: Engine, **how: Any) -> list[Change]:
    """What is raised in the weeks of one climate."""
    found = [event for scan in nist_weeks(climate, **how) for event in engine.feed(scan)]
    return [event for event in found if isinstance(event, Change) and event.change == "raised"]


@cache
def watts(climate: str) -> dict[int, tuple[list[float], list[float]]]:
    """Stage -> (outdoor °C, A at 230 V) of rows whose stage has not changed for five rows."""
    found: dict[int, tuple[list[float], list[float]]] = {1: ([], []), 2: ([], [])}
    for path in sorted(NIST_WEEKS.glob(f"{climate}_*.csv")):
        with path.open() as file:
            day = list(csv.DictReader(file))
        for at, row in enumerate(day[5:-1], 5):
            stage = int(float(row["stg"]))
            alike = {day[n]["stg"] for n in range(at - 5, at + 2)} == {row["stg"]}
            if stage and alike and float(row["od_power"]) > 500:
                found[stage][0].append((float(row["oa_temp"]) - 32) / 1.8)
                found[stage][1].append(float(row["od_power"]) / (230.0 * 0.95))
    return found


@pytest.mark.parametrize("kind", [{}, {"kind": "two-stage"}])
@pytest.mark.parametrize("climate", CLIMATES)
def test_weeks_of_a_real_two_stage_machine_raise_nothing_but_long_run(climate: str, kind: dict[str, Any]) -> None:
    """Declared or not. Version 0.1.0 learned one line for both stages: 45 and 69 false high-running-current."""
    assert {change.finding for change in lived(climate, Engine(settings(**kind)))} <= {"long-run"}


@pytest.mark.parametrize("climate", CLIMATES)
def test_both_stages_are_learned_as_numpy_finds_them_where_the_stage_is_known(climate: str) -> None:
    """The monitor does not see the stage; the data tell it. At 30 °C its lines lie within 5 % of numpy's straight lines
    through all settled rows of each stage."""
    engine = Engine(settings())
    lived(climate, engine)
    learned = [dict(curve) for curve in engine.status().trends["normal"]["stages"]]
    assert len(learned) == 2
    ours = sorted(float(np.interp(30.0, list(curve), list(curve.values()))) for curve in learned)
    theirs = [float(np.polyval(np.polyfit(*watts(climate)[stage], 1), 30.0)) for stage in (1, 2)]
    assert ours == pytest.approx(theirs, rel=0.05)


FAULTS = [(1.25, "high-running-current"), (1.18, "high-running-current"), (0.65, "low-running-current")]


@pytest.mark.parametrize(("ratio", "finding"), FAULTS)
def test_a_fault_of_a_two_stage_machine_is_told_on_its_first_day(ratio: float, finding: str) -> None:
    """From the ninth day on every running current is a quarter too high, a sixth too high, a third too low."""
    raised = lived("Tucson", Engine(settings()), factor=lambda days: ratio if days >= 8.0 else 1.0)
    assert raised[0].finding == finding or raised[0].finding == "long-run"
    first = next(change for change in raised if change.finding == finding)
    assert 8.0 <= first.t_s / 86400.0 < 9.0
