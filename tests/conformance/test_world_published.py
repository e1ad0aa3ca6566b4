"""The simulated world against handbook tables, standards' worked values and a compressor's published map."""

from __future__ import annotations

import json
from math import inf
from pathlib import Path
from random import Random

import pytest

from condenser_monitor.sim import constants
from condenser_monitor.sim.designs import DESIGNS, varied
from condenser_monitor.sim.refrigeration import ahri_540
from condenser_monitor.sim.weather import (
    DAILY_RANGE_SHARES,
    design_day_c,
    design_days,
    synthetic_year,
    typical_year,
)
from condenser_monitor.sim.wire import (
    area_mm2,
    at_temperature,
    diameter_mm,
    loop_ohm,
    ohm_per_m,
)

DATA = Path(__file__).parents[1] / "data"
KFT_M = 304.8

# NEC chapter 9, Table 8: ohm per 1000 ft of solid uncoated copper at 75 C
TABLE_8 = {18: 7.77, 16: 4.89, 14: 3.07, 12: 1.93, 10: 1.21, 8: 0.764}
CIRCULAR_MILS = {18: 1620, 16: 2580, 14: 4110, 12: 6530, 10: 10_380, 8: 16_510}
# ratio of a copper coil's resistance to that at 20 C (IEC 60028's coefficient)
COPPER_RATIO = {-10: 0.882, 0: 0.921, 25: 1.020, 40: 1.079, 60: 1.157, 75: 1.216, 80: 1.236, 100: 1.314}


@pytest.mark.parametrize(("awg", "ohm"), TABLE_8.items())
def test_wire_against_the_handbook_table(awg: int, ohm: float) -> None:
    """The AWG formula with IEC 60028 copper gives NEC Table 8 within 0.5 %."""
    assert ohm_per_m(awg, 75.0) * KFT_M == pytest.approx(ohm, rel=0.005)


@pytest.mark.parametrize(("awg", "mils"), CIRCULAR_MILS.items())
def test_wire_area_against_the_handbook_table(awg: int, mils: float) -> None:
    """Circular mils (diameter in thousandths of an inch, squared) within 0.5 %."""
    assert (diameter_mm(awg) / 0.0254) ** 2 == pytest.approx(mils, rel=0.005)


def test_thermostat_cable_by_hand() -> None:
    """18 AWG: 1.0237 mm, 0.8230 mm2; 50 ft one way is a loop of 0.639 ohm at 20 C, 100 ft 1.277 ohm."""
    assert diameter_mm(18) == pytest.approx(1.0237, abs=1e-4)
    assert area_mm2(18) == pytest.approx(0.8230, abs=1e-4)
    assert loop_ohm(18, 15.24) == pytest.approx(0.639, abs=0.001)
    assert loop_ohm(18, 30.48) == pytest.approx(1.277, abs=0.001)


@pytest.mark.parametrize(("celsius", "ratio"), COPPER_RATIO.items())
def test_copper_warms_as_published(celsius: float, ratio: float) -> None:
    """Resistance ratio to 20 C within 0.001."""
    assert at_temperature(1.0, celsius) == pytest.approx(ratio, abs=0.001)


@pytest.mark.parametrize(
    ("suction", "discharge", "watts", "pounds"),
    [
        *((45, 90, 1760.7, 482.6), (45, 100, 2026.8, 479.0), (45, 110, 2324.6, 474.3), (45, 120, 2669.0, 467.9)),
        *((45, 130, 3075.0, 459.5), (40, 110, 2340.0, 431.7), (50, 115, 2476.0, 516.7), (50, 130, 3049.5, 506.1)),
    ],
)
def test_compressor_map_gives_its_published_outputs(
    suction: float, discharge: float, watts: float, pounds: float
) -> None:
    """AHRI 540 polynomial of a 3 ton set: worked outputs, W and lb/h, to the printed digit."""
    assert ahri_540(constants.AHRI_POWER_W, suction, discharge) == pytest.approx(watts, abs=0.06)
    assert ahri_540(constants.AHRI_FLOW_LB_H, suction, discharge) == pytest.approx(pounds, abs=0.06)


