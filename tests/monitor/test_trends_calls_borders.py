"""When a unit is overdue, on both sides of each border: what is asked of a silence before somebody is told.

Names are those of limits.CALLS. A border that moves by half tells a household that is away, twice of it keeps a hot
house waiting.
"""

from __future__ import annotations

from typing import Any

import pytest

from condenser_monitor.monitor.baselines.calls import Belief, Calls, CallsMemory, Silence
from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.load_state import Saved

HOUR, DAY = 3600.0, 86400.0


def silent(hours: float = 1.0, *, unit: Unit = Unit(), silence: dict[str, Any] | None = None, **kept: Any) -> Calls:  # noqa: B008
    """A unit that has been known for a month and was called until so many hours ago, in warm weather."""
    now_x = 40 * DAY
    begun = Silence(since_x=now_x - hours * HOUR, **(silence or {}))
    known = {"calls": 500, "days": 40, "day": 40, "felt": True, "last_day_c": 27.0, "mean_stored_h": 0.03}
    memory = CallsMemory(**known | kept, silence=begun, timeline=Saved(x_s=now_x))
    return Calls(Settings(unit=unit), memory)


LIMITS = [
    # number, hours of silence, what is known of the unit; the least and the most hours of run that may be owed
    ("owed_h", 1.0, {}, 0.7, 1.7),  # chance and a cloudy day owe half an hour
    ("missed_swings", 1.0, {"mean_stored_h": 0.11}, 1.1, 2.7),  # 10 to 24 swings: a set point 2 K up, walls and all
    ("missed_most_h", 1.0, {"mean_stored_h": 4.0}, 2.0, 4.0),  # half a day of one that runs 8 h a day, not a whole one
    ("spell_h", 48.0, {}, 0.7, 1.2),  # a hot unit two days silent owes no more than one of an hour
    ("spell_h", 130.0, {}, 1.3, 2.5),  # a cool spell of the end of summer
    ("unfelt_ratio", 1.0, {"felt": False}, 1.4, 3.0),  # nobody knows how cool it is
    ("habit_ratio", 1.0, {"most_h": {38: {7: 4.0}}}, 6.0, 11.0),  # well more than it ever owed, and not three times
    ("explained_ratio", 1.0, {"explained_h": {38: 4.0}}, 4.1, 7.0),  # a little more than the trip's silence before
    ("explained_ratio", 1.0, {"word_h": {38: 4.0}}, 4.1, 7.0),  # the same by a person's word
]


@pytest.mark.parametrize(("number", "hours", "known", "least_h", "most_h"), LIMITS)
def test_so_much_may_be_owed(number: str, hours: float, known: dict[str, Any], least_h: float, most_h: float) -> None:
    """`number`, of CALLS (owed_h: of OVERDUE_CALL)."""
    calls = silent(hours, **known)
    calls.update(0.0, wall_s=None, call=False, outdoor_c=27.0 if calls.kept.felt else None)
    owed = calls.owed()
    assert owed is not None
    assert least_h < owed.limit_h < most_h, (number, owed)


@pytest.mark.parametrize(("habit", "began_h", "counts"), [(3, 8, True), (3, 13, True), (3, 1, False), (0, 22, True)])
def test_a_habit_is_one_of_its_hours(habit: int, began_h: int, counts: bool) -> None:
    """CALLS.habit_within_h: who leaves at nine may leave at seven or at noon; a silence from night on is another. Days
    go round: one of midnight is near to the late evening."""
    calls = silent(24.0 - began_h, most_h={38: {habit: 4.0}})
    owed = calls.owed()
    assert owed is not None
    assert (owed.limit_h > 4.0) is counts


@pytest.mark.parametrize(("days", "any_hour"), [(8, True), (25, False)])
def test_a_habit_has_its_hours_once_weeks_are_known(days: int, any_hour: bool) -> None:
    """CALLS.habit_hours_days: a week has shown one weekend."""
    owed = silent(2.0, days=days, most_h={38: {3: 4.0}}).owed()
    assert owed is not None
    assert (owed.limit_h > 4.0) is any_hour


def test_a_habit_moves_with_the_clock() -> None:
    """The time of day becomes known, nine hours later: what began at nine was at 18 h."""
    calls = silent(most_h={38: {3: 4.0}})
    calls.update(0.0, wall_s=9 * HOUR, call=False, outdoor_c=27.0)
    assert calls.kept.most_h == {38: {6: 4.0}}


