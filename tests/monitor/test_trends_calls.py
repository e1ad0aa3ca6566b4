"""When a unit is overdue for a call: what is learned, what is told and when, and what is not."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import msgspec
import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.calls import CALLS_MEMORY, Belief, Calls
from condenser_monitor.monitor.core.config import Settings, parse
from condenser_monitor.monitor.core.records import AlertState, Change, EpisodeState, Request, RequestKind, Scan
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.strings.calm import Reason, calm
from tests.monitor.test_trends import swing_c

DAY_S = 86400.0
STEP_S = 120.0
SENSORS = ("call", "compressor_a", "outdoor_c")
Silent = Callable[[float], bool]


def weather_c(at_s: float, *, mean_c: float = 27.0, hotter_k: float = 0.0) -> float:
    """Days of 8 K of swing about a mean that wanders by 2 K over ten days."""
    day = at_s / DAY_S
    return swing_c(at_s / 3600.0 % 24, mean_c=mean_c + hotter_k + 2.0 * (abs(day % 10 - 5) - 2.5) / 2.5)


def called(at_s: float, outdoor_c: float, *, from_c: float = 22.0) -> bool:
    """A house that needs 5 % of each half hour for every K above 22 °C outdoors."""
    share = min(max(0.05 * (outdoor_c - from_c), 0.0), 1.0)
    return at_s % 1800.0 < 1800.0 * share


def never(at_s: float) -> bool:
    return False


def days_of(first: float, last: float, silent: Silent = never, **weather: float) -> Iterator[tuple[float, bool, float]]:
    """(time, call, outdoor °C) every two minutes; `silent`: no call comes through at that time."""
    for step in range(round(first * DAY_S / STEP_S), round(last * DAY_S / STEP_S)):
        at_s = step * STEP_S
        outdoor_c = weather_c(at_s, **weather)
        yield at_s, called(at_s, outdoor_c) and not silent(at_s), outdoor_c


def live(calls: Calls, found: Iterator[tuple[float, bool, float]], *, less_s: float = 0.0) -> list[tuple[float, bool]]:
    """(day, overdue) at each change of the answer. `less_s`: where the process's own seconds begin."""
    changes: list[tuple[float, bool]] = []
    was = bool(calls.overdue)
    for at_s, call, outdoor_c in found:
        calls.update(at_s - less_s, wall_s=at_s, call=call, outdoor_c=outdoor_c)
        if bool(calls.overdue) is not was:
            was = not was
            changes.append((at_s / DAY_S, was))
    return changes


def learned(days: float = 14.0) -> Calls:
    calls = Calls(Settings())
    assert live(calls, days_of(0.0, days)) == []
    return calls


def full(belief: Belief) -> Any:
    """The covariance as a matrix, of which the memory holds the rows up to the diagonal."""
    half = np.array([[*row, *[0.0] * (20 - len(row))] for row in belief.covariance])
    return half + np.tril(half, -1).T


def test_what_is_learned_hour_by_hour_is_the_posterior_mode_of_all_hours() -> None:
    """400 hours of shares drawn from known rates: the filter ends where scipy.optimize finds the mode of the posterior
    of the same prior and all trials at once, within a fifth of a standard deviation, and covers the truth."""
    rng = np.random.default_rng(7)
    truth = np.array([-1.0, 1.6, 0.4, 0.0, -0.4, -0.6, 0.0, 0.2, 0.5, 0.6, 0.1, -0.4, *[0.0] * 4, -0.5, -0.8, 0.0, 0.0])
    trials, rows, shares = int(limits.CALLS.trials_per_h.value), [], []
    belief = Belief.prior()
    prior = belief.copy()
    for hour in range(400):
        stretch, workday = hour % 24 // 3, 2 / 7 if hour // 24 % 7 < 5 else -5 / 7
        of_day = ((4 + stretch, 1.0), (12 + stretch, workday))
        terms = ((0, 1.0), (1, rng.normal(0.5, 1.0)), (2, rng.normal(0.0, 0.5)), *of_day)
        row = np.zeros(20)
        for place, value in terms:
            row[place] = value
        share = rng.binomial(trials, expit(row @ truth)) / trials
        belief.learn(terms, share, trials)
        rows.append(row)
        shares.append(share)
    seen, called_share = np.array(rows), np.array(shares)
    first = full(prior)

    def cost(mean: Any) -> float:
        logit = seen @ mean
        likelihood = trials * np.sum(called_share * logit - np.logaddexp(0.0, logit))
        return float(np.sum((mean - prior.mean) ** 2 / np.diag(first)) / 2.0 - likelihood)

    mode = minimize(cost, np.zeros(20)).x
    spread = np.sqrt(np.diag(full(belief)))
    assert np.all(np.abs(np.array(belief.mean) - mode) < 0.35 * spread)
    assert np.all(np.abs(np.array(belief.mean) - truth) < 3.0 * spread)


