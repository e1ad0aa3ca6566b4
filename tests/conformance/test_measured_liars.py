"""A real machine's days with one sensor stuck: what only time can show is over within two runs, and no other sensor is
blamed.

Source: runs, currents and weather of the two-stage heat pump in NIST's chambers (tests/data, README there), a row a
minute; the 24 V side goes with its runs, as nobody has published one. Its pauses repeat to within a row or two for
hours, which a simulated house of ours had not shown: a thermostat's sensor stuck at 1 read as a utility's switch.
"""

from __future__ import annotations

from functools import cache

import pytest
from msgspec.structs import replace

from condenser_monitor.monitor.core.config import SensorSettings, Settings, Unit
from condenser_monitor.monitor.core.records import Change, Scan
from condenser_monitor.monitor.engine import Engine
from tests.conformance.measured import nist_chain
from tests.size import one_in

DAYS = 3
# From the first row, in the afternoon of the second day, in that of the third.
WHEN_S = (0.0, 1.4 * 86400.0, 64.3 * 3600.0)
BASE = (
    *("thermostat", "call", "control_power", "control_v", "coil_a", "supply", "load", "compressor_a", "fan_a"),
    "outdoor_c",
)
OUTDOORS = ("call", "supply", "load", "compressor_a", "fan_a", "outdoor_c")
HIGH = {"control_v": 25.0, "coil_a": 0.24, "compressor_a": 9.0, "fan_a": 1.0}
CASES = [
    (climate, fitted, sensor, high, from_s)
    for climate in ("Atlanta", "Tucson")
    for fitted in (BASE, OUTDOORS)
    for sensor in fitted[:-1]
    for high in (False, True)
    for from_s in WHEN_S
]


@cache
def lived(climate: str) -> tuple[Scan, ...]:
    return tuple(nist_chain(climate, DAYS))


@one_in(6)
@pytest.mark.parametrize(("climate", "fitted", "sensor", "high", "from_s"), CASES)
def test_a_stuck_sensor_beside_a_real_machine_wrongs_it_for_two_runs(
    climate: str, fitted: tuple[str, ...], sensor: str, high: bool, from_s: float
) -> None:
    """The compressor's clamp, which is no optional one, may alarm in a third: a call that went on for hours tells
    nothing of it when it ends."""
    unit = Unit(kind="two-stage", heat_pump=True, compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1)
    engine = Engine(Settings(unit=unit, senses=SensorSettings(fitted=fitted)))
    stuck = (HIGH.get(sensor, True) if high else 0.0) if sensor in HIGH else high
    found = [
        event
        for scan in lived(climate)
        for event in engine.feed(replace(scan, **{sensor: stuck}) if scan.t_s >= from_s else scan)
        if isinstance(event, Change) and event.change == "raised"
    ]
    urgent = [event.finding for event in found if event.severity == "urgent"]
    assert len(urgent) <= (3 if sensor == "compressor_a" else 2), urgent
    assert len(set(urgent)) <= 1, urgent
    named = [event.evidence["distrusted"] for event in found if event.finding == "sensing-disagrees"]
    assert all(one == [sensor] for one in named), named
