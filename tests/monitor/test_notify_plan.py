"""What a person is told and when, in virtual time: budget, night, reminders, one all-clear, the proof of life."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condenser_monitor.monitor.core.config import Notify, Person
from condenser_monitor.monitor.core.records import Episode, EpisodeState, Severity
from condenser_monitor.monitor.publishers.notification_policy import BLIND, NotificationPolicy, PolicyMemory

HOUR, DAY = 3600.0, 86400.0
SEVERITY = {"line-supply-lost": Severity.URGENT, "low-running-current": Severity.SOON, "slow-start": Severity.WATCH}
URGENT, SOON, WATCH = SEVERITY


def at(hour: float, day: int = 14) -> float:
    """An hour of a day in July 2026, UTC."""
    return datetime(2026, 7, day, tzinfo=UTC).timestamp() + hour * HOUR


def plan(person: Person | None = None, **notify: Any) -> NotificationPolicy:
    return NotificationPolicy(Notify(**notify), person=person, zone=UTC)


def episode(finding: str, since_s: float, **changed: Any) -> Episode:
    made = Episode(
        id=f"episode-{finding}",
        lead=finding,
        findings=(finding,),
        severity=SEVERITY[finding],
        level=10,
        state=EpisodeState.ACTIVE,
        since_s=0.0,
        since_wall_s=since_s,
    )
    return msgspec.structs.replace(made, **changed)


def told(made: NotificationPolicy, wall_s: float | None, *episodes: Episode) -> list[str]:
    """What is sent at a moment; the service takes it."""
    items = made.due(episodes, wall_s)
    made.sent(items, wall_s)
    return [item.kind for item in items]


def lived(made: NotificationPolicy, from_s: float, hours: float, *episodes: Episode) -> list[tuple[float, str]]:
    """What is sent over some hours, asked every ten minutes: (hours since `from_s`, kind)."""
    found = []
    for step in range(int(hours * 6) + 1):
        now_s = from_s + step * 600.0
        found += [(step / 6, kind) for kind in told(made, now_s, *episodes)]
    return found


def test_heat_in_which_nothing_is_called_is_told_once_though_it_is_for_the_next_visit() -> None:
    """It may be a float switch or a fuse, and without the thermostat's sensor nothing else tells it."""
    one = msgspec.structs.replace(episode(WATCH, at(14.0)), lead="no-call-in-heat", worst="no-call-in-heat")
    assert lived(plan(), at(14.0), 72, one) == [(0.0, "alarm")]
    assert lived(plan(least="urgent"), at(14.0), 72, one) == []
    assert lived(plan(), at(23.0), 10, one)[0][0] == 8.0
    assert lived(plan(), at(14.0), 72, episode(WATCH, at(14.0))) == []


@pytest.mark.parametrize(
    ("hour", "quiet"), [(21.99, False), (22.0, True), (23.5, True), (3.0, True), (6.99, True), (7.0, False)]
)
def test_what_is_not_urgent_waits_for_the_end_of_the_quiet_hours(hour: float, quiet: bool) -> None:
    """A visit to book lets people sleep; no cooling does not."""
    assert told(plan(), at(hour), episode(SOON, at(hour))) == ([] if quiet else ["alarm"])
    assert told(plan(), at(hour), episode(URGENT, at(hour))) == ["alarm"]
    assert told(plan(least="urgent"), at(12.0), episode(SOON, at(12.0))) == []
    assert told(plan(), at(12.0), episode(WATCH, at(12.0))) == []


