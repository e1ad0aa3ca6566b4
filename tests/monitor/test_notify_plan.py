"""What a phone is told and when, in virtual time: quiet hours, repeats, one all-clear, the daily word."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condenser_monitor.monitor.core.config import Notify
from condenser_monitor.monitor.core.records import (
    Alert,
    AlertChange,
    AlertState,
    Severity,
)
from condenser_monitor.monitor.publishers.notification_policy import NotificationPolicy, PolicyMemory

HOUR = 3600.0
URGENT, SOON, WATCH = "line-supply-lost", "low-running-current", "slow-start"
SEVERITY = {URGENT: Severity.URGENT, SOON: Severity.SOON, WATCH: Severity.WATCH}


def at(hour: float, day: int = 14) -> float:
    """An hour of a day in July 2026, UTC."""
    return datetime(2026, 7, day, tzinfo=UTC).timestamp() + hour * HOUR


def plan(**notify: Any) -> NotificationPolicy:
    return NotificationPolicy(Notify(**notify), zone=UTC)


def step(finding: str, tell: str, wall_s: float | None, state: AlertState | None = None) -> AlertChange:
    """One step of an alert; the state follows from what is told, if none is given."""
    usual = {"alarm": AlertState.UNACKED, "all-clear": AlertState.NORMAL, "no": AlertState.ACKED}
    return AlertChange(
        t_s=1.0,
        wall_s=wall_s,
        finding=finding,
        state_was=AlertState.NORMAL,
        state=state or usual[tell],
        severity=SEVERITY[finding],
        tell=tell,  # type: ignore[arg-type]
        summary="",
    )


def told(made: NotificationPolicy, wall_s: float | None) -> list[tuple[str, str]]:
    """What is sent at a moment; the service takes it."""
    items = made.due(wall_s)
    made.sent(items, wall_s)
    return [(item.kind, item.finding) for item in items]


@pytest.mark.parametrize(
    ("begin", "end", "quiet", "loud"),
    [
        ("22:00", "07:00", (22.0, 23.9, 0.0, 6.99), (7.0, 12.0, 21.99)),
        ("13:00", "15:30", (13.0, 15.49), (12.99, 15.5, 0.0)),
        ("00:00", "00:00", (), (0.0, 12.0, 23.99)),
    ],
)
def test_quiet_hours_hold_their_beginning_and_not_their_end(
    begin: str, end: str, quiet: tuple[float, ...], loud: tuple[float, ...]
) -> None:
    """Over midnight, within a day, and none where both are the same."""
    made = plan(quiet_from=begin, quiet_to=end)
    assert all(made.quiet(at(hour)) for hour in quiet)
    assert not any(made.quiet(at(hour)) for hour in loud)


def test_quiet_hours_are_local_also_when_the_clock_changes() -> None:
    """In New York (IANA tz database) summer time ended on 2026-11-01 at 06:00 UTC: 07:00 is 11:00 UTC, then 12:00."""
    made = NotificationPolicy(Notify(), zone=ZoneInfo("America/New_York"))
    before = datetime(2026, 10, 31, tzinfo=UTC).timestamp()
    assert [made.quiet(before + hour * HOUR) for hour in (10.9, 11.1)] == [True, False]
    assert [made.quiet(before + 48 * HOUR + hour * HOUR) for hour in (11.9, 12.1)] == [True, False]


def test_urgent_is_told_at_once_at_night_and_what_can_wait_in_the_morning() -> None:
    """Both raised at 23:00: the urgent one at once, the other at 07:00, once."""
    made = plan()
    made.take(step(URGENT, "alarm", at(23)))
    made.take(step(SOON, "alarm", at(23)))
    assert told(made, at(23)) == [("alarm", URGENT)]
    made.take(step(URGENT, "no", at(23.1)))
    assert told(made, at(30.9)) == []
    assert told(made, at(31)) == [("alarm", SOON)]
    assert told(made, at(32)) == []


def test_watch_is_told_only_where_it_is_wanted() -> None:
    """The filter is the site file's: soon by default, watch or only urgent when set."""
    for least, wanted in (("soon", {URGENT, SOON}), ("watch", {URGENT, SOON, WATCH}), ("urgent", {URGENT})):
        made = plan(least=least)
        taken = {name for name in SEVERITY if made.take(step(name, "alarm", at(12)))}
        assert taken == wanted
        assert {name for _, name in told(made, at(12))} == wanted
        for name in SEVERITY:
            made.take(step(name, "all-clear", at(13)))
        assert {name for _, name in told(made, at(13))} == wanted


