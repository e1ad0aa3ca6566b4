"""Rests and runs that are not a thermostat's: 1/rest + 1/run is one number of house and thermostat, whatever the
weather (a room between two temperatures a band apart; N = 4 Nmax d (1 - d) of NEMA DC 3, from memory)."""

from __future__ import annotations

from random import Random

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.own_cycles import OwnCycles, band_s
from condenser_monitor.monitor.core.records import Cycle
from tests.monitor.units import ALL, REST, RUN, Readings, but, raised

CUT = but(REST, thermostat=True)
Part = tuple[float, Readings]


def law(duty: float, most_per_h: float = 3.0) -> tuple[float, float]:
    """Return rest and run, s, at this duty, of a thermostat that cycles so often at the most."""
    period_s = 3600.0 / (4.0 * most_per_h * duty * (1.0 - duty))
    return (1.0 - duty) * period_s, duty * period_s


def day(seed: int, count: int = 12) -> list[Part]:
    """A sound day's rests and runs, at duties from a quarter to three quarters, each a tenth off the law."""
    rng, parts = Random(seed), []
    for place in range(count):
        rest_s, run_s = law(0.25 + 0.5 * place / (count - 1), most_per_h=2.5)
        parts += [(rest_s * rng.uniform(0.9, 1.1), REST), (run_s * rng.uniform(0.9, 1.1), RUN)]
    return parts


def reversed_day(seed: int) -> list[Part]:
    """What follows on it, as the day cools."""
    parts = day(seed)
    return [part for place in range(len(parts) - 2, -1, -2) for part in parts[place : place + 2]]


