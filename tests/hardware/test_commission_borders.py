"""The walk through the sensors, on both sides of each border: what a sound installation shows is silent, what the usual
mistakes show is told.

Common practice where no source is named. A border that moves by half, or twice as far, tells on a sound installation
or is silent on a mistake.
"""

from __future__ import annotations

import pytest

from condenser_monitor.hardware.commission import commission
from condenser_monitor.hardware.commission_rules import SensorPicture, judge
from condenser_monitor.monitor.core.config import SensorSettings, Settings, Site, Unit
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import Scan

UNIT = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, line_v=240.0)

SEEN = [
    # limit, sense, phase, value, whether it is told
    ("compressor_low", "compressor_a", "running", 6.4, False),  # half of rated load
    ("compressor_low", "compressor_a", "running", 3.2, True),
    ("compressor_high", "compressor_a", "running", 13.4, False),
    ("compressor_high", "compressor_a", "running", 20.0, True),  # NEC 440.52: 156 % is the most a protector carries
    ("fan_low", "fan_a", "running", 0.7, False),  # six tenths of the nameplate
    ("fan_low", "fan_a", "running", 0.4, True),
    ("fan_high", "fan_a", "running", 1.15, False),
    ("fan_high", "fan_a", "running", 2.0, True),
    ("line_low", "line_v", "running", 212.0, False),  # ANSI C84.1, the least at the equipment
    ("line_low", "line_v", "running", 120.0, True),  # a tap on one leg and neutral
    ("line_high", "line_v", "running", 252.0, False),  # ANSI C84.1, range A
    ("line_high", "line_v", "running", 277.0, True),  # the next service voltage
    ("still_a", "fan_a", "off", 0.1, False),  # pick-up
    ("still_a", "fan_a", "off", 0.25, True),  # a 60 W heater: another lead
    ("still_w", "compressor_w", "off", 40.0, False),  # a crankcase heater past an open pole
    ("still_w", "compressor_w", "off", 100.0, True),
    ("power_factor", "compressor_w", "running", 1300.0, False),  # half of rated load at a power factor of 0.85
    ("power_factor", "compressor_w", "running", 500.0, True),
    ("discharge_low_c", "discharge_c", "running", 60.0, False),
    ("discharge_low_c", "discharge_c", "running", 30.0, True),  # it hangs in the air
    ("start_winding_high", "start_winding_a", "running", 8.0, False),  # two thirds of rated load at the most
    ("start_winding_high", "start_winding_a", "running", 16.0, True),  # the lead of C
    ("START_WINDING_NONE_A", "start_winding_a", "running", 1.3, False),  # V / Xc of 15 uF at 240 V: 1.36 A
    ("START_WINDING_NONE_A", "start_winding_a", "running", 0.6, True),
    ("COIL_NONE_A", "coil_a", "running", 0.15, False),  # 4 VA sealed at 27 V
    ("COIL_NONE_A", "coil_a", "off", 0.06, False),  # what a thermostat steals: tens of milliamperes
    ("COIL_NONE_A", "coil_a", "running", 0.05, True),
    ("COIL_UNSEALED_A", "coil_a", "running", 0.42, False),  # 10 VA sealed
    ("COIL_UNSEALED_A", "coil_a", "running", 0.83, True),  # 20 VA with an open armature
    ("TRICKLE_A", "compressor_a", "off", 4.0, False),  # V / Xc of 45 uF at 240 V, 60 Hz is 4.07 A
    ("TRICKLE_A", "compressor_a", "off", 6.4, True),  # half of rated load: another unit's lead
    ("CONTROL_GHOST_V", "control_v", "off", 8.0, False),  # what a thermostat leaves on an open call wire
    ("CONTROL_GHOST_V", "control_v", "off", 18.0, True),
    ("CONTROL_HIGH_V", "control_v", "called", 29.0, False),  # unloaded at a high line
    ("CONTROL_HIGH_V", "control_v", "called", 40.0, True),
    ("LINE_ABSENT_V", "line_v", "called", 40.0, False),  # with the disconnect pulled
    ("LINE_ABSENT_V", "line_v", "called", 60.0, True),  # 29 CFR 1910.303(g)(2): from 50 V parts are to be guarded
]