def test_ten_years_of_hours_leave_a_covariance() -> None:
    """Ten summers of hours, and winters in which only days pass: as a covariance must be, its least eigenvalue
    (numpy.linalg.eigvalsh) is above zero. Rounding alone, which doubled every 45 days, made one of which both halves
    were kept indefinite in the seventh year."""
    rng = np.random.default_rng(3)
    belief = Belief.prior()
    for day in range(3660):
        belief.fade(1.0)
        if day % 365 >= 180:
            continue
        mean_c = 20.0 + 8.0 * np.sin(np.pi * (day % 365) / 180.0)
        for stretch in range(8):
            outdoor_c = mean_c + 5.0 * np.sin(stretch * np.pi / 4.0 - 2.0)
            of_day = ((3, 1.0), (4 + stretch, 1.0), (12 + stretch, 2 / 7 if day % 7 < 5 else -5 / 7))
            terms = ((0, 1.0), (1, (outdoor_c - 22.0) / 5.0), (2, (mean_c - outdoor_c) / 5.0), *of_day)
            belief.age(3.0)
            belief.learn(terms, float(np.clip(0.1 * (outdoor_c - 20.0) + rng.normal(0.0, 0.1), 0.0, 1.0)), 1.0)
    assert np.linalg.eigvalsh(full(belief))[0] > 0.0
    assert np.abs(belief.mean).max() < 5.0


def test_a_turned_day_and_its_way_back_change_nothing() -> None:
    """A clock three hours off and set right again: the same belief."""
    belief = Belief.prior()
    belief.learn(((0, 1.0), (1, 0.5), (2, 0.1), (3, 1.0), (6, 1.0), (14, 2 / 7)), 0.75, 1.0)
    turned = belief.copy()
    turned.turn(2)
    assert (turned.mean[8], turned.mean[16]) == (belief.mean[6], belief.mean[14])
    turned.turn(-2)
    assert turned == belief


def test_a_call_that_stays_away_in_warm_weather_is_told_within_half_a_day() -> None:
    """From 10 h of a warm day no call comes through: told that day; the next call takes it back."""
    changes = live(learned(19.4), days_of(19.4, 21.0, lambda at_s: 19.42 <= at_s / DAY_S < 20.5))
    assert [overdue for _, overdue in changes] == [True, False]
    assert 19.42 < changes[0][0] < 19.92
    assert changes[1][0] == pytest.approx(20.5, abs=0.03)


@pytest.mark.parametrize("hour", [0, 6, 12, 18])
def test_also_on_days_hotter_than_any_before(hour: int) -> None:
    """The fortnight of learning had 31 °C at most, now it is up to 40 °C: told within 12 hours at any hour."""
    at = 14.0 + hour / 24
    changes = live(learned(), days_of(14.0, 16.0, lambda at_s: at_s / DAY_S >= at, hotter_k=9.0))
    assert len(changes) == 1
    assert changes[0][0] - at < 0.5


def test_the_less_is_known_the_later_it_is_told() -> None:
    """A unit is not judged before its first midnight, and then late; one of three days later than one of two weeks, in
    the same weather. A few calls are an installer's, and say nothing."""
    calls = Calls(Settings())
    ((first, _),) = live(calls, days_of(0.0, 1.9, lambda at_s: at_s / DAY_S >= 0.7))
    assert 1.0 <= first < 1.5
    calls = Calls(Settings())
    assert live(calls, days_of(0.0, 1.9, lambda at_s: at_s / DAY_S >= 0.2)) == []
    assert not calls.learned
    delays = []
    for first in (0.0, 10.0):  # the weather comes back every ten days
        calls = Calls(Settings())
        live(calls, days_of(0.0, first + 3.4))
        at = first + 3.4
        ((day, told),) = live(calls, days_of(at, at + 2.0, lambda at_s: True))
        assert told
        delays.append(day - at)
    assert delays[1] < delays[0] < 1.0


