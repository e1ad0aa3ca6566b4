"""The refrigeration side of the simulated unit, against figures that the field charges and tests by.

Read: the field's formula of the target superheat of a fixed orifice, (3 x indoor wet bulb - 80 - outdoor dry bulb) / 2
in °F, printed alike by trade schools; the Residential Appendices RA3.2.2 (2008) of California's building energy
standard: superheat of a metering valve 4 to 25 °F, and an evaporating or air temperature that is 5 °F off tells.
From memory: a temperature split of 16 to 22 °F at 400 cubic feet a minute a ton, a subcooling of 8 to 12 °F.
"""

from __future__ import annotations

from typing import NamedTuple

import pytest

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