@pytest.mark.parametrize(("limit", "sense", "phase", "value", "told"), SEEN)
def test_one_reading_of_the_walk(limit: str, sense: str, phase: str, value: float, told: bool) -> None:
    """`limit`, of COMMISSION or a number of its own, is the border it lies beside."""
    found = judge({phase: SensorPicture({sense: value})}, UNIT, [sense], {})
    assert bool(found) is told, (limit, found)


@pytest.mark.parametrize(
    ("limit", "warm", "cold", "apart_k", "told"),
    [
        ("pipes_apart_k", "liquid_c", "suction_c", 6.0, False),
        ("pipes_apart_k", "liquid_c", "suction_c", 3.0, True),  # both on one pipe
        ("air_apart_k", "return_air_c", "supply_air_c", 4.5, False),
        ("air_apart_k", "return_air_c", "supply_air_c", 2.0, True),
    ],
)
def test_two_probes_in_a_run(limit: str, warm: str, cold: str, apart_k: float, told: bool) -> None:
    """`limit`, of COMMISSION: how far apart they are after three minutes."""
    found = judge({"running": SensorPicture({warm: 25.0, cold: 25.0 - apart_k})}, UNIT, [warm, cold], {})
    assert bool(found) is told, (limit, found)


@pytest.mark.parametrize(("apart_k", "told"), [(4.0, False), (7.0, True)])
def test_the_outdoor_sensor_beside_a_thermometer(apart_k: float, told: bool) -> None:
    """COMMISSION.apart_k: a few kelvin are the air's, more is the sun."""
    found = judge({"running": SensorPicture({"outdoor_c": 30.0})}, UNIT, ["outdoor_c"], {}, 30.0 - apart_k)
    assert bool(found) is told


@pytest.mark.parametrize(("outdoor_c", "cold"), [(12.0, True), (20.0, False)])
def test_little_current_in_the_cold_is_said_to_be_the_cold_perhaps(outdoor_c: float, cold: bool) -> None:
    """COMMISSION.cold_c: below about 60 °F units are not tried in cooling."""
    seen = SensorPicture({"compressor_a": 4.0, "outdoor_c": outdoor_c})
    (found,) = judge({"running": seen}, UNIT, ["compressor_a", "outdoor_c"], {})
    assert ("the cold" in found.text) is cold


@pytest.mark.parametrize(("amps", "says"), [(0.9, "carries nothing"), (2.0, "carry about this much")])
def test_nothing_is_another_lead_and_little_is_the_start_winding(amps: float, says: str) -> None:
    """COMMISSION.nothing: a sixth of rated load is what the run capacitor carries, a fourteenth is nobody's."""
    (found,) = judge({"running": SensorPicture({"compressor_a": amps})}, UNIT, ["compressor_a"], {})
    assert says in found.text, found


@pytest.mark.parametrize(("scans", "off", "unsteady"), [(6, 1, False), (6, 2, True)])
def test_a_flag_is_steady_but_for_one_scan(scans: int, off: int, unsteady: bool) -> None:
    """COMMISSION.agree: one odd scan of six is chance, two are a loose terminal."""
    seen = [Scan(t_s=float(at), call=at >= off) for at in range(scans)]
    found = commission(_settings(), {"called": seen}, by="x")
    assert ("unsteady" in [remark.kind for remark in found.remarks]) is unsteady


@pytest.mark.parametrize(("scans", "enough"), [(4, False), (6, True)])
def test_a_phase_of_a_few_scans_tells_nothing(scans: int, enough: bool) -> None:
    """COMMISSION.scans: of five one may be odd and the median stands."""
    seen = [Scan(t_s=float(at), call=True) for at in range(scans)]
    if enough:
        assert commission(_settings(), {"called": seen}, by="x").remarks == ()
    else:
        with pytest.raises(CommandError, match="scans of a phase"):
            commission(_settings(), {"called": seen}, by="x")


def _settings() -> Settings:
    return Settings(site=Site(id="mill-row-2"), unit=UNIT, senses=SensorSettings(fitted=("call",)))