def test_mild_weather_brings_no_call_and_is_no_fault() -> None:
    """After a warm fortnight a week of 12 to 22 °C without a call, and then warm days with calls again."""
    calls = learned()
    assert live(calls, days_of(14.0, 21.0, mean_c=17.0)) == []
    assert live(calls, days_of(21.0, 23.0)) == []


@pytest.mark.parametrize("raised_k", [2.0, 4.0])
def test_a_raised_set_point_in_warm_weather_is_no_fault(raised_k: float) -> None:
    """The house needs no cooling until it is 2 or 4 K warmer outdoors than usual: a journey of ten days."""
    calls = learned(20.0)
    for step in range(round(20 * DAY_S / STEP_S), round(30 * DAY_S / STEP_S)):
        at_s = step * STEP_S
        outdoor_c = weather_c(at_s)
        call = called(at_s, outdoor_c, from_c=22.0 + raised_k)
        calls.update(at_s, wall_s=at_s, call=call, outdoor_c=outdoor_c)
        assert not calls.overdue, at_s / DAY_S


def test_a_unit_that_runs_for_hours_at_each_call_owes_some_calls_first() -> None:
    """Two hours of it are many calls of one that cycles, and not even one of a variable-speed unit's, whose silences
    last 9.6 h each."""
    found = {}
    for every_h in (0.5, 16.0):
        calls = Calls(Settings())
        for step in range(round(8.0 * DAY_S / STEP_S)):
            at_s = step * STEP_S
            called_now = at_s % (every_h * 3600.0) < 0.4 * every_h * 3600.0 and at_s < 7.0 * DAY_S
            calls.update(at_s, wall_s=at_s, call=called_now, outdoor_c=28.0)
            if calls.overdue and every_h not in found:
                found[every_h] = at_s / 3600.0 - 7.0 * 24.0
    assert found[0.5] < 12.0
    assert found.get(16.0, 99.0) > 10.0  # the next call was due at 8


def test_the_habits_of_a_household_are_learned_as_they_come() -> None:
    """Off from 8 to 17 h on workdays: no setback is told, from the first week on; a silent evening then is."""

    def work(at_s: float) -> bool:
        return at_s // DAY_S % 7 < 5 and 8 <= at_s / 3600 % 24 < 17

    calls = Calls(Settings())
    assert live(calls, days_of(0.0, 28.0, work)) == []
    changes = live(calls, days_of(28.0, 31.0, lambda at_s: work(at_s) or at_s / DAY_S >= 28.7))
    assert len(changes) == 1
    assert changes[0][0] < 30.0


def test_what_was_told_does_not_become_a_habit() -> None:
    """Three days silent and told, repaired, and silent again a week later: told as soon as the first time."""
    calls = learned()
    first = live(calls, days_of(14.0, 29.0, lambda at_s: 19.4 <= at_s / DAY_S < 22.5))
    again = live(calls, days_of(29.0, 31.0, lambda at_s: at_s / DAY_S >= 29.4))
    assert [overdue for _, overdue in first] == [True, False]
    assert again[0][0] - 29.4 == pytest.approx(first[0][0] - 19.4, abs=0.05)


def test_what_ends_by_itself_within_hours_must_owe_more_the_next_time() -> None:
    """Told, and called again three hours later, as by somebody who came home: the limit rises to what was owed, and no
    further; a silence that stays is told all the same."""
    calls = learned(19.4)
    ((told, _),) = live(calls, days_of(19.4, 20.4, lambda at_s: True))
    short = learned(19.4)
    live(short, days_of(19.4, 20.4, lambda at_s: at_s / DAY_S < told + 0.125))
    live(short, days_of(20.4, 29.4))
    assert not short.overdue
    ((again, overdue),) = live(short, days_of(29.4, 31.4, lambda at_s: True))
    assert overdue
    assert told - 19.4 < again - 29.4 < 2 * (told - 19.4)


