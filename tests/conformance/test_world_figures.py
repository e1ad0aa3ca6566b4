"""Figures of the field and of measured machines that the simulated unit must meet: each leaves its band when a constant
of the world behind it is halved or doubled (`python -m tests.mutation --constants`).

"Common practice" is a figure of the trade without a document; "from memory" one that was not read again here.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from math import pi, sqrt
from pathlib import Path
from statistics import mean, median
from typing import Any

import pytest

from condenser_monitor.hardware import values
from condenser_monitor.sim import constants
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.control import fuse_opening_s
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.fan import FanMotion
from condenser_monitor.sim.house import AirHandler, Thermostat, ThermostatDesign
from condenser_monitor.sim.refrigeration import celsius, fahrenheit
from tests.sim.unit_bench import Bench

MEASURED = Path(__file__).parents[1] / "data" / "nist-ashp-hilft-more"
FREEZING_F = 32.0
ONE_STAGE = [design for design in DESIGNS.values() if design.kind == "single-stage"]


def settled(outdoor_c: float = 35.0, **faults: Any) -> Bench:
    """Twenty-five minutes into a run, at the rating's indoor air."""
    return Bench(outdoor_c=outdoor_c, **faults).call(1500.0)


# ---------------------------------------------------------------- a run's first minutes


def measured_minutes() -> list[float]:
    """Cooling (air flow times its fall in temperature) of a real unit's minutes after a start, of what the same start
    had settled to: median of all starts at over 24 °C outdoors whose stage stayed the same for twelve minutes."""
    found = defaultdict(list)
    for path in sorted(MEASURED.glob("Tucson_*.csv")):
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        for at in range(1, len(rows) - 12):
            run = rows[at : at + 12]
            begins = rows[at - 1]["stg"] == "0" and run[0]["stg"] != "0" and len({row["stg"] for row in run}) == 1
            if begins and float(run[0]["oa_temp"]) > 75:
                cooling = [float(r["sa_flow"]) * (float(r["zn_temp"]) - float(r["sa_temp"])) for r in run]
                for minute, one in enumerate(cooling):
                    found[minute].append(one / max(median(cooling[8:]), 1.0))
    assert min(map(len, found.values())) > 200
    return [median(found[minute]) for minute in range(12)]


def test_cooling_comes_as_a_measured_units_does() -> None:
    """NIST's chamber days (tests/data): what arrives at the supply register, minute by minute, in the first within a
    quarter of what is measured, then within 0.15. Their stage is stamped after it is read: a minute is allowed.

    What is left is a miss of the simulated unit: it cools half a minute later (0.55 where 0.78 was measured), and then
    overshoots by a tenth, which the real one does not."""
    bench = Bench()
    shown = []
    for _ in range(12):
        falls = []
        for _ in range(6):
            air = bench.call(10.0).unit.indoor
            falls.append(air.return_c - air.supply_c)
        shown.append(mean(falls))
    minutes = [one / shown[-1] for one in shown[1:]]
    measured = measured_minutes()
    assert minutes[0] == pytest.approx(measured[0], abs=0.25)
    assert minutes[1:] == pytest.approx(measured[1:-1], abs=0.15)


def test_a_run_has_settled_in_five_minutes_and_not_in_one() -> None:
    """Head pressure and current: gauges are read after 5 to 15 minutes (common practice). Within 5 % at five minutes,
    and still more than 5 % off at one."""
    bench = Bench()
    amps = [bench.call(seconds).unit.compressor_a for seconds in (60.0, 240.0, 1200.0)]
    assert abs(amps[0] / amps[2] - 1) > 0.05
    assert amps[1] == pytest.approx(amps[2], rel=0.05)


