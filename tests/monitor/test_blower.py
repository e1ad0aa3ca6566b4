"""What the indoor blower tells of the thermostat: it runs with its call and 30 to 90 s beyond (common practice)."""

from __future__ import annotations

import math

import pytest

from condenser_monitor.monitor.core.blower import BlowerWatch
from condenser_monitor.monitor.core.inputs import DebouncedInput
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import ALL, REST, RUN, SETTINGS, Readings, but, changes, raised, scans

WITH = (*ALL, "blower")
OFF, ON = but(REST, blower=False), but(RUN, blower=True)
RUN_ON = but(REST, blower=True)
Part = tuple[float, Readings]


def cycles(count: int, run_on_s: float = 60.0, **stuck: object) -> list[Part]:
    """Rests, runs and the blower's run-on after them."""
    once = ((600.0, OFF), (900.0, ON), (run_on_s, RUN_ON), (300.0, OFF))
    return [(held_s, but(readings, **stuck)) for _ in range(count) for held_s, readings in once if held_s]


# Of spans that differ: what is cut for equally long each time is taken for a utility's switch.
SPANS_S = (300.0, 480.0, 360.0, 660.0, 420.0, 540.0)
REST_ON: list[Part] = [part for span_s in SPANS_S for part in ((60.0, RUN_ON), (span_s + 300.0, OFF), (900.0, ON))]
# A pan that fills while the unit runs, and drains in some minutes; the thermostat calls on.
CUT = but(REST, thermostat=True, blower=True)
PAN: list[Part] = [part for span_s in SPANS_S for part in ((span_s, CUT), (600.0, ON))]


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
def test_a_pan_that_fills_again_and_again_makes_no_liar_of_the_thermostat(every_s: float) -> None:
    """Between its trips the call looks as one that a thermostat ends; the blower that never stops says otherwise."""
    sound = [*cycles(3), (600.0, OFF), (900.0, ON)]
    for fitted, told in ((WITH, False), (ALL, True)):
        parts = [(held_s, {name: readings[name] for name in fitted}) for held_s, readings in (*sound, *PAN)]
        names = raised(*parts, fitted=fitted, every_s=every_s)
        assert ("sensing-disagrees" in names) is told, fitted
        assert names.count("call-not-reaching-unit") >= 2


def test_a_thermostat_stuck_at_1_is_found_a_call_sooner_where_the_blower_stops_on_time() -> None:
    """By the two together; by its satisfied calls alone it alarms twice."""
    stuck = [*cycles(3), (600.0, OFF), (900.0, ON), *((held_s, but(one, thermostat=True)) for held_s, one in REST_ON)]
    for fitted, told in ((WITH, 1), (ALL, 2)):
        parts = [(held_s, {name: readings[name] for name in fitted}) for held_s, readings in stuck]
        names = raised(*parts, fitted=fitted)
        assert names == [*["call-not-reaching-unit"] * told, "sensing-disagrees"], fitted


@pytest.mark.parametrize("run_on_s", [0.0, 60.0])
def test_a_board_that_stops_the_blower_for_its_float_loses_no_alarm(run_on_s: float) -> None:
    """With the call, or by its timer: the alarm comes on time and stands, and nobody is called a liar."""
    tail = ((run_on_s, CUT), (7200.0, but(CUT, blower=False)))
    found = changes(*cycles(4, run_on_s), (600.0, OFF), (600.0, ON), *(part for part in tail if part[0]), fitted=WITH)
    began_s = 4 * (1800.0 + run_on_s) + 1200.0
    assert found == [(began_s + 30.0, "raised", "call-not-reaching-unit")]


def inputs(**since_s: float) -> dict[str, DebouncedInput]:
    """Debounced inputs that have just become what their names say (`name_on`, `name_off`) at these times."""
    found = {}
    for key, at_s in since_s.items():
        name, _, word = key.rpartition("_")
        one = found[name] = DebouncedInput(name)
        one.symbol, one.was, one.since_s = word == "on", word != "on", at_s
    return found


def taught(*run_ons_s: float) -> BlowerWatch:
    """A watch that has heard calls end 3600 s apart."""
    watch = BlowerWatch()
    for number, run_on_s in enumerate(run_ons_s):
        watch.update(*inputs(call_off=3600.0 * number, blower_off=3600.0 * number + run_on_s).values())
    return watch


