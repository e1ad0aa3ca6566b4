"""The alarm life of single findings, told step by step in virtual time."""

from __future__ import annotations

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.alarms.alarm_manager import AlarmManager
from condenser_monitor.monitor.core.config import parse
from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.records import (
    AlertState,
    Change,
    ChangeKind,
    EpisodeState,
    Severity,
)
from tests.monitor.alarm_tools import SETTINGS, WALL_S, Bench

SUPPLY, PULL_IN, LOCKED, FAN = "line-supply-lost", "call-without-pull-in", "locked-rotor", "fan-not-running"
ALARM, CLEAR = "alarm", "all-clear"


@pytest.mark.parametrize("finding", sorted(CATALOGUE))
def test_an_alarm_is_told_once_and_its_end_once(finding: str) -> None:
    """Raised, cleared, gone for the off-delay: one alarm, one all-clear, at the very end of the delay."""
    bench = Bench()
    assert [step.tell for step in bench.raised(finding)] == [ALARM]
    bench.wait(600)
    assert bench.cleared(finding) == []
    bench.wait(bench.delay_s(finding) - 1)
    assert bench.notified() == [(finding, ALARM)]
    steps = bench.wait(1)
    assert [(step.tell, step.state, step.t_s) for step in steps] == [(CLEAR, AlertState.RETURNED, bench.now_s)]
    bench.wait(30 * 86400)
    assert bench.notified() == [(finding, ALARM), (finding, CLEAR)]


def test_what_comes_back_within_the_off_delay_is_the_same_alarm() -> None:
    """A fan that fails at every cycle is one alarm and not one each cycle."""
    bench = Bench()
    for _ in range(20):
        bench.raised(FAN)
        bench.wait(900)
        bench.cleared(FAN)
        bench.wait(bench.delay_s(FAN) - 1)
    assert bench.notified() == [(FAN, ALARM)]
    bench.wait(1)
    bench.raised(FAN)
    assert bench.notified() == [(FAN, ALARM), (FAN, CLEAR), (FAN, ALARM)]


def test_a_finding_raised_at_the_moment_the_off_delay_ends_is_the_same_alarm() -> None:
    """The scan taken when a delay ends is read first."""
    bench = Bench()
    bench.raised(SUPPLY)
    bench.cleared(SUPPLY)
    bench.now_s = bench.delay_s(SUPPLY)
    assert bench.raised(SUPPLY) == []
    bench.wait(0)
    assert bench.notified() == [(SUPPLY, ALARM)]


def test_a_late_tick_tells_the_all_clear_with_the_time_it_became_true() -> None:
    """Nobody asked for a day: the step still bears the moment the off-delay ended."""
    bench = Bench()
    bench.raised(SUPPLY)
    bench.cleared(SUPPLY)
    (step,) = bench.wait(86400, ticks=False)
    assert step.t_s == bench.delay_s(SUPPLY)
    assert step.wall_s == pytest.approx(WALL_S + bench.delay_s(SUPPLY))


def test_acknowledged_and_gone_is_over_without_a_further_word() -> None:
    """B, C, A: the all-clear is still told, the alert leaves the list."""
    bench = Bench()
    bench.raised(SUPPLY)
    assert bench.ask("acknowledge", SUPPLY, by="Robin").done
    alert = bench.alert(SUPPLY)
    assert alert is not None
    assert (alert.state, alert.acked_by) == (AlertState.ACKED, "Robin")
    bench.cleared(SUPPLY)
    bench.wait(bench.delay_s(SUPPLY))
    assert bench.notified() == [(SUPPLY, ALARM), (SUPPLY, CLEAR)]
    assert bench.desk.alerts() == ()