@pytest.mark.parametrize("duty", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_a_thermostats_band_is_one_number_at_every_duty(duty: float) -> None:
    """1 / (4 Nmax), with the duty cancelled: 300 s at three cycles an hour."""
    assert band_s(*law(duty)) == pytest.approx(3600.0 / 12.0)


def cycle(started_s: float, stopped_s: float, compressor_starts: int = 1) -> Cycle:
    return Cycle(
        started_s=started_s,
        stopped_s=stopped_s,
        started_wall_s=None,
        start_seen=True,
        pull_in_s=None,
        run_delay_s=None,
        run_s=stopped_s - started_s,
        compressor_a=9.6,
        compressor_max_a=None,
        fan_a=None,
        control_v=None,
        coil_a=None,
        outdoor_c=None,
        closings=1,
        compressor_starts=compressor_starts,
    )


def learned(*cycles: tuple[float, float], satisfied: bool = True, compressor_starts: int = 1) -> OwnCycles:
    """What remembers these rests and runs, in whose rests the thermostat did not call (or always did)."""
    own, now_s = OwnCycles(), 0.0
    for rest_s, run_s in ((600.0, 600.0), *cycles):  # the rest before the first is not known
        own.thermostat(not satisfied, now_s)
        own.thermostat(True, now_s + rest_s)
        now_s += rest_s + run_s
        own.ran(cycle(now_s - run_s, now_s, compressor_starts))
    return own


RATIO, PERIOD = limits.TRUST.own_short_ratio.value, limits.TRUST.own_period_ratio.value


@pytest.mark.parametrize(("scale", "short"), [(1.0, False), (RATIO, False), (RATIO * 0.98, True), (0.3, True)])
def test_both_shorter_than_this_thermostat_makes_them(scale: float, short: bool) -> None:
    """own_short_ratio: learned at half duty, both shrunk alike."""
    own = learned(*[(900.0, 900.0)] * 6)
    assert own.unlike(900.0 * scale, 900.0 * scale) is short


@pytest.mark.parametrize(("scale", "long"), [(1.5, False), (2.5, False), (2.55, True), (10.0, True)])
def test_both_longer_than_this_thermostat_makes_them(scale: float, long: bool) -> None:
    """own_long_ratio: a drain that is half clogged, so that the pan takes hours to empty and an hour to fill."""
    assert learned(*[(900.0, 900.0)] * 6).unlike(900.0 * scale, 900.0 * scale) is long


@pytest.mark.parametrize(("scale", "short"), [(PERIOD * 1.02, False), (PERIOD * 0.98, True)])
def test_a_fixed_rate_of_cycles_is_never_unlike(scale: float, short: bool) -> None:
    """own_period_ratio: two an hour, learned at half duty, asked at a tenth of it, where the band is a third."""
    own = learned(*[(900.0, 900.0)] * 6)
    assert own.unlike(1620.0 * scale, 180.0 * scale) is short
    assert not own.unlike(180.0, 1620.0)


def test_too_few_cycles_and_those_that_the_thermostat_did_not_end_teach_nothing() -> None:
    """own_cycles_least; and what is cut under a standing call is not the thermostat's."""
    least = int(limits.TRUST.own_cycles_least.value)
    assert not learned(*[(900.0, 900.0)] * (least - 1)).unlike(120.0, 300.0)
    assert learned(*[(900.0, 900.0)] * least).unlike(120.0, 300.0)
    assert not learned(*[(900.0, 900.0)] * 20, satisfied=False).unlike(120.0, 300.0)


def test_no_longer_than_its_longest_cycle_by_a_quarter_is_not_unlike() -> None:
    """own_period_ratio, upwards; and what rested for no time at all says nothing."""
    own = learned(*[(900.0, 900.0)] * 6, (11400.0, 600.0))
    assert not own.unlike(8000.0, 8000.0)  # 12000 s over three quarters
    assert own.unlike(8000.0, 8001.0)
    assert not own.unlike(0.0, 300.0)


def test_what_began_without_the_compressor_has_no_rest_before_the_next() -> None:
    """A cycle of contacts and fan alone does not tell when the house was last cooled."""
    assert learned(*[(900.0, 900.0)] * 6).unlike(120.0, 300.0)
    assert not learned(*[(900.0, 900.0)] * 6, compressor_starts=0).unlike(120.0, 300.0)


def test_a_thermostat_that_calls_again_as_the_run_stops_has_not_ended_it() -> None:
    """Nor has one that is heard to rest twice rested any less."""
    calling, resting, now_s = OwnCycles(), OwnCycles(), 0.0
    resting.thermostat(False, 0.0)
    resting.thermostat(False, 100.0)
    for _ in range(7):
        calling.thermostat(False, now_s + 900.0)
        calling.thermostat(True, now_s + 1800.0)
        now_s += 1800.0
        for own in (calling, resting):
            own.ran(cycle(now_s - 900.0, now_s))
    assert not calling.unlike(120.0, 300.0)
    assert resting.unlike(120.0, 300.0)


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize(("cut_s", "run_s"), [(270.0, 360.0), (260.0, 600.0), (9000.0, 3000.0)])
def test_what_cuts_the_call_at_times_that_are_no_thermostats_makes_no_liar(
    every_s: float, cut_s: float, run_s: float
) -> None:
    """A joint that opens hot four minutes in ten, a pan that fills again in fourteen, one that takes hours to empty;
    no blower is sensed. Each cut differs a little, as no switch's timer does, and each is told."""
    rng = Random(3)
    cuts = [part for _ in range(12) for part in ((cut_s * rng.uniform(0.8, 1.2), CUT), (run_s, RUN))]
    names = raised(*day(1), (900.0, REST), (run_s, RUN), *cuts, every_s=every_s)
    assert set(names) == {"call-not-reaching-unit"}
    assert len(names) >= 10


NEAR = limits.TRUST.alike_ratio.value


@pytest.mark.parametrize(
    ("rest", "run", "alike"),
    [
        (1.0, 1.0, True),
        (NEAR * 0.99, 1.0, True),
        (NEAR * 1.01, 1.0, False),
        (1.0, NEAR * 0.99, True),
        (1.0, NEAR * 1.01, False),
        (NEAR * 1.01, 0.8, False),
        (0.99 / NEAR, 0.99 / NEAR, False),  # each, and with them their band
        (1.01 / NEAR, 1.0, True),
        (0.5, 2.0, False),  # on the law, and not beside the last
    ],
)
def test_a_run_that_lies_on_the_thermostats_law_and_beside_its_last(rest: float, run: float, alike: bool) -> None:
    """alike_ratio."""
    own = learned(*[(900.0, 900.0)] * 6)
    assert own.alike(900.0 * rest, 900.0 * run) is alike
    assert not OwnCycles().alike(900.0, 900.0)


def test_the_run_that_it_lies_beside_is_the_last_one() -> None:
    """All on one law; the weather has turned."""
    own = learned(*[(600.0, 1800.0)] * 5, (900.0, 900.0))
    assert own.alike(900.0, 900.0)
    assert not own.alike(600.0, 1800.0)


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
def test_a_utility_that_cuts_half_of_each_half_hour_accuses_no_thermostat(every_s: float) -> None:
    """A quarter of an hour off and one on (common practice of load control) lies on the law of a thermostat of two
    cycles an hour; in the heat in which it is done this one runs for longer and rests for less."""
    hot = [part for rest_s, run_s in [law(0.7, 2.0)] * 6 for part in ((rest_s, REST), (run_s, RUN))]
    cuts = [part for _ in range(4) for part in ((900.0, RUN), (900.0, CUT))]
    assert set(raised(*hot, (600.0, REST), *cuts, every_s=every_s)) == {"call-not-reaching-unit"}


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_sensor_stuck_at_1_over_a_thermostats_own_cycles_alarms_once(every_s: float, seed: int) -> None:
    """At the second time that the call goes, after a rest and a run as the thermostat makes them; before this unit's
    own are known, at the third."""
    stuck = [(held_s, but(readings, thermostat=True)) for held_s, readings in reversed_day(seed + 5)]
    names = raised(*day(seed), *stuck, every_s=every_s, fitted=ALL)
    assert names == ["call-not-reaching-unit", "sensing-disagrees"]
    names = raised(*day(seed)[:8], *stuck, every_s=every_s, fitted=ALL)
    assert names == ["call-not-reaching-unit"] * 2 + ["sensing-disagrees"]


def test_runs_shorter_than_any_rule_of_thumb_are_a_thermostats_own_as_well() -> None:
    """An oversized unit's runs of two or three minutes (common practice) ended no run by TRUST.whole_run_s, so that a
    sensor stuck at 1 alarmed at each rest for good."""
    rng = Random(4)
    short = [(rng.uniform(0.9, 1.1) * held_s, part) for _ in range(8) for held_s, part in ((500.0, REST), (160.0, RUN))]
    stuck = [(held_s, but(readings, thermostat=True)) for held_s, readings in short]
    names = raised(*short, *stuck, every_s=5.0)
    assert [name for name in names if name != "short-cycling"] == ["call-not-reaching-unit", "sensing-disagrees"]