def test_repeats_grow_to_once_a_day_and_end_with_the_acknowledgement() -> None:
    """4 h, 8 h, 16 h, then every 24 h, also at night; none after somebody has acknowledged; then the all-clear."""
    made = plan()
    made.take(step(URGENT, "alarm", at(12)))
    heard = [minute for minute in range(0, 100 * 60, 10) if told(made, at(12) + minute * 60)]
    assert [minute / 60 for minute in heard] == [0, 4, 12, 28, 52, 76]
    made.take(step(URGENT, "no", at(12, 19)))
    assert told(made, at(12, 25)) == []
    made.take(step(URGENT, "all-clear", at(13, 25)))
    assert told(made, at(13, 25)) == [("over", URGENT)]
    assert told(made, at(14, 25)) == []


def test_what_is_not_urgent_is_never_repeated() -> None:
    """Told once, then silence until it is over."""
    made = plan()
    made.take(step(SOON, "alarm", at(12)))
    assert told(made, at(12)) == [("alarm", SOON)]
    assert [told(made, at(12, day)) for day in range(15, 30)] == [[]] * 15


def test_repeats_go_on_after_a_restart_and_when_the_clock_is_set_back() -> None:
    """The pauses are in the plan's memory; a clock set back a year does not silence them."""
    first = plan()
    first.take(step(URGENT, "alarm", at(12)))
    told(first, at(12))
    again = NotificationPolicy(Notify(), _kept(first), zone=UTC)
    assert told(again, at(15.9)) == []
    assert told(again, at(16)) == [("repeat", URGENT)]
    year_ago = at(12) - 365 * 24 * HOUR
    assert again.settle(year_ago)
    assert told(again, year_ago + 7.9 * HOUR) == []
    assert told(again, year_ago + 8 * HOUR) == [("repeat", URGENT)]


def _kept(made: NotificationPolicy) -> PolicyMemory:
    return msgspec.json.decode(msgspec.json.encode(made.memory), type=PolicyMemory)


def test_all_clear_waits_for_the_morning_and_is_told_once() -> None:
    """That an urgent one is over can wait, also over a restart."""
    made = plan()
    made.take(step(URGENT, "alarm", at(23)))
    assert told(made, at(23)) == [("alarm", URGENT)]
    made.take(step(URGENT, "all-clear", at(26)))
    assert told(made, at(30)) == []
    again = NotificationPolicy(Notify(), _kept(made), zone=UTC)
    assert told(again, at(31)) == [("over", URGENT)]
    assert told(again, at(40)) == []


def test_what_came_and_went_untold_is_told_as_such() -> None:
    """An outage of the phone service or the quiet hours: one message, not an alarm and an all-clear."""
    made = plan()
    made.take(step(SOON, "alarm", at(23)))
    made.take(step(SOON, "all-clear", at(25)))
    item = made.due(at(31))[0]
    assert (item.kind, item.since_wall_s, item.over_wall_s) == ("missed", at(23), at(25))
    assert told(made, at(31)) == [("missed", SOON)]
    assert told(made, at(32)) == []


def test_one_that_comes_back_before_its_all_clear_was_sent_is_told_again() -> None:
    """Alarm told, over and back within the quiet hours: the phone hears the alarm anew and one all-clear at the end."""
    made = plan()
    made.take(step(SOON, "alarm", at(21)))
    assert told(made, at(21)) == [("alarm", SOON)]
    made.take(step(SOON, "all-clear", at(23)))
    made.take(step(SOON, "alarm", at(24)))
    assert told(made, at(31)) == [("alarm", SOON)]
    made.take(step(SOON, "all-clear", at(33)))
    assert told(made, at(33)) == [("over", SOON)]