def test_nobody_answered_it_stays_listed_as_returned_until_somebody_does() -> None:
    """B, D, A."""
    bench = Bench()
    bench.raised(SUPPLY)
    bench.cleared(SUPPLY)
    bench.wait(bench.delay_s(SUPPLY) + 86400)
    assert bench.state(SUPPLY) is AlertState.RETURNED
    assert bench.ask("acknowledge", SUPPLY).done
    assert bench.state(SUPPLY) is AlertState.NORMAL
    assert bench.notified() == [(SUPPLY, ALARM), (SUPPLY, CLEAR)]


@pytest.mark.parametrize("finding", sorted(CATALOGUE))
def test_what_is_gone_without_proof_gives_no_all_clear_before_a_person_has_reset_it(finding: str) -> None:
    """Gone for days is not repaired; the reset is an acknowledgement and tells the all-clear, once."""
    bench = Bench()
    bench.raised(finding)
    bench.wait(10)
    bench.cleared(finding, repaired=False)
    bench.wait(7 * 86400)
    assert bench.state(finding) is AlertState.LATCHED_UNACKED
    assert bench.notified() == [(finding, ALARM)]
    assert bench.ask("reset", finding).done
    assert bench.notified() == [(finding, ALARM), (finding, CLEAR)]
    assert bench.state(finding) is AlertState.NORMAL


@pytest.mark.parametrize(("acknowledged", "then"), [(True, AlertState.NORMAL), (False, AlertState.RETURNED)])
def test_what_latched_ends_as_soon_as_it_is_proved_repaired(acknowledged: bool, then: AlertState) -> None:
    """Nobody need say so: the runs in which the part was seen to work do."""
    bench = Bench()
    bench.raised(LOCKED)
    bench.cleared(LOCKED, repaired=False)
    bench.wait(2 * 86400)
    if acknowledged:
        bench.ask("acknowledge", LOCKED)
    bench.prove(LOCKED)
    assert bench.notified() == [(LOCKED, ALARM), (LOCKED, CLEAR)]
    assert bench.state(LOCKED) is then


def test_a_latched_alarm_that_comes_again_is_told_again() -> None:
    """Acknowledged and never reset: a later locked rotor is a new one."""
    bench = Bench()
    bench.raised(LOCKED)
    bench.ask("acknowledge", LOCKED)
    bench.cleared(LOCKED, repaired=False)
    bench.wait(bench.delay_s(LOCKED))
    assert bench.state(LOCKED) is AlertState.LATCHED_ACKED
    bench.raised(LOCKED)
    assert bench.notified() == [(LOCKED, ALARM)] * 2


def test_a_technician_need_not_wait_for_the_off_delay_to_reset() -> None:
    """Gone for a minute: the reset ends it at once, and a failure after it is a new alarm."""
    bench = Bench()
    bench.raised(LOCKED)
    bench.cleared(LOCKED)
    bench.wait(60)
    assert bench.ask("reset", LOCKED).done
    bench.wait(60)
    bench.raised(LOCKED)
    assert bench.notified() == [(LOCKED, ALARM), (LOCKED, CLEAR), (LOCKED, ALARM)]


def test_shelved_nothing_is_told_and_what_stands_at_the_end_is() -> None:
    """An alarm shelved for two hours that still stands is told again when they are over."""
    bench = Bench()
    bench.raised(FAN)
    assert bench.ask("shelve", FAN, 2.0).done
    alert = bench.alert(FAN)
    assert alert is not None
    assert alert.shelved_until_wall_s == pytest.approx(WALL_S + 7200)
    bench.wait(7199)
    assert bench.notified() == [(FAN, ALARM)]
    bench.wait(1)
    assert bench.notified() == [(FAN, ALARM)] * 2
    assert bench.state(FAN) is AlertState.UNACKED


def test_what_is_proved_repaired_while_shelved_is_told_to_be_over_and_ends_the_shelving() -> None:
    """Nobody reads "snoozed" over a unit that works; once, and not again when the time asked for is over."""
    bench = Bench()
    bench.raised(SUPPLY)
    bench.ask("shelve", SUPPLY, 4.0)
    bench.cleared(SUPPLY)
    bench.wait(3600)
    assert bench.notified() == [(SUPPLY, ALARM), (SUPPLY, CLEAR)]
    assert bench.state(SUPPLY) is AlertState.NORMAL
    bench.wait(4 * 3600)
    assert len(bench.notified()) == 2


