"""The simulated unit against figures of standards, component sheets, nameplates and trade pages.

Each check names its source. "From memory" marks a standard's figure that was not read in the standard itself; "common
practice" a figure of the trade.
"""

from __future__ import annotations

from math import inf

import msgspec
import pytest

from condenser_monitor.sim import constants
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.control import (
    ControlCircuit,
    Fuse,
    Switches,
    coil_impedance,
    fuse_opening_s,
)
from condenser_monitor.sim.designs import DESIGNS, Design
from condenser_monitor.sim.house import ThermostatDesign
from condenser_monitor.sim.protector import Protector
from condenser_monitor.sim.refrigeration import ahri_540, fahrenheit
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.weather import design_days
from condenser_monitor.sim.wire import loop_ohm, ohm_per_m
from condenser_monitor.sim.world import World, WorldPlan
from tests.sim.unit_bench import Bench

THREE_TON = DESIGNS["three-ton"]
EACH = pytest.mark.parametrize("design", DESIGNS.values(), ids=lambda d: d.name)
CALLED = Switches(constants.THERMOSTAT_OHM.value, True, True, True)


# ---------------------------------------------------------------- contactor


@EACH
def test_coil_burden_is_that_of_catalogues(design: Design) -> None:
    """24 V definite-purpose coils (typical catalogues): one pole 20 to 35 VA in, 4 to 6 VA sealed; two poles 30 to 65
    and 5 to 10 VA."""
    inrush, sealed = ((20, 35), (4, 6)) if design.contactor_poles == 1 else ((30, 65), (5, 10))
    assert inrush[0] <= design.coil_inrush_va <= inrush[1]
    assert sealed[0] <= design.coil_sealed_va <= sealed[1]


@pytest.mark.parametrize(("va", "ohm"), [(30.0, 19.2), (60.0, 9.6)])
def test_open_armature_impedance_by_hand(va: float, ohm: float) -> None:
    """24 V squared over the VA; the copper alone is always less."""
    design = msgspec.structs.replace(THREE_TON, coil_inrush_va=va, coil_ohm=min(12.0, 0.7 * ohm))
    impedance = coil_impedance(design, armature_in=False)
    assert abs(impedance) == pytest.approx(ohm, rel=1e-6)
    assert impedance.real < ohm


@EACH
def test_coil_copper_lies_below_its_open_impedance(design: Design) -> None:
    """Direct-current resistance of a healthy 24 V coil: about 5 to 19 ohm (from the inrush VA of catalogues)."""
    assert 5 <= design.coil_ohm <= 19
    assert design.coil_ohm < abs(coil_impedance(design, armature_in=False))


@EACH
def test_pull_in_and_drop_out_lie_where_sheets_have_them(design: Design) -> None:
    """Closes by 85 % of 24 V (component sheet: 20.4 V); opens between 20 and 75 % (IEC 60947-4-1, from memory); 10 to
    30 ms in and 5 to 25 ms out (typical)."""
    assert design.pull_in_v <= 0.85 * 24
    assert 0.20 * 24 <= design.drop_out_v <= 0.75 * 24
    assert 0.010 <= design.pull_in_s <= 0.030
    assert 0.005 <= design.drop_out_s <= 0.025


def test_an_armature_that_does_not_seat_keeps_its_inrush() -> None:
    """4 to 7.2 times the sealed current (coil tables: 0.29 / 0.07 A and 1.8 / 0.25 A) for as long as the call lasts."""
    sound, jammed = Bench().call(5).unit, Bench(armature_blocked=True).call(5).unit
    assert 3.9 <= jammed.coil_a / sound.coil_a <= 7.2
    assert jammed.unit_v > 0.85 * 24
    assert jammed.load_v == 0


def test_an_open_coil_draws_less_than_a_twentieth_of_sealed() -> None:
    """Full voltage on it and under 5 % of the sealed current (arithmetic on catalogue VA)."""
    sound, burnt = Bench().call(5).unit, Bench(coil_open=True).call(5).unit
    assert burnt.unit_v > 0.85 * 24
    assert burnt.coil_a < 0.05 * sound.coil_a