def test_a_persons_word_ends_it_until_the_next_call() -> None:
    """Overdue, "it was switched off": no more of it, for days; after the next call the unit is watched again."""
    calls = learned()
    live(calls, days_of(14.0, 15.0, lambda at_s: at_s / DAY_S >= 14.3, hotter_k=4.0))
    assert calls.overdue
    calls.excuse()
    assert live(calls, days_of(15.0, 20.0, lambda at_s: at_s / DAY_S < 19.5)) == []
    changes = live(calls, days_of(20.0, 21.5, lambda at_s: at_s / DAY_S >= 20.4, hotter_k=2.0))
    assert [overdue for _, overdue in changes] == [True]


@pytest.mark.parametrize("teaches", [True, False])
def test_the_calls_of_a_unit_that_does_not_cool_are_no_measure_of_the_days_after(teaches: bool) -> None:
    """Four days called without a pause (a fan that stands still), then as ever: owed is what the sound unit was called,
    and nothing is overdue. What the calls of those days would teach shows that it matters."""
    calls, sound = learned(), learned()
    for at_s, _, outdoor_c in days_of(14.0, 18.0):
        calls.update(at_s, wall_s=at_s, call=True, outdoor_c=outdoor_c, teaches=teaches)
    for at_s, _, _ in days_of(14.0, 18.0):
        sound.update(at_s, wall_s=at_s, call=None, outdoor_c=None)
    noon = ((0, 1.0), (1, 1.0))
    grown = calls.kept.belief.share(noon) / sound.kept.belief.share(noon)
    assert abs(grown - 1.0) < 0.02 or teaches
    assert grown > 1.2 or not teaches
    assert calls.kept.mean_stored_h < 0.5 or teaches


def test_out_of_season_nothing_is_told() -> None:
    """Not called for a winter, then warm days before anybody has switched it on."""
    calls = learned()
    assert live(calls, days_of(14.0, 60.0, mean_c=10.0)) == []
    assert live(calls, days_of(60.0, 64.0, lambda at_s: True)) == []
    assert not calls.in_season


def test_a_heat_pump_in_winter_neither_teaches_nor_is_overdue() -> None:
    """Below 18 °C its calls are for heat."""
    calls = Calls(parse("[unit]\nheat_pump = true\n"))
    live(calls, days_of(0.0, 14.0))
    mean, stored_h = list(calls.kept.belief.mean), calls.kept.mean_stored_h
    for step in range(round(14 * DAY_S / STEP_S), round(20 * DAY_S / STEP_S)):
        at_s = step * STEP_S
        calls.update(at_s, wall_s=at_s, call=at_s % 1800 < 900, outdoor_c=weather_c(at_s, mean_c=3.0))
    assert calls.kept.belief.mean == mean
    assert calls.kept.mean_stored_h == stored_h
    assert live(calls, days_of(20.0, 22.0, lambda at_s: True, mean_c=3.0)) == []


def test_where_nobody_watched_nothing_is_owed() -> None:
    """Two hours in which the call was not known, or without a scan: a call may have come in them."""
    calls = learned()
    live(calls, days_of(14.0, 14.6, lambda at_s: at_s / DAY_S >= 14.5))
    owed = calls.owed()
    assert owed is not None
    assert owed.owed_h > 0
    calls.update(14.7 * DAY_S, wall_s=14.7 * DAY_S, call=False, outdoor_c=30.0)
    owed = calls.owed()
    assert owed is not None
    assert owed.owed_h == 0


def test_a_restart_forgets_nothing() -> None:
    """A new process every six hours, also in the middle of a silence: told at the same time as without."""
    whole = live(learned(19.4), days_of(19.4, 20.9, lambda at_s: at_s / DAY_S >= 19.5))
    calls, changes, was, begin_s = Calls(Settings()), [], False, 0.0
    for at_s, call, outdoor_c in days_of(0.0, 20.9, lambda at_s: at_s / DAY_S >= 19.5):
        if at_s - begin_s >= 21600.0:
            kept = CALLS_MEMORY.read(_json(calls), CALLS_MEMORY.version)
            calls, begin_s = Calls(Settings(), kept), at_s - STEP_S
        calls.update(at_s - begin_s, wall_s=at_s, call=call, outdoor_c=outdoor_c)
        if bool(calls.overdue) is not was:
            was = not was
            changes.append((at_s / DAY_S, was))
    assert changes == [(pytest.approx(whole[0][0], abs=0.02), True)]