@pytest.mark.parametrize(
    ("run_ons_s", "blower", "now_s", "said"),
    [
        ((60.0, 60.0), {"blower_on": 9000.0}, 10_066.0, ""),  # 60 s, 5 s of slack and two scans
        ((60.0, 60.0), {"blower_on": 9000.0}, 10_067.0, "asks"),
        ((60.0,), {"blower_on": 9000.0}, 10_239.0, ""),  # not known yet: as long as any board's
        ((60.0,), {"blower_on": 9000.0}, 10_240.0, "asks"),
        ((), {"blower_on": 9000.0}, 10_240.0, ""),  # never seen to rest
        ((60.0, 60.0), {"blower_on": 9000.0}, 90_060.0, "asks"),  # has rested a day ago, at 3660 s
        ((60.0, 60.0), {"blower_on": 9000.0}, 90_061.0, ""),  # not since yesterday
        ((60.0, 60.0), {"blower_on": 10_000.0}, 10_100.0, "asks"),  # seen in the call's last scan
        ((60.0, 60.0), {"blower_on": 10_001.0}, 10_100.0, ""),  # began after the call
        ((60.0, 60.0), {"blower_off": 10_060.0}, 10_070.0, "stopped"),
        ((60.0, 60.0), {"blower_off": 10_053.0}, 10_070.0, "stopped"),
        ((60.0, 60.0), {"blower_off": 10_052.0}, 10_070.0, ""),  # too soon
        ((60.0, 60.0), {"blower_off": 10_067.0}, 10_100.0, "stopped"),
        ((60.0, 60.0), {"blower_off": 10_068.0}, 10_100.0, ""),  # too late
        ((60.0,), {"blower_off": 10_060.0}, 10_070.0, ""),
        ((0.0, 0.0), {"blower_off": 10_000.0}, 10_070.0, ""),  # with the call
        ((10.0, 10.0), {"blower_off": 10_009.0}, 10_070.0, ""),  # as good as with the call
        ((10.0, 10.0), {"blower_off": 10_010.0}, 10_070.0, "stopped"),
    ],
)
def test_what_the_blower_says_on_both_sides_of_each_border(
    run_ons_s: tuple[float, ...], blower: dict[str, float], now_s: float, said: str
) -> None:
    """Of a thermostat that calls on past the end of the call at 10 000 s, at a scan a second."""
    one = inputs(call_off=10_000.0, thermostat_on=9000.0, **blower)
    assert taught(*run_ons_s).says(one["call"], one["blower"], one["thermostat"], now_s, 1.0) == said


def test_it_says_nothing_of_a_thermostat_that_does_not_call_or_called_after_the_call_had_ended() -> None:
    """A call that begins behind an open float switch is the next one's."""
    watch = taught(60.0, 60.0)
    one = inputs(call_off=10_000.0, blower_on=9000.0, thermostat_off=9000.0)
    assert watch.says(one["call"], one["blower"], one["thermostat"], 10_400.0, 1.0) == ""
    for began_s, said in ((10_000.0, "asks"), (10_001.0, "")):
        thermostat = inputs(thermostat_on=began_s)["thermostat"]
        assert watch.says(one["call"], one["blower"], thermostat, 10_400.0, 1.0) == said


def test_a_run_on_is_that_of_a_call_that_has_ended_and_of_four_minutes_at_the_most() -> None:
    """A board's; what is off before the call, or hours after it, follows something else."""
    assert taught(0.0, 0.0).usual_s(1.0) == (-7.0, 7.0)  # 5 s of slack and two scans
    assert taught(60.0, 60.0).usual_s(10.0) == (35.0, 85.0)
    assert taught(240.0, 240.0).usual_s(1.0) is not None
    assert taught(241.0, 241.0).usual_s(1.0) is None
    assert taught(-1.0, -1.0).usual_s(1.0) is None
    watch = BlowerWatch()
    for at_s in (60.0, 3660.0):
        one = inputs(call_on=at_s - 60.0, blower_off=at_s)
        watch.update(one["call"], one["blower"])
    assert watch.usual_s(1.0) is None
    assert taught(60.0, 60.0).asks_from_s(inputs(call_on=9000.0)["call"], 1.0) == math.inf


def test_what_is_seen_when_the_watch_begins_is_no_run_on() -> None:
    """Both were off before anybody looked."""
    engine = Engine(SETTINGS, fitted=WITH)
    for scan in scans((600.0, OFF)):
        engine.feed(scan)
    assert engine._blower.usual_s(1.0) is None
