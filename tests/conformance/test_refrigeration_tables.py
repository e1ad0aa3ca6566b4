"""The refrigeration side of the simulated unit, against figures that the field charges and tests by.

Read: the field's formula of the target superheat of a fixed orifice, (3 x indoor wet bulb - 80 - outdoor dry bulb) / 2
in °F, printed alike by trade schools; the Residential Appendices RA3.2.2 (2008) of California's building energy
standard: superheat of a metering valve 4 to 25 °F, and an evaporating or air temperature that is 5 °F off tells.
From memory: a temperature split of 16 to 22 °F at 400 cubic feet a minute a ton, a subcooling of 8 to 12 °F.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import pytest

from condenser_monitor.monitor.baselines.performance import observed
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.diagnosis.checks.meter import classify
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.sim import constants
from condenser_monitor.sim.designs import DESIGNS, Design
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.unit import CondensingUnit
from condenser_monitor.sim.weather import design_days
from condenser_monitor.sim.world import World, WorldPlan

SPLIT_F, SUBCOOLING_F, VALVE_SUPERHEAT_F = (16.0, 22.0), (8.0, 12.0), (4.0, 25.0)
SINGLE_STAGE = [design for design in DESIGNS.values() if design.kind == "single-stage"]


class Seen(NamedTuple):
    """What gauges and thermometers show, °F."""

    superheat: float
    subcooling: float
    split: float


def gauges(design: Design, outdoor_f: float, *causes: Planned) -> Seen:
    """After 25 minutes of a run."""
    outdoor_c = (outdoor_f - 32) / 1.8
    plan = WorldPlan(design=design, calls=((60.0, 9000.0),), causes=causes, line_swing=0.0)
    world = World(plan, design_days([(outdoor_c, outdoor_c)], 12.0))
    world.advance(1560.0)
    unit: CondensingUnit = world.unit
    gas = unit.gas
    superheat = gas.suction_c * 1.8 + 32 - gas.evaporating_f
    subcooling = gas.condensing_f - (gas.liquid_c * 1.8 + 32)
    return Seen(superheat, subcooling, (unit.indoor.return_c - unit.indoor.supply_c) * 1.8)


def target_superheat_f(wet_bulb_f: float, outdoor_f: float) -> float:
    return (3 * wet_bulb_f - 80 - outdoor_f) / 2


def test_the_formula_gives_the_printed_examples() -> None:
    """64 °F wet bulb and 96 °F outdoors: 8 °F; 63 and 95: 7 °F."""
    assert target_superheat_f(64, 96) == 8
    assert target_superheat_f(63, 95) == 7


def test_superheat_at_the_rating_is_the_fixed_orifices_target() -> None:
    """95 °F outdoors, 67 °F wet bulb indoors (AHRI 210/240 test A): 13 °F, within the 5 °F that tell."""
    assert gauges(DESIGNS["three-ton"], 95.0).superheat == pytest.approx(target_superheat_f(67, 95), abs=5)


# outdoor °F, indoor wet bulb °F -> target: read in the charging chart that a maker prints in an installation sheet
CHART = {(75, 60): 12, (75, 66): 21, (85, 66): 15, (85, 70): 22, (95, 66): 10, (95, 70): 18, (105, 68): 9, (115, 70): 8}


@pytest.mark.parametrize("outdoor_f", [75.0, 85.0, 95.0, 105.0, 115.0])
def test_a_fixed_orifice_follows_the_chart_of_the_weather(outdoor_f: float) -> None:
    """The formula beside the chart, within 2 °F; the simulated unit within the 5 °F that the standard allows, at the
    wet bulb that its indoor air has at the rating's humidity. Under 5 °F there is no target."""
    for (at_f, wet_bulb_f), printed in CHART.items():
        assert target_superheat_f(wet_bulb_f, at_f) == pytest.approx(printed, abs=2)
    for design in (DESIGNS["three-ton"], DESIGNS["one-ton-50-hz"]):
        plan = WorldPlan(design=design, calls=((60.0, 9000.0),), line_swing=0.0)
        outdoor_c = (outdoor_f - 32) / 1.8
        world = World(plan, design_days([(outdoor_c, outdoor_c)], 12.0))
        world.advance(1560.0)
        gas = world.unit.gas
        indoor_c = world.house.air_c
        target = max(5.0, target_superheat_f(wet_bulb(indoor_c) * 1.8 + 32, outdoor_f))
        assert gas.suction_c * 1.8 + 32 - gas.evaporating_f == pytest.approx(target, abs=5)


def wet_bulb(air_c: float, humidity: float = 51.0) -> float:
    """Stull (2011), from memory: wet bulb in °C from °C and % of relative humidity; 80 °F and 51 % give 67 °F."""
    return (
        air_c * math.atan(0.151977 * math.sqrt(humidity + 8.313659))
        + math.atan(air_c + humidity)
        - math.atan(humidity - 1.676331)
        + 0.00391838 * math.pow(humidity, 1.5) * math.atan(0.023101 * humidity)
        - 4.686035
    )


