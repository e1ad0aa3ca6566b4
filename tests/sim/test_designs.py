"""Kinds of units and places of taps: stages, drives, boards with timers and lockout, float in R, set points."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path
from statistics import median

import msgspec
import pytest

from condenser_monitor.monitor.core.records import Change
from condenser_monitor.sim import scenario
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import DESIGNS, Design
from condenser_monitor.sim.house import Thermostat, ThermostatDesign
from condenser_monitor.sim.rig import rig_for
from tests.sim.unit_bench import Bench

MEASURED = Path(__file__).parents[1] / "data" / "nist-ashp-hilft-more"
DAY_S = 86400.0


def low_over_high(column: str) -> float:
    """Return what a real two-stage heat pump's low stage shows, of its high one: settled minutes at 27 to 38 C."""
    found: dict[str, list[float]] = {"1": [], "2": []}
    for path in sorted(MEASURED.glob("*_*.csv")):
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        for at in range(5, len(rows)):
            row, stages = rows[at], {one["stg"] for one in rows[at - 5 : at + 1]}
            if len(stages) == 1 and row["stg"] in found and 80 < float(row["oa_temp"]) < 100:
                cooling = float(row["sa_flow"]) * (float(row["zn_temp"]) - float(row["sa_temp"]))
                found[row["stg"]].append(float(row["od_power"]) if column == "power" else cooling)
    return median(found["1"]) / median(found["2"])


def settled(design: Design, *, second: bool, demand: float = 1.0, outdoor_c: float = 32.0) -> Bench:
    bench = Bench(design, outdoor_c=outdoor_c)
    bench.around.second, bench.around.demand = second, demand
    return bench.call(1200.0)


def test_low_stage_draws_and_cools_as_a_measured_one() -> None:
    """Outdoor power and cooling, low over high, within 0.03 of NIST's chamber days (tests/data)."""
    low, high = (settled(DESIGNS["three-ton-two-stage"], second=second).unit for second in (False, True))
    power = [one.compressor_w + one.fan.amps * one.load_v * 0.9 for one in (low, high)]
    assert power[0] / power[1] == pytest.approx(low_over_high("power"), abs=0.03)
    assert low.gas.cooling_w() / high.gas.cooling_w() == pytest.approx(low_over_high("cooling"), abs=0.03)


def test_a_drive_starts_without_inrush_and_follows_what_is_asked() -> None:
    """Never above its rated load in the first minute; a third of its capacity takes less than half of the amps."""
    design = DESIGNS["three-ton-variable"]
    bench = Bench(design)
    bench.around.demand = 0.3
    peak = max(bench.call(0.5).unit.compressor_a for _ in range(120))
    assert peak < 0.5 * design.compressor_rla_a
    full = settled(design, second=True).unit.compressor_a
    assert settled(design, second=False, demand=0.3).unit.compressor_a < 0.5 * full < full < design.compressor_rla_a
    bench.condition.seized = True
    assert bench.call(5.0).unit.compressor_a == 0.0


def test_pressure_switches_stand_where_the_design_has_them() -> None:
    """Behind the Y terminal the call stays at the unit; ahead of it, it goes."""
    for place, volts in (("unit", 20.0), ("indoors", 0.0)):
        design = msgspec.structs.replace(DESIGNS["three-ton"], pressure_at=place)
        unit = Bench(design, high_switch_open=True).call(10.0).unit
        assert not unit.contactor.armature_in
        assert (unit.unit_v > 20.0) is (volts > 0.0)
        assert unit.indoor_y_v > 20.0


@pytest.mark.parametrize(
    ("float_in", "r_tap", "power", "thermostat"),
    [("y", "board", True, True), ("r", "board", True, False), ("r", "thermostat", False, False)],
)
def test_a_float_switch_breaks_y_or_r(float_in: str, r_tap: str, power: bool, thermostat: bool) -> None:
    """Which of the indoor readings go with it depends on the conductor that it breaks, and on the tap."""
    design = msgspec.structs.replace(DESIGNS["three-ton"], float_in=float_in, r_tap=r_tap)
    unit = Bench(design, float_open=True).call(10.0).unit
    assert unit.unit_v < 5.0
    assert (unit.rc_v > 20.0) is power
    assert (unit.indoor_y_v > 20.0) is thermostat
    assert unit.volts.rc_v > 20.0


def test_a_board_locks_out_until_the_call_goes() -> None:
    """Three trips of the high-pressure switch in a call; then nothing runs, until a new call comes."""
    bench = Bench(DESIGNS["three-ton-two-stage"], outdoor_c=40.0, condenser_share=0.25)
    bench.call(7200.0)
    assert bench.unit.locked_out
    assert not bench.unit.contactor.armature_in
    assert bench.unit.trips == 3
    bench.rest(60.0)
    assert bench.call(5.0).unit.contactor.armature_in


def test_timers_of_the_board_keep_their_times() -> None:
    """Delay-on-break holds the contactor off for its time, and no longer; the fan runs on for its own."""
    design = msgspec.structs.replace(DESIGNS["three-ton-board-fan"], delay_on_break_s=180.0)
    bench = Bench(design)
    bench.call(300.0).rest(50.0)
    assert (bench.unit.fan_a > 0.5, bench.unit.load_v) == (True, 0.0)
    assert bench.rest(20.0).unit.fan_a == 0.0
    assert not bench.call(100.0).unit.contactor.armature_in
    assert bench.call(15.0).unit.contactor.armature_in


def test_a_board_cycles_its_fan_in_the_cold_and_keeps_it_on_in_heat() -> None:
    """At 5 C it goes off and on, with head pressure between its limits; at 35 C it stays on."""
    cold = Bench(DESIGNS["three-ton-board-fan"], outdoor_c=5.0)
    seen = [cold.call(5.0).unit.fan_a > 0.5 for _ in range(240)]
    assert sum(a != b for a, b in pairwise(seen)) >= 2
    assert not cold.unit.high_open
    hot = Bench(DESIGNS["three-ton-board-fan"])
    assert all(hot.call(5.0).unit.fan_a > 0.5 for _ in range(120))


def test_a_lost_leg_lets_a_steady_current_flow() -> None:
    """What stands at a winding that does not turn is an impedance: the volts come to rest, and the sensor sees none."""
    bench = Bench(DESIGNS["three-ton"], leg_open=True)
    assert bench.unit.supply_v == pytest.approx(120.0, abs=1.0)
    bench.call(0.2)
    seen = {round(bench.call(0.01).unit.supply_v, 1) for _ in range(60)}
    assert max(seen) < 20.0
    assert len({round(bench.call(0.1).unit.supply_v, 1) for _ in range(20)}) == 1


def test_weekends_and_trips_move_the_set_point() -> None:
    """Day 0 is a Monday; the trip of the second week goes before everything else."""
    design = ThermostatDesign(schedule=((6, 25), (9, 28)), weekend=((0, 24),), away=((8, 10, 30),))
    thermostat = Thermostat(design, Condition(), 25.0)
    points = [thermostat.set_point_c(day * DAY_S + 43200.0) for day in (0, 4, 5, 6, 7, 8, 9, 10)]
    assert points == [28, 28, 24, 24, 28, 30, 30, 28]


def test_an_undeclared_delay_is_silent_once_it_is_learned() -> None:
    """After the first eight hours of 48 nothing is raised about it."""
    one = scenario.load("healthy-delay-on-make-undeclared")
    changes: list[Change] = rig_for(one).changes(one.duration_s)
    assert [change for change in changes if change.t_s > 8 * 3600.0] == []