def test_a_finding_shelved_before_it_comes_is_not_told() -> None:
    """Raised and gone again within the shelving: not a word, before or after."""
    bench = Bench()
    bench.ask("shelve", FAN, 4.0)
    bench.raised(FAN)
    bench.cleared(FAN)
    bench.wait(5 * 3600)
    assert bench.notified() == []


def test_in_service_mode_people_are_not_told_and_what_still_stands_is_told_on_resume() -> None:
    """The disconnect is pulled and put back, a fan is found dead: only the fan is told, when the visit is over."""
    bench = Bench()
    assert bench.ask("service", hours=3.0, by="Kim").done
    assert bench.desk.service_until_wall_s == pytest.approx(WALL_S + 3 * 3600)
    bench.raised(SUPPLY)
    bench.wait(1200)
    bench.cleared(SUPPLY)
    bench.raised(FAN)
    bench.wait(1200)
    assert bench.notified() == []
    assert {alert.state for alert in bench.desk.alerts()} == {AlertState.OUT_OF_SERVICE}
    assert bench.ask("resume").done
    assert bench.notified() == [(FAN, ALARM)]
    assert not bench.desk.in_service


def test_service_mode_ends_by_itself() -> None:
    """A technician who forgets to resume: after the hours given the unit is watched again."""
    bench = Bench()
    bench.ask("service", hours=2.0)
    bench.raised(FAN)
    bench.wait(7200)
    assert bench.notified() == [(FAN, ALARM)]
    assert bench.desk.service_until_wall_s is None


def test_repaired_in_service_mode_the_owed_all_clear_comes_after_it() -> None:
    """Told before the visit, mended during it: one all-clear, not before the off-delay, not twice."""
    bench = Bench()
    bench.raised(FAN)
    bench.ask("service", hours=2.0)
    bench.wait(600)
    bench.cleared(FAN)
    bench.wait(60)
    bench.ask("resume")
    assert bench.notified() == [(FAN, ALARM)]
    bench.wait(bench.delay_s(FAN))
    assert bench.notified() == [(FAN, ALARM), (FAN, CLEAR)]


def test_not_repaired_after_all_it_is_told_again_after_the_visit() -> None:
    """The fan rests when the visit ends and fails at the next run: people hear of it."""
    bench = Bench()
    bench.raised(FAN)
    bench.ask("service", hours=2.0)
    bench.cleared(FAN)
    bench.ask("resume")
    bench.wait(300)
    bench.raised(FAN)
    assert bench.notified() == [(FAN, ALARM)] * 2


def test_a_shelving_outlives_a_shorter_service_mode() -> None:
    """Resume leads back into the shelving that still runs."""
    bench = Bench()
    bench.ask("shelve", FAN, 10.0)
    bench.ask("service", hours=1.0)
    bench.raised(FAN)
    bench.wait(3600)
    assert bench.state(FAN) is AlertState.SHELVED
    bench.wait(9 * 3600)
    assert bench.notified() == [(FAN, ALARM)]


def test_a_consequence_is_not_told_while_its_parents_alarm_lasts() -> None:
    """A compressor that stands still after a locked rotor is the same trouble; with the parent over it is its own."""
    child = "compressor-not-running"
    bench = Bench()
    bench.raised(LOCKED)
    bench.cleared(LOCKED)
    bench.raised(child)
    assert bench.notified() == [(LOCKED, ALARM)]
    assert bench.state(child) is AlertState.SUPPRESSED
    bench.wait(bench.delay_s(LOCKED))
    assert bench.notified() == [(LOCKED, ALARM), (LOCKED, CLEAR), (child, ALARM)]