def test_chatter_comes_with_a_coil_voltage_between_drop_out_and_pull_in() -> None:
    """A joint that carries the sealed coil but not its inrush: the coil sees 10 to 20 V with the armature open."""
    volts = ControlCircuit(THREE_TON, Condition(call_wire_ohm=14.0)).solve(1.0, CALLED._replace(armature_in=False), 25)
    assert 10 < volts.coil_v < 20


@EACH
def test_volts_at_a_called_coil(design: Design) -> None:
    """24 to 29 V with the thermostat calling (common practice), cable and all."""
    volts = ControlCircuit(design, Condition()).solve(design.line_v / design.primary_v, CALLED, 35.0)
    assert 24 <= volts.coil_v <= 29


# ---------------------------------------------------------------- transformer and fuse


@EACH
def test_regulation_is_that_of_the_trade(design: Design) -> None:
    """10 to 15 % from idle to rated load (field practice); never over class 2's 30 V (UL 1585 / UL 5085-3)."""
    assert 0.10 <= design.transformer_regulation <= 0.15
    idle = ControlCircuit(design, Condition()).solve(1.05, CALLED._replace(thermostat_ohm=inf), 25.0)
    assert idle.rc_v < 30


@pytest.mark.parametrize(("primary_v", "line_v", "factor"), [(208.0, 240.0, 1.154), (240.0, 208.0, 0.867)])
def test_wrong_primary_tap(primary_v: float, line_v: float, factor: float) -> None:
    """The 208 V tap on 240 V gives 1.154 times the voltage, the 240 V tap on 208 V 0.867 times (arithmetic)."""
    design = msgspec.structs.replace(THREE_TON, primary_v=primary_v, line_v=line_v)
    right = Bench().call(5).unit
    wrong = Bench(design).call(5).unit
    assert wrong.unit_v / right.unit_v == pytest.approx(factor, rel=0.005)


@EACH
def test_transformers_carry_what_outdoor_units_ask_for(design: Design) -> None:
    """Equipment tables of 3 to 5 ton units ask for 27 VA and more; class 2 ends at 100 VA (NEC article 725)."""
    assert 27 <= design.transformer_va <= 100
    assert design.coil_sealed_va + design.indoor_va < design.transformer_va


def test_a_three_ampere_fuse_does_not_guard_a_small_transformer() -> None:
    """40 VA is 1.67 A; 3 A is 72 VA: an overload of half as much again never opens it, a short does (arithmetic)."""
    assert fuse_opening_s(1.5 * 40 / 24 / 3.0) == inf
    fuse = Fuse(3.0)
    fuse.carry(1.5 * 40 / 24, 1e7)
    assert not fuse.open
    assert 0.15 <= fuse_opening_s(6.0 / 3.0) <= 5


# ---------------------------------------------------------------- nameplates and line


@pytest.mark.parametrize(
    ("name", "rated", "locked"), [("three-ton", 16.7, 79), ("two-ton-heat-pump", 12.8, 58), ("five-ton", 26.4, 134)]
)
def test_nameplates_are_usual_ones(name: str, rated: float, locked: float) -> None:
    """Rated and locked amps of R-410A compressors by size (typical nameplates: 2 t 13 / 58, 3 t 16.7 / 79, 5 t 26.4 /
    134 A)."""
    assert DESIGNS[name].compressor_rla_a == pytest.approx(rated, rel=0.02)
    assert DESIGNS[name].compressor_lra_a == pytest.approx(locked, rel=0.02)


@EACH
def test_fans_draw_what_small_fan_motors_draw(design: Design) -> None:
    """Capacitor-run motors of 1/12 to 1/4 hp: 0.5 to 1.5 A (typical; 1.4 and 1.5 A in equipment tables)."""
    assert 0.5 <= design.fan_fla_a <= 1.5
    assert 0.5 * design.fan_fla_a <= Bench(design).call(60).unit.fan_a <= 1.1 * design.fan_fla_a


@pytest.mark.parametrize(("volts", "tap_v"), [(187.0, 208.0), (253.0, 240.0)])
@pytest.mark.parametrize("name", ["three-ton", "five-ton"])
def test_units_run_at_the_ends_of_their_voltage_range(name: str, volts: float, tap_v: float) -> None:
    """187 to 253 V (equipment table, single-phase outdoor units), the transformer on its fitting tap: it starts,
    runs half an hour, and no protector opens."""
    unit = Bench(msgspec.structs.replace(DESIGNS[name], line_v=volts, primary_v=tap_v)).call(1800).unit
    assert unit.compressor.turning
    assert unit.compressor.protector.trips == 0