def _json(calls: Calls) -> bytes:
    return msgspec.json.encode(calls.kept)


def test_a_memory_of_the_table_before_is_read_and_its_calls_are_learned_again() -> None:
    """Version 1 held hours by stretch and degree: the clock is kept, nothing is refused."""
    old = {"table": {"3/27": [4.0, 1.5]}, "days": 30, "day": 30, "clock_s": 3600.0, "most": {"7": [1.0, 0.2]}}
    found = CALLS_MEMORY.read(msgspec.json.encode(old), 1)
    assert (found.clock_s, found.days, found.belief) == (3600.0, 0, Belief.prior())


def test_a_memory_of_eleven_terms_is_read_and_goes_on() -> None:
    """Version 2 knew neither days nor workdays: what it believed is believed, in the middle of a silence too."""
    calls = learned()
    live(calls, days_of(14.0, 14.3, lambda at_s: at_s / DAY_S >= 14.2))
    known = [place for place in range(12) if place != 3]

    def older(belief: Belief) -> dict[str, Any]:
        return {"mean": [belief.mean[place] for place in known], "covariance": full(belief)[known][:, known].tolist()}

    kept, silence = calls.kept, calls.kept.silence
    assert silence is not None
    assert silence.taught is not None
    new = {"told_day", "stored_h", "mean_stored_h", "aged_x", "week_s"}
    old = {name: value for name, value in json.loads(_json(calls)).items() if name not in new}
    old |= {"call_h": 0.2, "mean_call_h": 0.2, "belief": older(kept.belief)}
    old["silence"]["taught"] = older(silence.taught)
    found = CALLS_MEMORY.read(msgspec.json.encode(old), 2)
    assert found.silence is not None
    assert found.silence.owed_h == silence.owed_h
    for read, was in ((found.belief, kept.belief), (found.silence.taught, silence.taught)):
        assert read is not None
        assert np.abs(full(read)[np.ix_(known, known)] - full(was)[np.ix_(known, known)]).max() < 1e-12
        assert [read.mean[place] for place in known] == [was.mean[place] for place in known]
        assert read.mean[3] == 0.0 == max(np.abs(read.mean[12:]))
        assert np.linalg.eigvalsh(full(read))[0] > 0.0


def test_a_habit_of_a_memory_without_hours_holds_at_any_hour() -> None:
    """Version 3 kept a habit's most by the day alone."""
    old = json.loads(_json(learned())) | {"most_h": {"7": 4.0}}
    assert CALLS_MEMORY.read(msgspec.json.encode(old), 3).most_h == {7: dict.fromkeys(range(8), 4.0)}


def test_a_belief_of_the_wrong_size_is_refused() -> None:
    """As from a version with other terms: learning begins afresh instead of failing at each minute."""
    kept = learned(2.0).kept
    kept.belief.mean.pop()
    with pytest.raises(ValueError, match="length >= 20"):
        CALLS_MEMORY.read(msgspec.json.encode(kept), CALLS_MEMORY.version)
    kept = learned(2.0).kept
    kept.belief.covariance[5].append(0.0)
    with pytest.raises(ValueError, match="rows of other lengths"):
        CALLS_MEMORY.read(msgspec.json.encode(kept), CALLS_MEMORY.version)


def test_the_memory_stays_small() -> None:
    """Half a year of all weathers: two beliefs of twenty terms, half of their covariances, two months of habits."""
    calls = Calls(Settings())
    for day in range(0, 180, 3):
        live(calls, days_of(day, day + 1, mean_c=20.0 + 12.0 * abs(day % 60 - 30) / 30))
    assert len(_json(calls)) < 2 * (20 * 21 / 2 + 20) * 25 + 60 * 30 + 1000