@pytest.mark.parametrize(("owed_h", "kept"), [(0.3, False), (0.9, True)])
def test_what_limits_nothing_is_not_kept(owed_h: float, kept: bool) -> None:
    """Twice of a few minutes of a rest between two calls is less than any unit may owe."""
    calls = silent(2.0, silence={"owed_h": owed_h, "most_h": owed_h})
    calls.update(0.0, wall_s=None, call=True, outdoor_c=27.0)
    assert bool(calls.kept.most_h) is kept


@pytest.mark.parametrize(("ago_days", "kept"), [(45, True), (90, False)])
def test_a_habit_is_remembered_for_some_weekends(ago_days: int, kept: bool) -> None:
    """CALLS.habit_days: over a summer's weekends, not from one summer to the next."""
    calls = silent(most_h={40 - ago_days: {7: 4.0}})
    calls.update(0.0, wall_s=None, call=False, outdoor_c=27.0)
    calls.update(DAY, wall_s=None, call=None, outdoor_c=27.0)
    assert bool(calls.kept.most_h) is kept


@pytest.mark.parametrize(
    ("known", "ago_days", "kept"),
    [("explained_h", 7, True), ("explained_h", 15, False), ("word_h", 300, True), ("word_h", 600, False)],
)
def test_what_was_no_fault_is_remembered_for_a_trip_and_by_word_for_a_year(
    known: str, ago_days: int, kept: bool
) -> None:
    """CALLS.explained_days, CALLS.word_days."""
    remembered: dict[str, Any] = {known: {40 - ago_days: 4.0}}
    calls = silent(**remembered)
    calls.update(0.0, wall_s=None, call=False, outdoor_c=27.0)
    calls.update(DAY, wall_s=None, call=None, outdoor_c=27.0)
    assert bool(getattr(calls.kept, known)) is kept


def test_a_persons_word_never_makes_an_open_switch_wait_for_a_day() -> None:
    """CALLS.word_most_h: a unit that runs 8 h a day owes four hours in half a day."""
    calls = silent(30.0, silence={"owed_h": 12.0, "most_h": 12.0, "overdue": True, "overdue_x": 39.5 * DAY})
    calls.excuse()
    owed = calls.owed()
    assert owed is not None
    assert 1.6 < owed.limit_h < 4.0


@pytest.mark.parametrize(("hours", "decided"), [(2.0, False), (4.0, True)])
def test_how_calls_come_back_is_watched_for_some_hours(hours: float, decided: bool) -> None:
    """CALLS.return_h: a tight schedule of a recovery from a setback takes one to three hours."""
    calls = silent(20.0, silence={"overdue": True, "overdue_x": 39.5 * DAY, "owed_h": 3.0, "most_h": 3.0})
    for step in range(int(hours * 4) + 2):
        calls.update(step * 900.0, wall_s=None, call=step > 0, outdoor_c=27.0)
    assert (calls.kept.back is None) is decided


def test_what_is_owed_is_that_of_a_day_with_half_of_the_usual_heat() -> None:
    """CALLS.day_spread: known for certain to run half of the hour, it owes a third of it. The sun alone makes days that
    are equally warm differ by half: total radiation of clear and of overcast days (common practice)."""
    belief = Belief(mean=[0.0] * 20, covariance=[[0.0] * (place + 1) for place in range(20)])
    belief.age(1000.0)
    assert 0.2 < belief.share(((0, 1.0), (3, 1.0))) < 0.38
    assert belief.likely(((0, 1.0), (3, 1.0))) == 0.5


@pytest.mark.parametrize(("hours", "least", "most"), [(6.0, 0.55, 0.9), (72.0, 0.0, 0.25)])
def test_what_a_day_brings_is_believed_of_its_hours_and_not_of_the_next_ones(
    hours: float, least: float, most: float
) -> None:
    """CALLS.day_h: the sun of a day is that of its afternoon; the weather of two days hence owes it nothing (a synoptic
    system passes in two to four days; common practice)."""
    belief = Belief(mean=[0.0] * 20, covariance=[[0.0] * (place + 1) for place in range(20)])
    belief.mean[3] = 1.0
    belief.age(hours)
    assert least < belief.mean[3] < most


@pytest.mark.parametrize(("hours", "teaches"), [(3.0, True), (9.0, False)])
def test_a_run_far_beyond_what_the_weather_asks_for_teaches_nothing_more(hours: float, teaches: bool) -> None:
    """CALLS.overcooled_h: a recovery from a setback of 3 K takes one to three hours (common practice); what runs on for
    a night is stuck, or set to 60 °F by somebody who waits."""
    calls = silent(1.0)
    calls.kept.belief = Belief(  # well known to be seldom called
        mean=[-4.0, *[0.0] * 19], covariance=[[*[0.0] * place, 0.01] for place in range(20)]
    )
    before = 0.0
    for step in range(int(hours * 60)):
        if step == int(hours * 60) - 61:
            before = calls.kept.belief.mean[0]
        calls.update(step * 60.0, wall_s=None, call=True, outdoor_c=22.0)
    assert (calls.kept.belief.mean[0] != before) is teaches


