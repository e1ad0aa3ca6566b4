"""House, thermostat, weather and world: what calls, when, and the same again from the same seed."""

from __future__ import annotations

from pathlib import Path
from random import Random
from typing import Any

import pytest

from condenser_monitor.monitor.core.errors import ScenarioError
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.house import (
    House,
    HouseDesign,
    Thermostat,
    ThermostatDesign,
)
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.weather import (
    Hour,
    Weather,
    design_days,
    synthetic_year,
    typical_year,
)
from condenser_monitor.sim.world import World, WorldPlan

HOUR_S = 3600.0


def calls_of(world: World) -> list[tuple[float, str]]:
    return [(row.t_s, row.what) for row in world.log if row.what in ("call", "no call")]


# ---------------------------------------------------------------- house and thermostat


def test_house_drifts_to_the_outdoor_temperature() -> None:
    """Without sun, people and cooling, air and mass end at the outdoor temperature; the air goes first."""
    house = House(HouseDesign(inside_w=0.0, indoor_c=20.0))
    for _ in range(60):
        house.step(60.0, outdoor_c=35.0, sun_w_m2=0.0, cooling_w=0.0)
    assert 20 < house.mass_c < house.air_c < 35
    for _ in range(100_000):
        house.step(60.0, outdoor_c=35.0, sun_w_m2=0.0, cooling_w=0.0)
    assert house.air_c == pytest.approx(35, abs=0.01)
    assert house.mass_c == pytest.approx(35, abs=0.01)


def test_house_balance_is_kept() -> None:
    """Heat in is heat stored: one step's rise times the capacities equals what flowed in (to rounding)."""
    design = HouseDesign()
    house = House(design)
    air, mass = house.air_c, house.mass_c
    house.step(30.0, outdoor_c=35.0, sun_w_m2=500.0, cooling_w=4000.0)
    stored = design.air_j_k * (house.air_c - air) + design.mass_j_k * (house.mass_c - mass)
    flowed = 30.0 * (design.ua_w_k * (35.0 - air) + design.inside_w + design.sun_m2 * 500.0 - 4000.0)
    assert stored == pytest.approx(flowed, rel=1e-9)


def make_thermostat(**design: object) -> Thermostat:
    return Thermostat(ThermostatDesign(lag_s=1.0, **design), Condition(), 24.0)  # type: ignore[arg-type]


def feel(thermostat: Thermostat, air_c: float, now_s: float, *, powered: bool = True) -> bool:
    thermostat.step(60.0, now_s, 0.0, air_c=air_c, supply_share=0.0, powered=powered)
    return thermostat.calls


def test_thermostat_switches_at_half_its_swing() -> None:
    """Set 24.5 C, swing 0.6 K: on above 24.8, off below 24.2, as it was in between."""
    thermostat = make_thermostat()
    assert not feel(thermostat, 24.79, 400)
    assert feel(thermostat, 24.81, 500)
    assert feel(thermostat, 24.21, 600)
    assert not feel(thermostat, 24.19, 700)


def test_thermostat_waits_between_runs() -> None:
    """Five minutes between a stop and the next call, however warm it is."""
    thermostat = make_thermostat(short_cycle_s=300.0)
    assert feel(thermostat, 26.0, 0)
    assert not feel(thermostat, 24.0, 60)
    assert not feel(thermostat, 26.0, 359)
    assert feel(thermostat, 26.0, 361)


@pytest.mark.parametrize(("battery", "wait"), [(False, True), (True, False)])
def test_thermostat_after_an_outage(battery: Any, wait: Any) -> None:
    """Without a battery it starts over and waits; with one it goes on calling."""
    thermostat = make_thermostat(battery=battery)
    assert feel(thermostat, 26.0, 0)
    assert feel(thermostat, 26.0, 60, powered=False) is battery
    assert feel(thermostat, 26.0, 70) is not wait
    assert feel(thermostat, 26.0, 400)


def test_thermostat_heats_the_other_way_round() -> None:
    """In heating it calls when it is cold."""
    thermostat = make_thermostat(mode="heat", set_c=21.0)
    assert feel(thermostat, 20.0, 400)
    assert not feel(thermostat, 21.4, 500)


def test_schedule_rows_hold_until_the_next() -> None:
    """The last row before the hour is in force; before the first row, the last of the day before."""
    thermostat = make_thermostat(schedule=((6.0, 25.0), (9.0, 28.0), (22.0, 26.0)))
    assert [thermostat.set_point_c(h * HOUR_S) for h in (3, 6, 8.9, 9, 23)] == [26, 25, 25, 28, 26]


# ---------------------------------------------------------------- weather


