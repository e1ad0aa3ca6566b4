"""No "over" while the cause is in the world: simulated units with the thermostat off, away, mild weather, the breaker
off, and service afterwards; and a person's word that the next call confirms or takes back."""

from __future__ import annotations

import pytest

from condenser_monitor.monitor.alarms.episodes import Trial
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.records import AlertState, Episode, EpisodeState, Request, RequestKind
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.sim.bench_cases import CASES
from tests.benchmarks.household import House, live
from tests.monitor import units
from tests.size import long_one, one_in

SETTINGS = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
DEAD = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
OFF = units.but(units.REST, supply=False)
BY_CAUSE = {case.cause: case for case in reversed(CASES)}


def test_every_finding_says_what_proves_it_repaired() -> None:
    """The table stands beside the catalogue, each row in words."""
    assert all(
        row.words and row.times >= 1 and row.hold_s >= 60 for row in (finding.proof for finding in CATALOGUE.values())
    )


@one_in(4)
@pytest.mark.parametrize("house", ["thermostat-off", "breaker-off", "away"])
@pytest.mark.parametrize("weather", ["hot", "mild"])
@pytest.mark.parametrize("cause", ["coil-burnt-open", "fan-winding-opens"])
def test_obeying_a_message_or_mild_weather_is_no_all_clear(cause: str, weather: str, house: House) -> None:
    """A day and more in which nothing was repaired: nothing is told to be over."""
    assert live(BY_CAUSE[cause], weather, house, 2.0).false_over == ()


@long_one
@pytest.mark.parametrize("cause", ["coil-burnt-open"])
def test_a_repair_is_told_without_anybody_saying_so(cause: str) -> None:
    """Repaired a day after the message: the runs that follow prove it, and the end is told."""
    lived = live(BY_CAUSE[cause], "hot", "repairs", 4.0)
    assert lived.false_over == ()
    assert lived.over_after_repair


def fed(*parts: tuple[float, units.Readings], engine: Engine, from_s: float = 0.0) -> float:
    """Feed an engine some readings; the time after them."""
    for scan in units.scans(*parts, from_s=from_s):
        engine.feed(scan)
    return from_s + sum(seconds for seconds, _ in parts)


def episode(engine: Engine) -> Episode:
    (found,) = engine.status().episodes
    return found


def ask(engine: Engine, kind: RequestKind, now_s: float) -> None:
    request = Request(id=f"{kind}-{now_s}", request=kind, by="Sam", finding="episode-1")
    answer, _ = engine.request(request, now_s, None)
    assert answer.done, answer.why


def test_a_word_is_confirmed_by_the_next_run() -> None:
    """One run of five minutes is enough where a person says that it is repaired; without the word it is not."""
    engine = Engine(SETTINGS)
    now_s = fed((20, units.REST), (60, DEAD), (60, units.REST), (400, units.RUN), (60, units.REST), engine=engine)
    assert episode(engine).state is EpisodeState.QUIET
    assert episode(engine).works
    ask(engine, RequestKind.REPAIRED, now_s)
    assert episode(engine).state is EpisodeState.REPAIRED
    assert not episode(engine).works
    fed((60, units.REST), (420, units.RUN), (10, units.REST), engine=engine, from_s=now_s)
    assert episode(engine).state is EpisodeState.OVER


def test_a_word_is_taken_back_by_the_next_call() -> None:
    """It fails again: the same episode, open, and the word is counted as taken back."""
    engine = Engine(SETTINGS)
    now_s = fed((20, units.REST), (60, DEAD), (60, units.REST), engine=engine)
    ask(engine, RequestKind.REPAIRED, now_s)
    fed((60, DEAD), engine=engine, from_s=now_s)
    found = episode(engine)
    assert (found.id, found.state, found.taken_back) == ("episode-1", EpisodeState.ACTIVE, 1)
    assert found.repaired_by is None


def test_a_word_given_within_a_call_that_goes_on_is_taken_back_when_nothing_runs() -> None:
    """No new call has to come: a quarter of an hour later the unit is still called and does not cool. Whoever repaired
    it in that time, or switched the thermostat off, is believed until the next call."""
    engine = Engine(SETTINGS)
    now_s = fed((20, units.REST), (60, DEAD), engine=engine)
    ask(engine, RequestKind.REPAIRED, now_s)
    now_s = fed((800, DEAD), engine=engine, from_s=now_s)
    assert (episode(engine).repaired_by, episode(engine).taken_back) == ("Sam", 0)
    fed((200, DEAD), engine=engine, from_s=now_s)
    found = episode(engine)
    assert (found.state, found.repaired_by, found.answered_by, found.taken_back) == (EpisodeState.ACTIVE, None, None, 1)
    for after in (units.RUN, units.REST):
        engine = Engine(SETTINGS)
        now_s = fed((20, units.REST), (60, DEAD), engine=engine)
        ask(engine, RequestKind.REPAIRED, now_s)
        fed((600, DEAD), (1800, after), engine=engine, from_s=now_s)
        assert episode(engine).taken_back == 0
        assert episode(engine).repaired_by == "Sam"


@pytest.mark.parametrize(
    ("finding", "seen", "fails"),
    [
        ("call-without-pull-in", Facts(call=True, contacts=False, compressor=False), True),
        ("call-without-pull-in", Facts(call=True, contacts=True, compressor=True, fan=True), False),
        ("call-without-pull-in", Facts(call=False, contacts=False), False),
        ("call-without-pull-in", Facts(call=True), False),
        ("contacts-stuck-closed", Facts(call=False, contacts=True, compressor=True, fan=True, supply=True), True),
        ("contacts-stuck-closed", Facts(call=True, contacts=True, compressor=True, fan=True, supply=True), False),
        ("contacts-stuck-closed", Facts(call=False, contacts=False, compressor=False, fan=False, supply=True), False),
    ],
)
def test_only_what_is_seen_to_fail_disproves_a_word(finding: str, seen: Facts, fails: bool) -> None:
    """A call that brings no cooling, or a unit that runs without one; nothing that is unknown."""
    assert Trial().fails(CATALOGUE[finding].proof, seen) is fails