def room(
    first: float,
    last: float,
    set_c: Callable[[float], float],
    cut: Silent = never,
    *,
    stuck: Silent = never,
    air_c: float = 25.0,
) -> Iterator[tuple[float, bool, float]]:
    """(time, call as it arrives, outdoor °C) of a house of one time constant, 30 h: without cooling it comes to 4 K
    above the outdoors, and with it to 18 K below; each step is the exact solution of the first-order equation (Newton's
    law of cooling). The thermostat has half a kelvin of swing; while the wire is `cut` nothing cools, while its contact
    is `stuck` nothing ends the call."""
    asks, kept = False, float(np.exp(-STEP_S / (30.0 * 3600.0)))
    for step in range(round(first * DAY_S / STEP_S), round(last * DAY_S / STEP_S)):
        at_s = step * STEP_S
        outdoor_c = weather_c(at_s)
        asks = air_c > set_c(at_s) + (-0.25 if asks else 0.25)
        call = (asks or stuck(at_s)) and not cut(at_s)
        toward_c = outdoor_c + (-18.0 if call else 4.0)
        air_c = toward_c + (air_c - toward_c) * kept
        yield at_s, call, outdoor_c


def test_a_trip_is_asked_about_once() -> None:
    """Six days with the set point 5 K up: told once, for the house comes back to calls without cooling out any heat;
    then it is known for as long as the trip lasts. Each later silence of it owes as much again."""
    calls = Calls(Settings())
    changes = live(calls, room(0.0, 30.0, lambda at_s: 30.0 if 19.4 <= at_s / DAY_S < 25.4 else 25.0))
    assert [overdue for _, overdue in changes] == [True, False]
    assert 19.4 < changes[0][0] < 19.9
    assert changes[1][0] < 21.0
    assert calls.kept.explained_h


def test_a_fault_that_lasts_as_long_as_a_trips_silence_teaches_nothing() -> None:
    """The same house, its call cut for as long as the trip's first silence, and repaired: it grew warmer than its
    people wanted, and what had flowed in must be carried out (first law of thermodynamics). Told again as soon, nine
    days later in the same weather."""

    def cut(at_s: float) -> bool:
        return 19.4 <= at_s / DAY_S < 20.7 or at_s / DAY_S >= 29.4  # the weather comes back every ten days

    calls = Calls(Settings())
    (first, _), (over, _), (again, _) = live(calls, room(0.0, 30.5, lambda at_s: 25.0, cut))
    assert over == pytest.approx(20.7, abs=0.02)
    assert not calls.kept.explained_h
    assert again - 29.4 == pytest.approx(first - 19.4, abs=0.05)
    assert first - 19.4 < 0.5


def stuck_and_cut(cut_from: float, stuck_h: float = 10.0) -> tuple[list[tuple[float, bool]], Calls]:
    """The same house, its call stuck on for some hours from the evening of day 19, and cut for good from a day on."""

    def stuck(at_s: float) -> bool:
        return 19.8 <= at_s / DAY_S < 19.8 + stuck_h / 24.0

    calls = Calls(Settings())
    first = live(calls, room(0.0, 19.8, lambda at_s: 25.0))
    assert first == []
    cut = room(19.8, 23.0, lambda at_s: 25.0, lambda at_s: at_s / DAY_S >= cut_from, stuck=stuck)
    return live(calls, cut), calls


def test_what_was_cooled_beyond_the_set_point_is_paid_off_before_a_call_is_missed() -> None:
    """Stuck on for ten hours of an evening and a night: the house is 4 K colder than its people wanted, and asks for
    nothing until the next evening (first law of thermodynamics). Nothing is told of that, nor learned of those hours;
    a call that stays away after it is."""
    told, calls = stuck_and_cut(99.0)
    assert told == []
    silence = calls.kept.silence
    for night in ((0, 1.0), (4, 1.0)), ((0, 1.0), (5, 1.0)):
        assert calls.kept.belief.likely(night) < 0.3, silence
    ((day, overdue),), _ = stuck_and_cut(20.9)
    assert overdue
    assert 21.0 < day < 22.0