def test_the_discharge_line_takes_a_quarter_of_an_hour() -> None:
    """The shell's iron and oil warm up first: read after 15 minutes (common practice), when it is within 3 K; five
    minutes into the run it is still over 10 K off."""
    bench = Bench()
    shown = [bench.call(seconds).unit.gas.discharge_c for seconds in (300.0, 600.0, 1800.0)]
    assert shown[0] < shown[2] - 10
    assert shown[1] == pytest.approx(shown[2], abs=3)


def test_a_probe_on_the_large_pipe_follows_within_minutes() -> None:
    """Strapped on and insulated it lags by a minute or so (ours): at five minutes within 2 K, at one over 14 K off."""
    bench = Bench()
    shown = [bench.call(seconds).unit.gas.suction_c for seconds in (60.0, 240.0, 1200.0)]
    assert shown[0] > shown[2] + 14
    assert shown[1] == pytest.approx(shown[2], abs=2)


def test_pressures_are_equal_some_minutes_after_a_stop() -> None:
    """Three to five minutes behind a fixed orifice (common practice; what delay timers are set to): at five minutes
    the coil's temperature is within a fifth of its rise over outdoors, at one it is not near."""
    bench = Bench().call(1500.0)
    over = [bench.unit.gas.condensing_f - 95]
    over += [bench.rest(seconds).unit.gas.condensing_f - 95 for seconds in (60.0, 240.0)]
    assert over[1] > 0.5 * over[0]
    assert over[2] < 0.2 * over[0]


# ---------------------------------------------------------------- settled


def test_the_discharge_line_of_a_sound_unit_is_as_hot_as_the_trade_has_it() -> None:
    """160 to 200 °F at 95 °F outdoors, and under 225 °F at 115 °F (common practice): work on the gas, less what shell
    and pipe lose."""
    assert 170 < fahrenheit(settled().unit.gas.discharge_c) < 200
    assert fahrenheit(settled(46.1).unit.gas.discharge_c) < 225


def test_superheat_stays_where_charging_charts_and_valves_have_it() -> None:
    """Behind a fixed orifice at 115 °F outdoors: 5 °F, the least that charts ask for. A valve holds 5 to 10 K (common
    practice)."""
    hot, valve = settled(46.1).unit.gas, Bench(DESIGNS["five-ton"]).call(1500.0).unit.gas
    assert fahrenheit(hot.suction_c) - hot.evaporating_f == pytest.approx(5, abs=1.5)
    assert valve.design.metering == "txv"
    assert 5 <= valve.suction_c - valve.evaporating_c <= 10


def test_a_drive_takes_little_reactive_current() -> None:
    """A power factor of 0.95 to 0.98 with a filter at full speed (from memory)."""
    bench = Bench(DESIGNS["three-ton-variable"])
    bench.around.demand = 1.0
    unit = bench.call(900.0).unit
    assert 0.95 < unit.compressor.watts(unit.load_v) / (unit.load_v * unit.compressor_a) < 0.985


def test_capacity_falls_with_heat_as_published() -> None:
    """R-410A air conditioners at 115 °F keep 0.82 to 0.90 of their capacity at 95 °F (laboratory tests at high ambient
    temperature, from memory); at 75 °F they give 1.08 to 1.16 of it (extended ratings, from memory)."""
    rated = settled().unit.gas.cooling_w()
    assert 0.82 < settled(celsius(115)).unit.gas.cooling_w() / rated < 0.90
    assert 1.08 < settled(celsius(75)).unit.gas.cooling_w() / rated < 1.19


def test_a_capacitors_volts_are_those_its_label_is_for() -> None:
    """370 and 440 V parts stand across 240 V motors: more than the line's, and less than the label."""
    for design in ONE_STAGE:
        unit = Bench(design).call(900.0).unit
        farad = design.run_uf * 1e-6
        volts = unit.compressor.start_winding_a(unit.load_v) / (2 * pi * design.line_hz * farad)
        assert 1.3 * design.line_v < volts < 440