def test_the_reset_of_a_parent_lets_its_consequence_be_told() -> None:
    """What waited behind a parent that a person has reset is told at once, and not suppressed for ever."""
    child = "compressor-not-running"
    bench = Bench()
    bench.raised(LOCKED)
    bench.cleared(LOCKED, repaired=False)
    bench.raised(child)
    assert bench.state(child) is AlertState.SUPPRESSED
    assert bench.ask("reset", LOCKED).done
    assert bench.notified(child) == [(child, ALARM)]
    assert bench.state(child) is AlertState.UNACKED


def test_what_was_told_before_its_parent_came_is_not_taken_back() -> None:
    """The child told first keeps its state and gets its all-clear."""
    bench = Bench()
    bench.raised(PULL_IN)
    bench.raised(SUPPLY)
    bench.cleared(PULL_IN)
    assert bench.state(PULL_IN) is AlertState.UNACKED
    bench.wait(bench.delay_s(PULL_IN))
    assert bench.notified(PULL_IN) == [(PULL_IN, ALARM), (PULL_IN, CLEAR)]


def test_a_revised_finding_brings_new_suspects_and_no_new_telling() -> None:
    """Suspects and words follow the finding; people are not told again."""
    bench = Bench()
    bench.raised(PULL_IN)
    change = Change(
        t_s=5.0,
        change=ChangeKind.REVISED,
        finding=PULL_IN,
        severity=Severity.URGENT,
        suspects=("coil-open",),
        evidence={},
        summary="now clearer",
    )
    assert bench.desk.apply(change) == []
    alert = bench.alert(PULL_IN)
    assert alert is not None
    assert (alert.suspects, alert.summary) == (("coil-open",), "now clearer")
    assert [episode.suspects for episode in bench.desk.episode_book.episodes()] == [("coil-open",)]


def test_identity_and_memory_hold_no_measured_value() -> None:
    """The evidence of a change (26.4 V) is nowhere in an alert nor in what is kept."""
    bench = Bench()
    bench.raised(PULL_IN)
    assert "26.4" not in repr(bench.desk.memory())
    assert "26.4" not in repr(bench.desk.alerts())


def test_a_finding_outside_the_catalogue_is_a_mistake_of_ours() -> None:
    """A change the desk cannot know is refused, and nothing is changed by it."""
    desk = AlarmManager(SETTINGS)
    change = Change(
        t_s=0.0,
        change=ChangeKind.RAISED,
        finding="no-such-finding",
        severity=Severity.SOON,
        suspects=(),
        evidence={},
        summary="",
    )
    with pytest.raises(ContractError, match="no-such-finding"):
        desk.apply(change)
    assert desk.alerts() == ()


def test_the_off_delay_is_a_setting() -> None:
    """A site may say how long an alert must stay gone."""
    bench = Bench(parse("[limits.line-supply-lost]\nall_clear_s = 60\n"))
    bench.raised(SUPPLY)
    bench.cleared(SUPPLY)
    bench.wait(60)
    assert bench.notified() == [(SUPPLY, ALARM), (SUPPLY, CLEAR)]


def test_one_answer_to_one_of_two_alarms_does_not_answer_their_episode() -> None:
    """The supply went after the contactor had failed to pull in: one episode, answered when both are."""
    bench = Bench()
    bench.raised(PULL_IN)
    bench.raised(SUPPLY)
    (episode,) = bench.desk.episode_book.episodes()
    assert set(episode.findings) == {PULL_IN, SUPPLY}
    assert bench.ask("acknowledge", PULL_IN).done
    assert bench.desk.episode_book.episodes()[0].answered_by is None
    assert bench.ask("acknowledge", SUPPLY).done
    assert bench.desk.episode_book.episodes()[0].answered_by == "Sam"