def test_without_the_credit_an_overcooled_house_would_be_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the run beyond the weather stored decides it: with none of it counted the same silence is overdue."""
    monkeypatch.setattr(Calls, "_end_call", lambda calls: 0.0)
    told, _ = stuck_and_cut(99.0)
    assert told[0][1]


def test_what_a_person_explained_must_owe_more_until_the_next_summer() -> None:
    """ "It was set warmer": a later silence is told later, yet on the same day; after more than a year as before."""
    calls = learned(19.4)
    ((told, _),) = live(calls, days_of(19.4, 20.9, lambda at_s: True))
    calls = learned(19.4)
    live(calls, days_of(19.4, told + 0.1, lambda at_s: True))
    calls.excuse()
    live(calls, days_of(told + 0.1, 29.4))
    ((again, _),) = live(calls, days_of(29.4, 31.0, lambda at_s: True))
    assert told - 19.4 < again - 29.4 < 0.6
    calls.update(500.0 * DAY_S, wall_s=500.0 * DAY_S, call=None, outdoor_c=10.0)
    assert not calls.kept.word_h


# ---------------------------------------------------------------- in the engine


def scans(first: float, last: float, silent: Silent = never, **weather: float) -> Iterator[Scan]:
    for at_s, call, outdoor_c in days_of(first, last, silent, **weather):
        amps = 8.0 + 0.2 * (outdoor_c - 30.0) if call else 0.0
        yield Scan(t_s=at_s, wall_s=at_s, call=call, compressor_a=amps, outdoor_c=outdoor_c)


def said(engine: Engine, found: Iterator[Scan]) -> list[tuple[str, str, str]]:
    events = [event for scan in found for event in engine.feed(scan)]
    return [(e.change.value, e.finding, e.severity.value) for e in events if isinstance(e, Change)]


def engine_of(**how: Any) -> Engine:
    return Engine(parse("[unit]\ncompressor_rla_a = 12.8\n"), fitted=SENSORS, **how)


def test_it_is_soon_and_urgent_from_35_degrees() -> None:
    """Told as soon, urgent when it is 35 °C outdoors; over with the next call."""
    engine = engine_of()
    assert said(engine, scans(0.0, 14.3)) == []
    silent = 14.3

    def open_switch(at_s: float) -> bool:
        return silent <= at_s / DAY_S < 15.5

    mild = said(engine, scans(14.3, 15.2, open_switch, hotter_k=4.0))
    hot = said(engine, scans(15.2, 15.8, open_switch, hotter_k=9.0))
    assert mild == [("raised", "overdue-call", "soon")]
    assert hot == [("revised", "overdue-call", "urgent"), ("cleared", "overdue-call", "urgent")]


def test_it_takes_the_place_of_no_call_in_heat_once_the_unit_is_known() -> None:
    """The contract's plain rule stays for a unit without a history: seven calls in one afternoon."""
    new = engine_of()
    found = said(new, scans(0.0, 1.9, lambda at_s: not 0.55 <= at_s / DAY_S < 0.7, hotter_k=8.0))
    assert found[0] == ("raised", "no-call-in-heat", "watch")
    assert "overdue-call" not in [name for _, name, _ in found]
    known = engine_of()
    assert said(known, scans(0.0, 14.3, hotter_k=8.0)) == []
    names = [name for _, name, _ in said(known, scans(14.3, 15.8, lambda at_s: True, hotter_k=8.0))]
    assert set(names) == {"overdue-call"}


def test_the_engines_memory_holds_it_and_a_request_ends_it() -> None:
    """A restart in the middle, and "renew call" by a person."""
    engine = engine_of()
    said(engine, scans(0.0, 14.4))
    engine = engine_of(memory=engine.memory())
    assert engine.memory_refused == ""
    found = said(engine, scans(14.4, 15.0, lambda at_s: True, hotter_k=4.0))
    assert found == [("raised", "overdue-call", "soon")]
    request = Request(id="a", request=RequestKind.RENEW, by="Ada", part="call")
    answer, _ = engine.request(request, 15.0 * DAY_S, 15.0 * DAY_S)
    assert answer.done
    assert said(engine, scans(15.0, 15.6, lambda at_s: True)) == [("cleared", "overdue-call", "soon")]
    assert [finding.name for finding in engine.standing] == []