def test_a_low_line_starts_slowly() -> None:
    """187 V: longer than at 230 V, and at speed within 3.5 s or the protector acts (refrigerator service pages)."""
    usual = Bench(msgspec.structs.replace(THREE_TON, line_v=230.0)).call(5).unit.compressor
    low = Bench(msgspec.structs.replace(THREE_TON, line_v=187.0)).call(10).unit.compressor
    assert usual.starts[0].duration_s is not None
    duration_s = low.starts[0].duration_s
    assert low.protector.open or (duration_s is not None and usual.starts[0].duration_s < duration_s < 3.5)


# ---------------------------------------------------------------- protector


def test_protector_temperatures_are_those_of_small_hermetics() -> None:
    """Opens at 107 to 121 C, closes at 65 to 71 C (service pages)."""
    assert 107 <= constants.TRIP_C.value <= 121
    assert 65 <= constants.CLOSE_C.value <= 71


@pytest.mark.parametrize(("load", "trips"), [(1.0, False), (1.56, True)])
def test_protector_ceiling(load: float, trips: bool) -> None:
    """Rated load may last for ever, 156 % of it may not (NEC 440.52, from memory): eight hours at AHRI 540's rating
    point, gas at 45 F evaporating and 20 F superheat."""
    protector = Protector(35.0)
    for _ in range(8 * 360):
        protector.step(10.0, load=load, flow=1.0, gas_c=(45 + 20 - 32) / 1.8, ambient_c=35.0)
    assert (protector.trips > 0) is trips


def test_a_stalled_compressor_is_taken_off_by_its_protector() -> None:
    """After a stall on a sag it draws near locked-rotor current until the protector opens, 3 to 20 s later (utility
    tests, from memory)."""
    bench = Bench().call(900)
    bench.condition.service_share = 0.45
    bench.run(0.5)
    bench.condition.service_share = 1.0
    bench.run(0.2)
    assert bench.unit.compressor_a > 0.7 * THREE_TON.compressor_lra_a
    assert 2 <= bench.until(True, 30) <= 20


# ---------------------------------------------------------------- standing currents


@pytest.mark.parametrize("watts", [30.0, 60.0, 90.0])
def test_crankcase_heater_past_an_open_pole(watts: float) -> None:
    """30 to 90 W are 0.13 to 0.38 A at 240 V; fed across the pole it works only while the pole is open (trade training
    site)."""
    design = msgspec.structs.replace(THREE_TON, heater_w=watts, heater_across_pole=True, rated_v=240.0)
    bench = Bench(design).rest(5)
    assert bench.unit.compressor_a == pytest.approx(watts / 240, rel=0.01)
    assert 0.12 <= bench.unit.compressor_a <= 0.38
    running = bench.call(600).unit.compressor_a
    plain = Bench(msgspec.structs.replace(THREE_TON, rated_v=240.0)).rest(5).call(600).unit.compressor_a
    assert running == pytest.approx(plain, rel=1e-6)


@pytest.mark.parametrize("name", ["three-ton", "one-ton-50-hz"])
def test_trickle_is_less_than_half_of_a_run(name: str) -> None:
    """What stands on a single pole is no weld: under 50 % of the running current (arithmetic on V / Xc)."""
    bench = Bench(msgspec.structs.replace(DESIGNS[name], trickle=True)).rest(5)
    standing = bench.unit.compressor_a
    assert 0 < standing < 0.5 * bench.call(900).unit.compressor_a


# ---------------------------------------------------------------- copper


@pytest.mark.parametrize(("awg", "ohm"), [(18, 6.385), (16, 4.016), (14, 2.525), (12, 1.588), (10, 0.999), (8, 0.628)])
def test_wire_at_room_temperature(awg: int, ohm: float) -> None:
    """Ohm per 1000 ft at 20 C (ASTM B258 and IEC 60028, by hand)."""
    assert ohm_per_m(awg, 20.0) * 304.8 == pytest.approx(ohm, abs=0.001)