def test_the_sense_of_24_volts_draws_what_such_modules_draw() -> None:
    """A ready-made opto module takes its 8 mA at 24 V (hardware/values.py, common practice), within a third."""
    drawn = 24.0 / constants.SENSE_24V_OHM.value
    assert drawn == pytest.approx(values.MODULE_24V.input_a.nominal, rel=0.35)


# ---------------------------------------------------------------- faults


def test_a_coil_ices_when_the_charge_is_well_down_and_not_before() -> None:
    """Ice on the large pipe is the sign of a third lost and more (common practice): below freezing then, and above it
    with a fifth lost. Nothing that pumps R-410A comes below -61 °F, where it boils at the air's pressure."""
    assert settled(charge=0.65).unit.gas.evaporating_f < FREEZING_F
    assert settled(charge=0.80).unit.gas.evaporating_f > FREEZING_F
    assert settled(charge=0.05).unit.gas.evaporating_f > -61


def test_superheat_passes_the_fields_test_with_a_seventh_lost_and_not_with_a_fifth() -> None:
    """25 °F are the most (RA3.2.2, 2008). A fixed orifice's superheat of 13 °F leaves that much room."""
    found = [settled(charge=charge).unit.gas for charge in (0.85, 0.80)]
    passes, fails = (fahrenheit(gas.suction_c) - gas.evaporating_f for gas in found)
    assert passes < 25 < fails


def test_a_starved_compressor_is_switched_off_before_its_oil_chars() -> None:
    """300 °F, 150 °C at the discharge (common practice): something opens by then."""
    assert 125 < settled(charge=0.3).unit.gas.discharge_c < 150


def test_a_coil_ices_at_half_of_its_air_and_not_at_three_quarters() -> None:
    """300 cubic feet a minute a ton are the least that is set up, 200 ice the coil (common practice; 400 is full)."""
    assert settled(indoor_air_share=0.5).unit.gas.evaporating_f < FREEZING_F
    assert settled(indoor_air_share=0.75).unit.gas.evaporating_f > FREEZING_F


def test_a_metering_device_that_shuts_starves_the_coil() -> None:
    """A quarter shut ices it; wholly shut the low side does not come below -61 °F, where R-410A boils at the air's
    pressure; the liquid that backs up is subcooled by somewhat more than a sound unit's 12 °F."""
    quarter = settled(metering_shut=0.25).unit.gas
    assert quarter.evaporating_f < FREEZING_F
    assert settled(metering_shut=1.0).unit.gas.evaporating_f > -61
    assert 12 < quarter.condensing_f - fahrenheit(quarter.liquid_c) < 15


def test_an_overcharge_shows_in_subcooling_and_head() -> None:
    """A fifth too much: subcooling twice and more the 3 °F off the plate that a charge is set to (RA3.2.2, 2008), head
    temperature up by 10 to 25 °F, superheat behind an orifice lower by 3 to 8 °F (common practice)."""
    sound, over = settled().unit.gas, settled(charge=1.2).unit.gas
    subcooling = [one.condensing_f - fahrenheit(one.liquid_c) for one in (sound, over)]
    superheat = [fahrenheit(one.suction_c) - one.evaporating_f for one in (sound, over)]
    assert 6 < subcooling[1] - subcooling[0] < 15
    assert 10 < over.condensing_f - sound.condensing_f < 25
    assert 3 < superheat[0] - superheat[1] < 8


def test_air_in_the_circuit_adds_its_own_pressure() -> None:
    """Dalton: a condenser half full of air at 95 °F and the air's pressure before charging (one atmosphere in half of
    the volume is little; what stays there over the liquid is counted by the field as 5 to 20 °F): 10 to 25 °F here."""
    sound, air = settled().unit.gas, settled(non_condensables=0.5).unit.gas
    assert 10 < air.condensing_f - sound.condensing_f < 25


