"""Presence sensors that come and go at rest. From physics: no load is fed then, nothing else bears witness, and nothing
is missed while the unit is not called (common practice: an outage's own blinks are over within minutes)."""

from __future__ import annotations

from random import Random

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.blinks import RestBlinks
from condenser_monitor.monitor.core.records import Change, ChangeKind, Scan
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import REST, RUN, SETTINGS, Readings, but, changes, raised

ALARM = {"supply": "line-supply-lost", "control_power": "control-power-lost"}


def away(name: str) -> Readings:
    return but(REST, **{name: False})


@pytest.mark.parametrize("name", ALARM)
@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("dwell_s", [20.0, 60.0])
def test_a_sensor_that_blinks_alarms_twice_at_most(name: str, every_s: float, dwell_s: float) -> None:
    """A joint that is open, and closed, for so long on average, through six hours of runs and rests."""
    for seed in range(4):
        random, engine, urgent = Random(seed), Engine(SETTINGS), []
        odd, turn_s = False, 5000.0
        for scan in range(int(6 * 3600 / every_s)):
            t_s = scan * every_s
            while t_s >= turn_s:
                odd, turn_s = not odd, turn_s + random.expovariate(1.0 / dwell_s)
            readings = RUN if t_s % 1800.0 >= 900.0 else REST
            amps = (readings["compressor_a"] or 0.0) * random.gauss(1.0, 0.005)
            said = not odd
            events = engine.feed(Scan(t_s=t_s, **but(readings, compressor_a=amps, **{name: said})))
            found = [e for e in events if isinstance(e, Change) and e.change is ChangeKind.RAISED]
            urgent += [(t_s, e.finding) for e in found if e.severity == "urgent"]
        assert len(urgent) <= 2, (seed, urgent)


@pytest.mark.parametrize("name", ALARM)
@pytest.mark.parametrize(
    ("blink_s", "times", "grace_s"),
    [
        (20.0, 1, 0.0),  # BLINKS.times
        (20.0, 2, 40.0),  # longer_ratio
        (200.0, 2, 300.0),  # most_s
        (301.0, 2, 0.0),  # most_s: that was no blink
    ],
)
def test_what_has_come_back_has_to_stay_away_for_longer(name: str, blink_s: float, times: int, grace_s: float) -> None:
    blinks, here, gone = RestBlinks(), REST, away(name)
    blinks.update(Scan(t_s=0.0, **here))
    now_s = 0.0
    for _ in range(times):
        now_s += 100.0
        blinks.update(Scan(t_s=now_s, **gone))
        now_s += blink_s
        blinks.update(Scan(t_s=now_s, **here))
    assert blinks.grace_s(ALARM[name], now_s) == grace_s
    others = [blinks.grace_s(one, now_s) for one in ALARM.values() if one != ALARM[name]]
    assert others == [0.0]
    assert blinks.grace_s(ALARM[name], now_s + limits.EPISODE_S.value) == 0.0


def test_what_began_under_a_call_or_unseen_is_no_blink_of_a_rest() -> None:
    """What was away as the rest began may have been so in the run."""
    blinks, now_s = RestBlinks(), 0.0
    for _ in range(3):
        for readings in (RUN, away("supply"), REST, away("supply")):
            blinks.update(Scan(t_s=now_s, **readings))
            now_s += 60.0
        blinks.forget()
        blinks.update(Scan(t_s=now_s, **REST))
    assert {blinks.grace_s(name, now_s) for name in ALARM.values()} == {0.0}


@pytest.mark.parametrize("name", ["supply", "control_power"])
def test_a_loss_after_blinks_is_told_when_it_lasts(name: str) -> None:
    """A recloser's two tries of 5 s, and the third that is the last: told 20 s after it began, not 10; under a call as
    soon as ever."""
    gone = away(name)
    tries = [(600.0, REST), (5.0, gone), (30.0, REST), (5.0, gone), (30.0, REST)]
    assert (690.0, "raised", ALARM[name]) in changes(*tries, (120.0, gone))
    called = but(RUN, load=False, compressor_a=0.0, fan_a=0.0, supply=False)
    if name == "supply":
        assert (680.0, "raised", ALARM[name]) in changes(*tries, (60.0, called))


def test_two_outages_at_rest_are_both_told() -> None:
    gone = away("supply")
    assert raised((600.0, REST), (60.0, gone), (300.0, REST), (60.0, gone), (300.0, REST)) == ["line-supply-lost"] * 2