def test_a_silence_that_ends_by_itself_twice_is_a_habit() -> None:
    """CALLS.habit_ratio: told and ended within hours, the next must owe as much again; a second time within the months
    of habits well more. A pan that drains by itself is told twice, and then when it stays longer."""
    limits_h = []
    for told_day in (None, 30, -30):
        overdue = {"overdue": True, "overdue_x": 40 * DAY - 1800.0, "owed_h": 3.0, "most_h": 3.0}
        calls = silent(20.0, silence=overdue, told_day=told_day)
        calls.update(0.0, wall_s=None, call=True, outdoor_c=27.0)
        calls.update(60.0, wall_s=None, call=False, outdoor_c=27.0)
        owed = calls.owed()
        assert owed is not None
        limits_h.append(owed.limit_h)
    assert limits_h == pytest.approx([3.0, 6.0, 3.0], rel=0.2)


@pytest.mark.parametrize(("days", "in_season"), [(8.0, True), (14.0, False)])
def test_a_unit_that_nobody_called_for_two_weeks_is_out_of_season(days: float, in_season: bool) -> None:
    """CALLS.season_s: longer than a week of mild weather or of people away."""
    assert silent(days * 24.0).in_season is in_season


@pytest.mark.parametrize(("calls", "learned"), [(6, False), (14, True)])
def test_an_installers_trials_are_no_calls_to_learn_from(calls: int, learned: bool) -> None:
    """CALLS.calls."""
    assert silent(calls=calls).learned is learned


@pytest.mark.parametrize(("days", "learned"), [(0, False), (1, True)])
def test_a_unit_is_judged_after_its_first_midnight(days: int, learned: bool) -> None:
    """CALLS.days."""
    assert silent(days=days).learned is learned


@pytest.mark.parametrize(("minutes", "kept"), [(40.0, True), (90.0, False)])
def test_an_hour_that_nobody_watched_may_have_held_a_call(minutes: float, kept: bool) -> None:
    """CALLS.gap_s: calls last 10 to 30 minutes."""
    calls = silent(5.0, silence={"owed_h": 0.5})
    calls.update(0.0, wall_s=None, call=False, outdoor_c=16.0)
    calls.update(minutes * 60.0, wall_s=None, call=False, outdoor_c=16.0)
    assert calls.kept.silence is not None
    assert (calls.kept.silence.owed_h > 0.2) is kept


@pytest.mark.parametrize(("after_h", "habit"), [(6.0, True), (12.0, False)])
def test_a_call_that_comes_before_anybody_can_have_repaired_it_was_a_habit(after_h: float, habit: bool) -> None:
    """CALLS.repair_s."""
    overdue = {"overdue": True, "overdue_x": 40 * DAY, "owed_h": 3.0, "most_h": 3.0}
    calls = silent(20.0, silence=overdue)
    for step in range(int(after_h * 2) + 1):
        calls.update(step * 1800.0, wall_s=None, call=False, outdoor_c=27.0)
    calls.update(after_h * HOUR + 60.0, wall_s=None, call=True, outdoor_c=27.0)
    assert bool(calls.kept.most_h) is habit


@pytest.mark.parametrize(("outdoor_c", "owes"), [(12.0, False), (19.0, True)])
def test_a_house_in_cold_air_owes_nothing(outdoor_c: float, owes: bool) -> None:
    """CALLS.from_c: below about 60 °F a house is cooled through its walls (the balance point of degree days, 65 °F)."""
    calls = silent(1.0)
    calls.kept.belief.mean[0] = 4.0  # one that is called at any temperature
    for step in range(5):
        calls.update(step * 1800.0, wall_s=None, call=False, outdoor_c=outdoor_c)
    assert calls.kept.silence is not None
    assert (calls.kept.silence.owed_h > 0.0) is owes


def test_what_is_owed_fades_as_fast_as_a_house_cools() -> None:
    """CALLS.fade_h: a house's time constant is one to four days; after 36 h a quarter to two thirds is left."""
    calls = silent(5.0, silence={"owed_h": 4.0}, most_h={39: {6: 20.0}})
    calls.kept.belief.mean[0] = -20.0  # never called, by all that is known
    for step in range(73):
        calls.update(step * 1800.0, wall_s=None, call=False, outdoor_c=20.0)
    assert calls.kept.silence is not None
    assert 0.3 < calls.kept.silence.owed_h / 4.0 < 0.62