def test_a_word_that_it_is_repaired_answers_the_alarms_that_nobody_had() -> None:
    """One that somebody else has acknowledged keeps that name."""
    bench = Bench()
    bench.raised(PULL_IN)
    bench.raised(SUPPLY)
    bench.ask("acknowledge", PULL_IN, by="Ann")
    assert bench.ask("repaired", SUPPLY, by="Bo").done
    assert [bench.state(name) for name in (PULL_IN, SUPPLY)] == [AlertState.ACKED, AlertState.ACKED]
    alerts = {alert.finding: alert.acked_by for alert in bench.desk.alerts()}
    assert alerts == {PULL_IN: "Ann", SUPPLY: "Bo"}


def test_alarms_of_a_version_without_episodes_begin_theirs_as_they_are() -> None:
    """What stood then is active, what had gone without proof is quiet, what was never told is none."""
    bench = Bench()
    bench.raised(SUPPLY)
    bench.cleared(SUPPLY, repaired=False)
    gone = AlarmManager(bench.settings, bench.left())
    assert [(one.findings, one.state) for one in gone.episode_book.episodes()] == [((SUPPLY,), EpisodeState.QUIET)]
    bench.raised(SUPPLY)
    stands = AlarmManager(bench.settings, bench.left())
    assert [(one.findings, one.state) for one in stands.episode_book.episodes()] == [((SUPPLY,), EpisodeState.ACTIVE)]
    shelved = Bench()
    shelved.ask("shelve", FAN, 24.0)
    shelved.raised(FAN)
    assert AlarmManager(shelved.settings, shelved.left()).episode_book.episodes() == ()


def test_what_nobody_was_told_begins_no_episode_when_it_changes() -> None:
    """Shelved before it came: neither its raise nor a revision of it is news."""
    bench = Bench()
    bench.ask("shelve", FAN, 24.0)
    bench.raised(FAN)
    bench.change("revised", FAN)
    assert bench.desk.episode_book.episodes() == ()


def test_a_refusal_names_who_acknowledged_where_that_is_the_reason() -> None:
    """And nobody where it is another."""
    bench = Bench()
    bench.raised(FAN)
    assert bench.ask("acknowledge", FAN, by="Ann").done
    assert "already acknowledged (by Ann)" in bench.ask("acknowledge", FAN).why
    bench.ask("shelve", FAN, 2.0)
    why = bench.ask("acknowledge", FAN).why
    assert "shelved; unshelve it first" in why
    assert "Ann" not in why


def test_an_alert_says_since_when_it_has_stood_over_a_short_absence_too() -> None:
    """Back within the off-delay it is the same alert and keeps its beginning; after its end the next has its own."""
    bench = Bench()
    bench.wait(500)
    bench.raised(FAN)
    bench.wait(100)
    bench.cleared(FAN, repaired=False)
    bench.wait(10)
    bench.raised(FAN)
    alert = bench.alert(FAN)
    assert alert is not None
    assert (alert.since_s, alert.since_wall_s) == (500.0, WALL_S + 500.0)
    bench.cleared(FAN)
    bench.wait(bench.delay_s(FAN))
    begin_s = bench.now_s
    bench.raised(FAN)
    alert = bench.alert(FAN)
    assert alert is not None
    assert (alert.since_s, alert.since_wall_s) == (begin_s, WALL_S + begin_s)


def test_to_unshelve_one_finding_of_an_episode_leaves_the_rest_snoozed() -> None:
    """A compressor that does not run, and then the locked rotor behind it, snoozed together: one alone is asked for."""
    child = "compressor-not-running"
    bench = Bench()
    bench.raised(child)
    bench.raised(LOCKED)
    [episode] = bench.desk.episode_book.episodes()
    assert set(episode.findings) == {child, LOCKED}
    assert bench.ask("shelve", episode.id, 4.0).done
    assert bench.ask("unshelve", LOCKED).done
    assert (bench.state(child), bench.state(LOCKED)) == (AlertState.SHELVED, AlertState.UNACKED)
    assert bench.desk.episode_book.episodes()[0].snoozed_until_wall_s == WALL_S + 4 * 3600.0
    assert bench.ask("unshelve", episode.id).done
    assert bench.desk.episode_book.episodes()[0].snoozed_until_wall_s is None