@pytest.mark.parametrize(
    ("hour", "celsius"),
    [(1, 28.32), (5, 27.00), (9, 31.95), (12, 36.57), (14, 38.00), (15, 38.00), (18, 35.36), (24, 28.98)],
)
def test_design_day_against_the_worked_example(hour: float, celsius: float) -> None:
    """ASHRAE daily temperature profile: 38 C maximum, 11 K range, by solar hour."""
    assert design_day_c(38.0, 11.0, hour) == pytest.approx(celsius, abs=0.005)


def test_daily_profile_has_the_published_mean() -> None:
    """Mean of the 24 shares 0.536; coolest at 5 h, warmest at 14 and 15 h."""
    assert sum(DAILY_RANGE_SHARES) / 24 == pytest.approx(0.536, abs=0.0005)
    assert DAILY_RANGE_SHARES[4] == 1.0
    assert DAILY_RANGE_SHARES[13] == DAILY_RANGE_SHARES[14] == 0.0


def test_weather_table_starts_at_midnight() -> None:
    """The trap of the published lists: the first value belongs to hour 1, not to hour 0."""
    weather = design_days([(38.0, 11.0)], 0.0)
    assert weather.at(3600.0).outdoor_c == pytest.approx(28.32, abs=0.005)
    assert weather.at(15 * 3600.0).outdoor_c == pytest.approx(38.0, abs=0.005)


def test_typical_year_is_read_as_it_was_published() -> None:
    """TMY3 Phoenix: hottest, coldest and mean as computed from the file by numpy (truths.json)."""
    hours = typical_year(DATA / "phoenix-tmy3" / "phoenix_sky_harbor_tmy3.csv")
    truth = json.loads((DATA / "phoenix-tmy3" / "truths.json").read_text())
    celsius = [hour.outdoor_c for hour in hours]
    assert len(hours) == truth["rows"]
    assert max(celsius) == truth["max_C"]
    assert min(celsius) == truth["min_C"]
    assert sum(celsius) / len(celsius) == pytest.approx(truth["mean_C"], abs=0.05)
    assert sum(c >= 40 for c in celsius) == truth["hours_at_or_above_40C"]


def test_synthetic_year_has_seasons_like_a_real_one() -> None:
    """July is warmer than January by the swing asked for; daily ranges stay in the span asked for."""
    year = synthetic_year(Random(3))
    days = [year[24 * day : 24 * day + 24] for day in range(365)]
    means = [sum(hour.outdoor_c for hour in day) / 24 for day in days]
    ranges = [max(h.outdoor_c for h in day) - min(h.outdoor_c for h in day) for day in days]
    july, january = means[181:212], means[:31]
    assert sum(july) / 31 - sum(january) / 31 == pytest.approx(2 * 11.0, abs=4.0)
    assert 6.0 < min(ranges) <= max(ranges) < 14.0


@pytest.mark.parametrize(("awg", "smaller"), [(18, 16), (16, 14), (14, 12), (12, 10)])
def test_two_gauges_are_a_ratio_of_the_standard(awg: int, smaller: int) -> None:
    """ASTM B258: each step of the gauge is 92^(1/39) in diameter, two are 1.2610."""
    assert diameter_mm(smaller) / diameter_mm(awg) == pytest.approx(1.2610, abs=0.0005)


@pytest.mark.parametrize("seed", range(20))
def test_varied_units_stay_within_what_nameplates_show(seed: int) -> None:
    """LRA / RLA between 4 and 7 (nameplates 4.6 to 5.9, a guide 5 to 7; not of a drive, which starts without inrush),
    class 2 secondary under 30 V (UL 1585)."""
    design = varied(list(DESIGNS.values())[seed % len(DESIGNS)], Random(seed))
    if design.kind != "variable-speed":
        assert 4.0 <= design.compressor_lra_a / design.compressor_rla_a <= 7.0
    assert 24 * (1 + design.transformer_regulation) * design.line_v / design.primary_v < 30.0
    assert design.drop_out_v < design.pull_in_v <= 20.4
    assert design.pull_in_v < inf