@pytest.mark.parametrize(
    ("feet", "amps", "volts"), [(50, 0.25, 0.16), (50, 0.40, 0.26), (100, 0.25, 0.32), (100, 0.40, 0.51)]
)
def test_thermostat_cable_drop_by_hand(feet: float, amps: float, volts: float) -> None:
    """18 AWG, there and back, at 20 C."""
    assert loop_ohm(18, feet * 0.3048) * amps == pytest.approx(volts, abs=0.005)


# ---------------------------------------------------------------- refrigerant side, house, thermostat


@pytest.mark.parametrize(("condensing", "amps"), [(100, 9.3), (110, 10.6), (120, 12.2), (130, 14.1)])
def test_amperes_of_the_published_map(condensing: float, amps: float) -> None:
    """A 3 ton map at 45 F evaporating, 230 V and a power factor of 0.95 (arithmetic on its worked outputs)."""
    watts = ahri_540(constants.AHRI_POWER_W, 45.0, condensing)
    assert watts / (230 * constants.POWER_FACTOR.value) == pytest.approx(amps, abs=0.06)


@EACH
def test_condensing_lies_above_the_air_as_in_the_trade(design: Design) -> None:
    """25 to 30 F at 95 F outdoors (contractor and forum pages), clean coil and full charge."""
    gas = Bench(design, outdoor_c=35.0).call(3600).unit.gas
    assert 25 <= gas.condensing_f - fahrenheit(35.0) <= 30


@EACH
def test_capacity_at_the_rating_point_is_the_nameplate_s(design: Design) -> None:
    """Rating A: 95 F outdoors, 80 F indoors (AHRI 210/240, from memory), tons of 12 000 Btu/h within 3 %."""
    bench = Bench(design, outdoor_c=35.0).call(3600)
    assert bench.unit.gas.cooling_w() * 3.412 == pytest.approx(12_000 * design.tons, rel=0.03)


def test_high_ambient_test_is_survived() -> None:
    """115 F (AHRI 210/240, from memory): it runs on, at more current and less capacity than at 95 F."""
    hot, rated = (Bench(outdoor_c=c).call(3600).unit for c in (46.1, 35.0))
    assert hot.compressor.turning
    assert hot.compressor_a > rated.compressor_a
    assert hot.gas.cooling_w() < rated.gas.cooling_w()


def test_thermostat_waits_as_long_as_the_trade_has_it() -> None:
    """Three to five minutes between runs; five are the usual setting (compressor protection guide)."""
    assert 180 <= ThermostatDesign().short_cycle_s <= 300


def test_a_sound_unit_keeps_within_the_makers_start_limits() -> None:
    """10 to 12 starts in any hour, runs of two minutes at the least, three minutes off (scroll application guides):
    three hot days."""
    world = World(WorldPlan(), design_days([(36.0, 12.0)], 6.0))
    edges, was = [], False
    for step in range(3 * 86_400 // 10):
        world.advance(10.0 * step)
        if world.unit.compressor.turning is not was:
            was = not was
            edges.append(world.t_s)
    starts, stops = edges[::2], edges[1::2]
    assert len(starts) > 60
    assert all(sum(at <= other < at + 3600 for other in starts) <= 10 for at in starts)
    assert min(stop - start for start, stop in zip(starts, stops, strict=False)) >= 120
    assert min(start - stop for stop, start in zip(stops, starts[1:], strict=False)) >= 180


def test_outage_of_a_moment_stalls_nothing_that_was_delayed() -> None:
    """Controls wait 3 to 5 min after power-up: after an outage of a minute no start comes within three (fault-code
    page)."""
    plan = WorldPlan(causes=(Planned(name="outage", at_s=4 * 3600.0, until_s=4 * 3600.0 + 60),), start_hour=12.0)
    world = World(plan)
    world.advance(4 * 3600.0 + 50)
    before = len(world.unit.compressor.starts)
    world.advance(4 * 3600.0 + 60 + 179)
    assert len(world.unit.compressor.starts) == before
    world.advance(4 * 3600.0 + 60 + 900)
    assert len(world.unit.compressor.starts) == before + 1