def test_what_was_shelved_before_it_came_can_be_unshelved() -> None:
    """There is no episode of it yet."""
    bench = Bench()
    bench.ask("shelve", FAN, 4.0)
    assert bench.ask("unshelve", FAN).done
    bench.raised(FAN)
    assert bench.notified() == [(FAN, ALARM)]


def test_a_step_that_nobody_is_told_of_is_a_step_but_not_that_of_a_normal_alert_into_service() -> None:
    """The history shows who acknowledged; it does not show that a unit without alerts was out of service."""
    bench = Bench()
    bench.raised(FAN)
    bench.ask("acknowledge", FAN, by="Ann")
    bench.ask("service", hours=1.0)
    bench.ask("resume")
    steps = [(step.finding, step.state_was.value, step.state.value, step.tell) for _, step in bench.steps]
    assert steps == [
        (FAN, "normal", "unacknowledged", ALARM),
        (FAN, "unacknowledged", "acknowledged", "no"),
        (FAN, "acknowledged", "out-of-service", "no"),
        (FAN, "out-of-service", "unacknowledged", ALARM),
    ]


@pytest.mark.parametrize(("first", "then"), [(FAN, SUPPLY), (SUPPLY, FAN)])
def test_each_alert_is_over_after_its_own_off_delay(first: str, then: str) -> None:
    """The end of one ends no other that went later."""
    bench = Bench()
    bench.raised(first)
    bench.raised(then)
    bench.cleared(first)
    later_s = bench.delay_s(first) - 1.0
    bench.wait(later_s)
    bench.cleared(then)
    bench.wait(1.0)
    assert bench.notified() == [(first, ALARM), (then, ALARM), (first, CLEAR)]
    bench.wait(bench.delay_s(then) - 1.0)
    assert bench.notified()[3:] == [(then, CLEAR)]


def test_an_answer_to_a_request_whose_name_is_too_long_is_not_kept() -> None:
    """It is refused, and costs no memory."""
    bench = Bench()
    longest = int(limits.ALARMS.name_most.value)
    for length, kept in ((longest, True), (longest + 1, False)):
        name = "n" * length
        assert bench.ask("acknowledge", FAN, id=name).done is False
        assert (name in {answer.id for answer in bench.desk.memory().answers}) is kept


def test_a_consequence_that_is_not_told_is_part_of_the_episode_all_the_same() -> None:
    """Whoever opens the message sees all that is wrong; and who says that it is repaired says it of all."""
    child = "compressor-not-running"
    bench = Bench()
    bench.raised(LOCKED)
    bench.raised(child)
    assert bench.notified() == [(LOCKED, ALARM)]
    [episode] = bench.desk.episode_book.episodes()
    assert set(episode.findings) == {LOCKED, child}
    assert episode.repaired_by is None
    assert bench.ask("repaired", episode.id, by="Kim").done
    assert bench.desk.episode_book.episodes()[0].repaired_by == "Kim"


def test_it_wants_to_be_asked_when_an_off_delay_ends_and_else_not_at_all() -> None:
    """The engine sleeps until then."""
    bench = Bench()
    assert bench.desk.next_deadline() is None
    bench.raised(FAN)
    bench.wait(60)
    bench.cleared(FAN)
    assert bench.desk.next_deadline() == 60.0 + bench.delay_s(FAN)


def test_a_shelving_that_ends_in_service_mode_leaves_the_unit_out_of_service() -> None:
    """Nobody is told while a technician is at it."""
    bench = Bench()
    bench.raised(FAN)
    bench.ask("shelve", FAN, 1.0)
    bench.ask("service", hours=2.0)
    bench.wait(5400)
    assert bench.state(FAN) is AlertState.OUT_OF_SERVICE
    assert bench.notified() == [(FAN, ALARM)]