def test_an_unanswered_one_has_two_messages_on_its_first_day_and_one_a_day_then() -> None:
    """The third of the first day is kept for its end; nothing comes at night; the hour does not creep into it."""
    found = lived(plan(), at(15.0), 6 * 24, episode(URGENT, at(15.0)))
    assert found[:2] == [(0.0, "alarm"), (4.0, "reminder")]
    assert all(kind == "reminder" for _, kind in found[1:])
    days = [hour // 24 for hour, _ in found]
    assert max(days.count(day) for day in set(days) - {0.0}) == 1
    assert all(8 <= (15 + hour) % 24 < 20 for hour, _ in found[1:])


def test_one_that_begins_at_night_is_brought_up_again_in_the_morning() -> None:
    """03:30 and urgent: at once, and then not before 08:00."""
    assert lived(plan(), at(3.5), 12, episode(URGENT, at(3.5))) == [(0.0, "alarm"), (4.5, "reminder")]


def test_an_answered_one_comes_up_after_three_days_and_after_the_visit_that_was_named() -> None:
    """Known for three days is asked again; a technician on Thursday is asked after on Friday morning."""
    made = plan()
    assert told(made, at(9.0), episode(URGENT, at(9.0))) == ["alarm"]
    known = episode(URGENT, at(9.0), answered_by="Sam", answered_wall_s=at(10.0))
    assert lived(made, at(10.0), 6.5 * 24, known) == [(72.0, "check"), (144.0, "check")]
    made = plan()
    told(made, at(9.0), episode(URGENT, at(9.0)))
    booked = msgspec.structs.replace(known, visit_day="2026-07-16")
    assert [(hour + 10) % 24 for hour, _ in lived(made, at(10.0), 3 * 24, booked)] == [8.0]
    assert [hour for hour, _ in lived(made, at(10.0), 3 * 24, booked)] == []


def test_a_soon_that_nobody_booked_is_spoken_of_again_after_three_days() -> None:
    """Once is easily missed; every day would be noise."""
    assert lived(plan(), at(9.0), 7 * 24, episode(SOON, at(9.0))) == [
        (0.0, "alarm"),
        (72.0, "reminder"),
        (144.0, "reminder"),
    ]


def test_what_is_seen_to_work_again_is_not_reminded_of_for_three_days() -> None:
    """Its end comes when that is proved; one that comes and goes works in between, and is still brought up daily."""
    made = plan()
    told(made, at(9.0), episode(URGENT, at(9.0)))
    quiet = episode(URGENT, at(9.0), state=EpisodeState.QUIET, quiet_wall_s=at(10.0), works=True)
    assert lived(made, at(10.0), 4 * 24, quiet) == [(72.0, "reminder"), (96.0, "reminder")]
    made = plan()
    told(made, at(9.0), episode(URGENT, at(9.0)))
    often = msgspec.structs.replace(quiet, often=True, returns=3)
    assert [hour for hour, kind in lived(made, at(10.0), 24, often) if kind == "reminder"] == [24.0]


def test_its_end_is_told_once_also_when_somebody_had_answered_before_it_was_told() -> None:
    """One alarm, one end, whatever comes between."""
    made = plan()
    told(made, at(9.0), episode(URGENT, at(9.0)))
    over = episode(URGENT, at(9.0), state=EpisodeState.OVER, over_wall_s=at(11.0))
    assert lived(made, at(11.0), 48, over) == [(0.0, "over")]
    made = plan()
    known = episode(URGENT, at(9.0), answered_by="Sam", answered_wall_s=at(9.0))
    assert told(made, at(9.0), known) == []
    assert lived(made, at(11.0), 48, over) == [(0.0, "over")]


def test_an_outage_of_the_service_ends_in_one_message_that_says_how_it_is_by_then() -> None:
    """It came and went while nothing could be sent: told once, as ended; what ended before this phone began is not."""
    made = plan()
    made.due((), at(8.0))
    over = episode(URGENT, at(9.0), state=EpisodeState.OVER, over_wall_s=at(11.0))
    assert lived(made, at(20.0), 24, over) == [(0.0, "missed")]
    assert lived(plan(), at(20.0), 24, over) == []


def test_worse_ends_a_snooze_and_has_a_first_day_of_its_own() -> None:
    """The engine ends the snooze; the message comes at once, at night too when it is urgent."""
    made = plan()
    told(made, at(9.0), episode(SOON, at(9.0)))
    asleep = episode(SOON, at(9.0), snoozed_until_wall_s=at(9.0, 21))
    assert lived(made, at(10.0), 5 * 24, asleep) == []
    worse = episode(SOON, at(9.0), severity=Severity.URGENT, level=34)
    assert told(made, at(2.0, 20), worse) == ["worse"]


def test_a_word_that_is_taken_back_and_coming_and_going_are_told_once() -> None:
    """Then it is brought up once a day, with its counts."""
    made = plan()
    told(made, at(9.0), episode(URGENT, at(9.0)))
    back = episode(URGENT, at(9.0), taken_back=1)
    assert told(made, at(10.0), back) == ["back"]
    made = plan()
    told(made, at(9.0), episode(URGENT, at(9.0)))
    often = episode(URGENT, at(9.0), often=True, returns=3)
    found = lived(made, at(10.0), 3 * 24, often)
    assert found == [(0.0, "often"), (24.0, "reminder"), (48.0, "reminder"), (72.0, "reminder")]


def test_it_comes_back_after_its_end() -> None:
    """The same story, opened again: it is back, and has an end of its own."""
    made = plan()
    told(made, at(9.0), episode(URGENT, at(9.0)))
    over = episode(URGENT, at(9.0), state=EpisodeState.OVER, over_wall_s=at(11.0))
    assert told(made, at(11.0), over) == ["over"]
    assert told(made, at(15.0), episode(URGENT, at(9.0), returns=1)) == ["back"]
    assert told(made, at(18.0), over) == ["over"]


def test_a_second_person_hears_of_what_nobody_answered_for_four_hours() -> None:
    """Not before, and not if somebody has answered; a contractor hears at once, answered or not."""
    second = next(one for one in Notify(people=(Person(role="second"),)).everybody() if one.role == "second")
    made = plan(second)
    assert lived(made, at(9.0), 5, episode(URGENT, at(9.0)))[0] == (4.0, "alarm")
    made = plan(second)
    known = episode(URGENT, at(9.0), answered_by="Sam", answered_wall_s=at(10.0))
    assert lived(made, at(10.0), 6, known) == []
    contractor = Person(role="contractor", delay_h=0.0)
    assert told(plan(contractor), at(10.0), known) == ["alarm"]


def test_a_monitor_that_is_blind_is_told_and_its_end() -> None:
    """A story of the monitor itself follows the same hours."""
    made = plan()
    assert made.watch(BLIND, stands=True, since_wall_s=at(9.0), now_wall_s=at(9.2))
    assert told(made, at(9.2)) == ["alarm"]
    assert not made.watch(BLIND, stands=True, since_wall_s=at(9.0), now_wall_s=at(9.3))
    assert made.watch(BLIND, stands=False, since_wall_s=None, now_wall_s=at(10.0))
    assert told(made, at(10.0)) == ["over"]
    assert made.memory.own == {}
    made.was_off(at(10.0), at(14.0))
    assert told(made, at(14.0)) == ["off"]
    assert told(made, at(14.1)) == []


def test_in_service_mode_nothing_is_brought_up() -> None:
    """Somebody is at the unit."""
    made = plan()
    told(made, at(9.0), episode(URGENT, at(9.0)))
    assert made.due((episode(URGENT, at(9.0)),), at(15.0), paused=True) == []


def test_where_no_clock_is_known_it_is_told_at_once_and_its_pauses_begin_with_the_clock() -> None:
    """Nothing is held back, nothing is brought up again; a clock that was set back silences nothing."""
    made = plan()
    assert told(made, None, episode(SOON, 0.0)) == ["alarm"]
    assert told(made, None, episode(SOON, 0.0)) == []
    assert made.date_undated(at(9.0))
    assert not made.date_undated(at(9.1))
    assert made.date_undated(at(8.0))


def test_proof_of_life_comes_on_its_day_at_its_time_and_not_hours_late() -> None:
    """Weekly by default, on Sunday at nine; daily where it is asked for; off; never to a contractor."""
    made, days = plan(), []
    for hour in range(24 * 15):
        if made.life_due(at(hour + 0.5)):
            made.life_sent(at(hour + 0.5))
            days.append(datetime.fromtimestamp(at(hour + 0.5), UTC).strftime("%A %H:%M"))
    assert days == ["Sunday 09:30"] * 2
    assert plan(daily_silence_check=True).life_due(at(9.5))
    assert not plan().life_due(at(9.5))
    assert not plan(proof_of_life="off").life_due(at(9.5, 19))
    assert not plan(Person(role="contractor")).life_due(at(9.5, 19))
    assert not made.life_due(None)


def test_hours_are_local_over_the_end_of_summer_time() -> None:
    """The quiet hours are those of the clock on the wall."""
    made = NotificationPolicy(Notify(), zone=ZoneInfo("America/New_York"))
    summer, winter = (datetime(2026, *day, 11, 30, tzinfo=UTC).timestamp() for day in ((10, 31), (11, 1)))
    assert made.due((episode(SOON, summer),), summer) != []  # 07:30
    assert made.due((episode(SOON, winter),), winter) == []  # 06:30


@settings(max_examples=150, deadline=None)
@given(
    begins=st.floats(0, 24),
    steps=st.lists(
        st.sampled_from(["wait", "answer", "worse", "back", "often", "over", "again", "restart"]), max_size=24
    ),
)
def test_whatever_happens_a_house_gets_no_more_than_its_budget(begins: float, steps: list[str]) -> None:
    """Three messages on a first day (again when it got worse), then one a day; reminders never at night."""
    made, now_s = plan(), at(begins)
    one = episode(URGENT, now_s)
    sent: list[tuple[float, str]] = []
    fresh: list[float] = []
    for step in ["wait", *steps]:
        if step == "answer":
            one = msgspec.structs.replace(one, answered_by="Sam", answered_wall_s=now_s)
        elif step == "worse":
            one = msgspec.structs.replace(one, level=one.level + 1, answered_by=None)
        elif step == "back":
            one = msgspec.structs.replace(one, taken_back=one.taken_back + 1, answered_by=None)
        elif step == "often":
            one = msgspec.structs.replace(one, often=True, returns=one.returns + 3)
        elif step == "over":
            one = msgspec.structs.replace(one, state=EpisodeState.OVER, over_wall_s=now_s)
        elif step == "again":
            one = msgspec.structs.replace(one, state=EpisodeState.ACTIVE, over_wall_s=None)
        elif step == "restart":
            memory = msgspec.json.decode(msgspec.json.encode(made.memory), type=PolicyMemory)
            made = NotificationPolicy(Notify(), memory, zone=UTC)
        for _ in range(20):
            for kind in told(made, now_s, one):
                if kind in ("alarm", "worse") or (kind == "back" and sent and sent[-1][1] == "over"):
                    fresh.append(now_s)
                sent.append((now_s, kind))
                hour = datetime.fromtimestamp(now_s, UTC).hour
                assert kind not in ("reminder", "check") or 8 <= hour < 20
            now_s += 1800.0
    for begin_s in fresh:
        later = [wall_s for wall_s in fresh if wall_s > begin_s]
        day = [wall_s for wall_s, _ in sent if begin_s <= wall_s < min([begin_s + DAY, *later])]
        assert len(day) <= 3
        after = [wall_s for wall_s, _ in sent if begin_s + DAY <= wall_s < min([begin_s + 1e9, *later])]
        assert all(second - first >= DAY for first, second in pairwise(after))