def test_a_compressor_that_hardly_pumps_draws_half() -> None:
    """Broken valves or no charge: about half of the sound amps, neither a quarter nor all (common practice)."""
    sound = settled().unit.compressor_a
    for faults in ({"pump_share": 0.0}, {"charge": 0.05}):
        assert 0.33 < settled(**faults).unit.compressor_a / sound < 0.67


def test_a_dead_fan_trips_the_compressor_within_minutes() -> None:
    """Two to fifteen minutes on a hot day (common practice), with still air giving off a little of the heat."""
    assert 120 < Bench(fan_open=True).call(60.0).until(True, 1800) + 60 < 900


def test_a_fan_starts_on_half_of_its_capacitor_and_not_on_a_fifth() -> None:
    """Common practice: a fan motor whose capacitor is weak by half is slow to start; with next to none it hums."""
    assert Bench(fan_capacitor=0.5).call(5.0).unit.fan.motion is FanMotion.TURNING
    assert Bench(fan_capacitor=0.2).call(5.0).unit.fan.motion is FanMotion.STALLED


def test_a_rotor_under_pressure_stands_within_tenths_of_a_second() -> None:
    """Some tenths of a second (from memory): 0.15 s without volts do not stop it, 0.4 s do."""
    bench = Bench().call(900.0).rest(0.15)
    assert bench.unit.compressor.speed > 0
    assert bench.rest(0.25).unit.compressor.speed == 0


# ---------------------------------------------------------------- house and thermostat


def test_a_blower_runs_on_after_the_call() -> None:
    """30 to 90 s (common practice)."""
    handler = AirHandler(DESIGNS["three-ton"], Condition(), 25.0)
    handler.step(1.0, called=True, room_c=25.0, coil_c=7.0, cooling_w=9000.0)
    assert handler.blower
    seconds = 0
    while handler.blower:
        handler.step(1.0, called=False, room_c=25.0, coil_c=7.0, cooling_w=0.0)
        seconds += 1
    assert 31 < seconds < 90


def test_stages_are_asked_for_as_thermostats_do() -> None:
    """The second stage at 1 °C (2 °F) over the set point or after ten minutes (common practice: 1 to 2 °F, 10 to 20
    min); a drive goes no slower than 25 to 40 %, and is at full within 1 to 3 K over it."""
    thermostat = Thermostat(ThermostatDesign(), Condition(), 25.0)

    def asked(called_s: float, over_k: float) -> tuple[bool, float]:
        thermostat.ask(called_s, over_k)
        return thermostat.second, thermostat.demand

    assert not asked(0.0, 0.6)[0]
    assert asked(0.0, 1.2)[0]
    assert not asked(400.0, 0.0)[0]
    assert asked(1200.0, 0.0)[0]
    assert 0.25 <= asked(0.0, 0.0)[1] <= 0.40
    assert asked(0.0, 0.8)[1] < 1.0
    assert asked(0.0, 2.5)[1] == 1.0


def test_a_drive_takes_minutes_to_its_speed() -> None:
    """One to five minutes (common practice): a half of the way after one is too slow to be a switch, and after five it
    is there."""
    bench = Bench(DESIGNS["three-ton-variable"])
    bench.around.demand = 1.0
    shares = [bench.call(seconds).unit.gas.stage for seconds in (30.0, 270.0)]
    assert shares[0] < 0.6
    assert shares[1] > 0.95


# ---------------------------------------------------------------- 24 V


BAND = {1.35: (0.75, 600.0), 1.6: (0.25, 50.0), 2.0: (0.15, 5.0), 3.5: (0.04, 0.5), 6.0: (0.02, 0.1)}


@pytest.mark.parametrize(("ratio", "band"), BAND.items())
def test_the_fuse_opens_in_the_middle_of_its_band(ratio: float, band: tuple[float, float]) -> None:
    """ISO 8820-3 / SAE J1284 (from memory): least and most, s; the simulated one takes their geometric mean."""
    assert fuse_opening_s(ratio) == pytest.approx(sqrt(band[0] * band[1]), rel=0.01)