@pytest.mark.parametrize("state", [AlertState.ACKED, AlertState.SHELVED, AlertState.OUT_OF_SERVICE])
def test_what_people_know_before_it_could_be_told_is_not_told(state: AlertState) -> None:
    """Acknowledged, shelved or in service mode in the quiet hours: no alarm in the morning."""
    made = plan()
    made.take(step(SOON, "alarm", at(23)))
    made.take(step(SOON, "no", at(24), state))
    assert told(made, at(31)) == []


def test_alarm_that_ends_without_a_word_is_forgotten() -> None:
    """A step to normal that tells nothing leaves nothing to tell."""
    made = plan()
    made.take(step(SOON, "alarm", at(23)))
    made.take(step(SOON, "no", at(24), AlertState.NORMAL))
    assert made.memory.tellings == {}


def test_new_phone_is_told_what_stands_unless_it_was_only_just_raised() -> None:
    """What was raised minutes ago and is unknown is adopted; what was just raised is still on its way as a row."""
    made = plan()
    stands = _alert(URGENT, at(11))
    assert not made.adopt([_alert(SOON, at(12) - 60), _alert(WATCH, at(11))], at(12))
    assert made.adopt([stands], at(12))
    assert told(made, at(12)) == [("alarm", URGENT)]
    assert not made.adopt([stands], at(13))


def _alert(finding: str, since_wall_s: float) -> Alert:
    return Alert(
        finding=finding,
        state=AlertState.UNACKED,
        severity=SEVERITY[finding],
        active=True,
        since_s=0.0,
        since_wall_s=since_wall_s,
        summary="",
        suspects=(),
    )


def test_without_a_clock_nothing_is_held_back_and_nothing_repeated() -> None:
    """Before the network gives the time: told at once; the pauses begin when the time is known."""
    made = plan()
    made.take(step(SOON, "alarm", None))
    made.take(step(URGENT, "alarm", None))
    assert told(made, None) == [("alarm", URGENT), ("alarm", SOON)]
    assert told(made, None) == []
    assert made.settle(at(12))
    assert told(made, at(15.9)) == []
    assert told(made, at(16)) == [("repeat", URGENT)]


def test_daily_word_comes_once_a_day_at_its_time_and_not_hours_late() -> None:
    """At 09:00; a monitor that starts at 10:00 says it then, one that starts at 13:00 waits for tomorrow."""
    made = plan(daily_silence_check=True)
    said = []
    for hour in (8.9, 9.0, 9.1, 20.0, 24 + 13.0, 48 + 10.0, 48 + 11.0):
        if made.daily_due(at(hour)):
            made.daily_sent(at(hour))
            said.append(hour)
    assert said == [9.0, 58.0]
    assert not plan().daily_due(at(9.0))
    assert not made.daily_due(None)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(("alarm", "all-clear", "send", "ack")), st.integers(1, 700)), max_size=40))
def test_nothing_told_is_left_open_and_nothing_over_is_told_twice(moves: list[tuple[str, int]]) -> None:
    """Whatever comes when: once all is over and a day has passed, the phone has heard the end of every alarm it heard,
    and no end without a beginning."""
    made, wall_s, stands = plan(), at(0), False
    heard: list[str] = []
    for move, minutes in moves:
        wall_s += minutes * 60
        if move == "send":
            heard += [kind for kind, _ in told(made, wall_s)]
        elif move == "alarm" and not stands:
            made.take(step(URGENT, "alarm", wall_s))
            stands = True
        elif move == "all-clear" and stands:
            made.take(step(URGENT, "all-clear", wall_s))
            stands = False
        elif move == "ack" and stands and made.memory.tellings[URGENT].told:
            made.take(step(URGENT, "no", wall_s))
    if stands:
        made.take(step(URGENT, "all-clear", wall_s))
    for hour in range(48):
        heard += [kind for kind, _ in told(made, wall_s + hour * HOUR)]
    assert made.memory.tellings == {}
    assert heard[-1:] != ["alarm"]
    assert heard[-1:] != ["repeat"]
    for before, after in pairwise(heard):
        assert (before, after) not in {("over", "over"), ("over", "repeat"), ("missed", "repeat")}