def test_the_wet_bulb_of_the_rating_is_the_ratings() -> None:
    """AHRI 210/240: 80 °F dry, 67 °F wet; around it the slope that the simulated orifice follows."""
    assert wet_bulb((80 - 32) / 1.8) * 1.8 + 32 == pytest.approx(67, abs=0.3)
    slope = (wet_bulb((80 - 32) / 1.8) - wet_bulb((70 - 32) / 1.8)) / (10 / 1.8)
    assert constants.WET_BULB_PER_F.value == pytest.approx(slope, abs=0.02)


@pytest.mark.parametrize(
    ("check", "typed", "outcome"),
    [
        ("superheat", "24 F of 21", "normal"),  # a mild day with damp air: high against a valve's band, and right
        ("superheat", "27 F of 21", "high"),
        ("superheat", "15 F of 21", "low"),
        ("superheat", "12 F", "normal"),
        ("subcooling", "10 F of 12", "normal"),
        ("subcooling", "8 F of 12", "low"),
        ("subcooling", "16 F of 12", "high"),
        ("subcooling", "12 F", "normal"),
    ],
)
def test_a_typed_target_is_judged_within_the_standards_tolerance(check: str, typed: str, outcome: str) -> None:
    """RA3.2.2 (read): an installer passes within 5 °F of the target superheat, and 3 °F of the plate's subcooling."""
    assert classify(CHECKS[check], typed, Unit()).outcome == outcome


def test_a_fixed_orifice_asks_for_the_target() -> None:
    """15 °F may be starved or flooded there: the answer is refused and says what to type."""
    fixed = Unit(metering="fixed")
    with pytest.raises(CommandError, match="12 F of 8"):
        classify(CHECKS["superheat"], "15 F", fixed)
    assert classify(CHECKS["superheat"], "15 F of 6", fixed).outcome == "high"


@pytest.mark.parametrize(("metering", "said"), [("fixed", "cool"), ("unknown", "cool"), ("txv", "warm")])
def test_a_warm_large_pipe_in_mild_weather_is_no_sign_without_a_valve(metering: str, said: str) -> None:
    """70 °F outdoors and 67 °F wet bulb: a target of 25 °F over an evaporating 45 °F is a pipe of 70 °F (21 °C)."""
    pipe_c = (45 + target_superheat_f(67, 70) - 32) / 1.8
    seen = observed({"suction_c": pipe_c, "outdoor_c": (70 - 32) / 1.8}, Unit(metering=metering))
    assert seen["large-pipe"] == said
    hot = {"suction_c": pipe_c, "outdoor_c": (95 - 32) / 1.8}
    assert observed(hot, Unit(metering=metering))["large-pipe"] == "warm"


@pytest.mark.parametrize("design", SINGLE_STAGE, ids=lambda design: design.name)
@pytest.mark.parametrize("outdoor_f", [75.0, 95.0, 115.0])
def test_a_sound_unit_passes_the_fields_tests(design: Design, outdoor_f: float) -> None:
    """Superheat of the standard's valve test, subcooling and split of the trade's bands."""
    seen = gauges(design, outdoor_f)
    assert VALVE_SUPERHEAT_F[0] <= seen.superheat <= VALVE_SUPERHEAT_F[1]
    assert SUBCOOLING_F[0] <= seen.subcooling <= SUBCOOLING_F[1]
    assert SPLIT_F[0] <= seen.split <= SPLIT_F[1]


@pytest.mark.parametrize("outdoor_f", [85.0, 95.0, 105.0])
@pytest.mark.parametrize(
    ("cause", "level", "fails"),
    [
        ("charge-leaks", 0.3, (1, -1, -1)),
        ("metering-plugs", 0.6, (1, 0, 0)),
        ("indoor-air-blocked", 0.5, (0, 0, 1)),
    ],
)
def test_a_broken_one_fails_them_as_the_fields_tables_say(
    outdoor_f: float, cause: str, level: float, fails: tuple[int, int, int]
) -> None:
    """Low charge: high superheat, low subcooling, low split. Restriction: high superheat, subcooling held or higher.
    Low airflow: high split. A sign of 0 asks for no failed test in the other direction than a sound unit's."""
    superheat, subcooling, split = fails
    sound = gauges(DESIGNS["three-ton"], outdoor_f)
    seen = gauges(DESIGNS["three-ton"], outdoor_f, Planned(name=cause, at_s=0.0, level=level))
    if superheat:
        assert seen.superheat > sound.superheat + 5
    if subcooling:
        assert seen.subcooling < SUBCOOLING_F[0]
    else:
        assert seen.subcooling >= SUBCOOLING_F[0]
    if split < 0:
        assert seen.split < sound.split - 3
    elif split > 0:
        assert seen.split > SPLIT_F[1]