def test_power_that_was_lost_at_rest_is_disproved_at_rest() -> None:
    """No call is needed to see that it is still off."""
    row, trial = CATALOGUE["line-supply-lost"].proof, Trial(called=False)
    assert trial.fails(row, Facts(call=False, supply=False))
    assert not trial.fails(row, Facts(call=False, supply=True))
    assert not trial.fails(row, Facts(call=False))


def test_the_breaker_switched_off_as_asked_is_the_same_story() -> None:
    """No second urgent thread for what the first one asked for."""
    engine = Engine(SETTINGS)
    fed((20, units.REST), (60, DEAD), (30, units.REST), (60, OFF), engine=engine)
    found = episode(engine)
    assert found.lead == "call-without-pull-in"
    assert "line-supply-lost" in found.findings


def test_volts_that_a_thermostat_leaks_past_an_open_coil_are_the_same_story() -> None:
    """Switched off as the message asked, it lets a few milliamps through; nothing loads the wire. Where the coil draws
    current, low volts are a story of their own."""
    leaked = units.but(DEAD, control_v=16.3)
    engine = Engine(SETTINGS)
    fed((20, units.REST), (60, DEAD), (60, leaked), engine=engine)
    assert set(episode(engine).findings) == {"call-without-pull-in", "low-control-voltage"}
    engine = Engine(SETTINGS)  # it opens at rest: the low volts are seen first
    fed((20, units.REST), (60, leaked), engine=engine)
    assert set(episode(engine).findings) == {"call-without-pull-in", "low-control-voltage"}
    engine = Engine(SETTINGS)
    low = units.but(units.RUN, control_v=19.0, fan_a=0.0)
    fed((20, units.REST), (60, units.but(units.RUN, fan_a=0.0)), (60, low), engine=engine)
    assert len(engine.status().episodes) == 2


def test_what_comes_back_three_times_a_day_comes_and_goes() -> None:
    """It worked in between: each failure is a return; the more returns, the more proof is asked for."""
    engine = Engine(SETTINGS)
    parts = [part for _ in range(3) for part in ((60, DEAD), (30, units.REST), (120, units.RUN), (30, units.REST))]
    fed((20, units.REST), *parts, (60, DEAD), engine=engine)
    found = episode(engine)
    assert found.often
    assert found.returns == 3
    row, trial = CATALOGUE["call-without-pull-in"].proof, Trial(returns=3)
    run = Facts(call=True, contacts=True, compressor=True, fan=True, supply=True)
    proved_h = None
    for hour in range(24 * 8):
        trial.proved(row, Facts(call=False), hour * 3600.0, 30.0)
        trial.proved(row, run, hour * 3600.0 + 60, 30.0)
        if trial.proved(row, run, hour * 3600.0 + 1800, 30.0):
            proved_h = hour
            break
    assert proved_h == 72


def test_weather_cooler_than_it_failed_in_proves_nothing() -> None:
    """A clogged condenser trips in the heat alone."""
    row = CATALOGUE["overload-cycling"].proof
    run = Facts(call=True, contacts=True, compressor=True, fan=True, supply=True)
    for outdoor_c, proved in ((26.0, False), (37.0, True)):
        trial, found = Trial(), False
        trial.failed(run, 38.0)
        for hour in range(24 * 4):
            trial.proved(row, Facts(call=False), hour * 3600.0, outdoor_c)
            trial.proved(row, run, hour * 3600.0 + 60, outdoor_c)
            found |= trial.proved(row, run, hour * 3600.0 + 2400, outdoor_c)
        assert found is proved


def test_a_snooze_ends_when_it_is_proved_repaired() -> None:
    """Nothing is left that says "snoozed" over a unit that works; when it fails again, that is news."""
    engine = Engine(SETTINGS)
    now_s = fed((20, units.REST), (60, DEAD), (60, units.REST), engine=engine)
    request = Request(id="snooze", request=RequestKind.SHELVE, by="Sam", finding="episode-1", hours=48.0)
    assert engine.request(request, now_s, None)[0].done
    ask(engine, RequestKind.REPAIRED, now_s)
    now_s = fed((420, units.RUN), (60, units.REST), engine=engine, from_s=now_s)
    assert episode(engine).state is EpisodeState.OVER
    assert engine.status().alerts == ()
    fed((60, DEAD), engine=engine, from_s=now_s)
    (alert,) = engine.status().alerts
    assert alert.state is AlertState.UNACKED


def test_a_snooze_ends_when_it_gets_worse() -> None:
    """Chatter was snoozed for a week; then the unit does not pull in at all."""
    engine = Engine(SETTINGS)
    weak = units.but(units.RUN, control_v=19.0)
    now_s = fed((20, units.REST), (60, weak), engine=engine)
    ask(engine, RequestKind.ACKNOWLEDGE, now_s)
    request = Request(id="s", request=RequestKind.SHELVE, by="Sam", finding="episode-1", hours=100.0)
    assert engine.request(request, now_s, 1_784_000_000.0)[0].done
    assert episode(engine).snoozed_until_wall_s is not None
    fed((30, units.REST), (60, units.but(DEAD, control_v=19.0)), engine=engine, from_s=now_s)
    found = episode(engine)
    assert found.snoozed_until_wall_s is None
    assert found.worst == "call-without-pull-in"