def test_weather_runs_straight_between_the_hours_and_starts_over() -> None:
    """Half way between two hours lies their mean; past its end a table begins again."""
    weather = Weather([Hour(20.0, 0.0), Hour(30.0, 100.0)])
    assert weather.at(1800.0) == Hour(25.0, 50.0)
    assert weather.at(5400.0) == Hour(25.0, 50.0)
    assert weather.at(7200.0) == weather.at(0.0)


def test_synthetic_year_is_the_seed_s() -> None:
    """The same seed, the same year; another seed, another one."""
    assert synthetic_year(Random(5)) == synthetic_year(Random(5)) != synthetic_year(Random(6))


@pytest.mark.parametrize("text", ["", "a\nb\n1,2\n", "a\nb\n01/01,01:00,x,y,z\n"])
def test_bad_weather_file_is_refused(tmp_path: Path, text: Any) -> None:
    """A file that is no TMY3 table, or none at all, is a ScenarioError that names it."""
    path = tmp_path / "weather.csv"
    path.write_text(text)
    if text == "":
        path.unlink()
    with pytest.raises(ScenarioError, match=r"weather"):
        typical_year(path)


def test_empty_weather_is_refused() -> None:
    """There is no weather without an hour."""
    with pytest.raises(ScenarioError):
        Weather([])


# ---------------------------------------------------------------- world


def test_same_plan_same_world() -> None:
    """Two worlds of one plan agree to the last bit after a day with faults; another seed does not."""
    causes = (Planned(name="coil-lead-loose", at_s=3600.0, on_s=60.0, off_s=600.0),)

    def outcome(seed: int) -> tuple[object, ...]:
        world = World(WorldPlan(causes=causes, seed=seed))
        world.advance(86_400.0)
        return (world.house.air_c, world.unit.compressor.starts, world.log)

    assert outcome(4) == outcome(4)
    assert outcome(4) != outcome(5)


def test_time_goes_exactly_where_it_is_told() -> None:
    """advance() ends at the very time, whatever happens in between; stopping at events ends earlier."""
    world = World(WorldPlan(calls=((100.0, 200.0),)))
    assert world.advance(50.0) == 50.0
    assert 100.0 <= world.advance(300.0, stop_at_events=True) < 101.0
    assert world.advance(300.0) == 300.0


def test_fixed_calls_replace_the_thermostat() -> None:
    """Calls from a table begin and end when it says."""
    world = World(WorldPlan(calls=((100.0, 200.0), (500.0, 600.0))))
    world.advance(1000.0)
    assert calls_of(world) == [
        (pytest.approx(100.0, abs=0.01), "call"),
        (pytest.approx(200.0, abs=0.01), "no call"),
        (pytest.approx(500.0, abs=0.01), "call"),
        (pytest.approx(600.0, abs=0.01), "no call"),
    ]


def test_more_heat_more_run_time() -> None:
    """A hotter day is a longer run time, and the house stays near its set point on both."""
    minutes = []
    for max_c in (28.0, 36.0):
        world = World(WorldPlan(start_hour=0.0), design_days([(max_c, 11.0)], 0.0))
        running = 0
        for minute in range(1440, 2880):
            world.advance(60.0 * minute)
            running += world.unit.compressor.turning
            assert 22 < world.house.air_c < 26.5
        minutes.append(running)
    assert 60 < minutes[0] < 0.6 * minutes[1]


def test_heat_pump_stops_its_fan_in_defrost() -> None:
    """In cold, wet weather the fan stands for some minutes of each hour of run while the compressor goes on."""
    plan = WorldPlan(
        design=DESIGNS["two-ton-heat-pump"], thermostat=ThermostatDesign(mode="heat", set_c=40.0), start_hour=0.0
    )
    world = World(plan, Weather([Hour(-2.0, 0.0)]))
    held = []
    for minute in range(180):
        world.advance(60.0 * minute)
        if world.unit.compressor.turning and world.unit.fan_a == 0:
            held.append(minute)
    assert 10 <= len(held) <= 24
    assert world.unit.compressor.protector.trips == 0


def test_an_outage_takes_everything_and_gives_it_back() -> None:
    """No line, no 24 V, no motor; afterwards the thermostat waits, and the unit runs again."""
    world = World(WorldPlan(causes=(Planned(name="outage", at_s=7200.0, until_s=9000.0),), start_hour=12.0))
    world.advance(7260.0)
    unit = world.unit
    assert unit.rc_v == unit.supply_v == unit.compressor_a == unit.fan_a == 0
    world.advance(9200.0)
    assert unit.supply_v > 200
    assert unit.rc_v > 20
    assert unit.load_v == 0
    world.advance(12_000.0)
    assert len(unit.compressor.starts) > 1