def overdue_engine() -> Engine:
    """Two weeks known, and silent since 0.4 of a hot day: told, at day 15."""
    engine = engine_of()
    said(engine, scans(0.0, 14.4))
    assert said(engine, scans(14.4, 15.0, lambda at_s: True, hotter_k=4.0)) == [("raised", "overdue-call", "soon")]
    return engine


def wish(engine: Engine, kind: RequestKind, **named: Any) -> bool:
    return engine.request(Request(id="a", request=kind, by="Ada", **named), 15.0 * DAY_S, 15.0 * DAY_S)[0].done


@pytest.mark.parametrize("how", ["episode", "finding", "renew"])
def test_a_word_that_no_call_was_meant_ends_the_alarm_until_calls_return(how: str) -> None:
    """ "We are away", by a link, by name, or as a visit's `renew call`: nothing is told for twelve days of heat, in
    which it is said to be meant and all is never well; a restart changes nothing. The next call takes the word back,
    its run ends the episode, and an open switch is told again that day."""
    engine = overdue_engine()
    (episode,) = engine.status().episodes
    asked = {"finding": episode.id} if how == "episode" else {"finding": "overdue-call"}
    done = (
        wish(engine, RequestKind.RENEW, part="call") if how == "renew" else wish(engine, RequestKind.INTENDED, **asked)
    )
    assert done
    assert said(engine, scans(15.0, 18.0, lambda at_s: True, hotter_k=6.0)) == [("cleared", "overdue-call", "soon")]
    engine = engine_of(memory=engine.memory())
    assert said(engine, scans(18.0, 27.4, lambda at_s: True, hotter_k=6.0)) == []
    (episode,) = engine.status().episodes
    assert (episode.intended_by, episode.state) == ("Ada", EpisodeState.QUIET)
    assert (calm(engine.status()).reason, calm(engine.status()).kind) == (Reason.INTENDED, "watch")
    assert [one for one in engine.status().alerts if one.state is not AlertState.NORMAL] == []
    said(engine, scans(27.4, 28.4, hotter_k=6.0))
    (episode,) = engine.status().episodes
    assert (episode.intended_by, episode.state) == (None, EpisodeState.OVER)
    assert said(engine, scans(28.4, 29.2, lambda at_s: True, hotter_k=6.0))[0][:2] == ("raised", "overdue-call")


def test_only_a_call_that_does_not_come_can_be_meant() -> None:
    """Of a fault, of an episode that holds one as well, and of nothing: refused, and nothing changes."""
    engine = engine_of()
    said(engine, scans(0.0, 14.4))
    assert not wish(engine, RequestKind.INTENDED, finding="overdue-call")
    dead = (Scan(t_s=s, wall_s=s, call=True, compressor_a=0.0, outdoor_c=c) for s, _, c in days_of(14.4, 14.5))
    assert ("raised", "call-without-run", "urgent") in said(engine, dead)
    refused = Request(id="b", request=RequestKind.INTENDED, by="Ada", finding="call-without-run")
    answer, _ = engine.request(refused, 14.5 * DAY_S, 14.5 * DAY_S)
    assert not answer.done
    assert "overdue-call" in answer.why
    assert engine.status().episodes[0].intended_by is None


def test_a_call_that_nothing_answers_teaches_the_engine_nothing_of_calls() -> None:
    """A day called without a pause, in which the compressor does not run: the call is no measure of the house."""

    def level(engine: Engine) -> float:
        return float(msgspec.json.decode(engine.memory())["calls"]["belief"]["mean"][0])

    engine = engine_of()
    said(engine, scans(0.0, 14.4))
    before = level(engine)
    dead = (Scan(t_s=s, wall_s=s, call=True, compressor_a=0.0, outdoor_c=c) for s, _, c in days_of(14.4, 15.4))
    assert ("raised", "call-without-run", "urgent") in said(engine, dead)
    assert abs(level(engine) - before) < 0.1
    said(engine, (msgspec.structs.replace(scan, call=True, compressor_a=9.0) for scan in scans(15.4, 16.4)))
    assert level(engine) > before + 0.5
