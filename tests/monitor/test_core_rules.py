"""Single rules of the core that a recording seldom reaches; each is a mutant that once survived (tests/mutation)."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from pathlib import Path
from typing import Any

import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import Mqtt, Settings
from condenser_monitor.monitor.core.cycle import CycleWatch, Minute
from condenser_monitor.monitor.core.evaluation import Cleared, FindingEvaluator, Snapshot, Timer
from condenser_monitor.monitor.core.findings import CATALOGUE, ROWS, Answer, FindingRow, no
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.patterns import Patterns, Stops
from condenser_monitor.monitor.core.records import Scan, Severity
from condenser_monitor.monitor.limits import STALE_S
from condenser_monitor.monitor.publishers.broker import BrokerPublisher
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.recovery import RedoLog
from tests.monitor.edge_tools import MEMORY, WALL_S, change, status
from tests.monitor.test_history_disk import EXPOSE_S, RETRY_S, Desk, fill
from tests.monitor.units import SETTINGS

NO_ANSWERS: dict[str, Any] = {row.name: None for row in ROWS if row.condition is None}
LOST, THERE = Facts(supply=False, load=False, runs=False), Facts(supply=True, load=False, runs=False)
LYING = Facts(distrusted=frozenset({"supply"}))


def at(now_s: float, facts: Facts, **more: Any) -> Snapshot:
    return Snapshot(now_s=now_s, changed_s=0.0, facts=facts, said=None, counted=NO_ANSWERS, **more)


# ---------------------------------------------------------------- evaluation


def test_a_scan_that_contradicts_clears_nothing() -> None:
    """The supply is believed to be back, but this very scan does not bear it out: the clearing is put off."""
    evaluator = FindingEvaluator(SETTINGS, standing=("line-supply-lost",))
    evaluator.evaluate(at(0.0, THERE, unsettled=frozenset({"supply"})))
    late_s = 1000.0
    assert not evaluator.evaluate(at(late_s, THERE, unsettled=frozenset({"supply"}))).cleared
    assert set(evaluator.evaluate(at(late_s + 1.0, THERE)).cleared) == {"line-supply-lost"}


def test_every_scan_of_a_steady_findings_hold_must_bear_it_out() -> None:
    """One scan within the ten seconds that does not starts them again; a finding that is not steady goes on."""
    steady, other = FindingEvaluator(SETTINGS), FindingEvaluator(SETTINGS)
    raised: dict[str, float] = {}
    for second in range(25):
        unsettled = frozenset({"supply"}) if second == 8 else frozenset[str]()
        for evaluator, facts in ((steady, LYING), (other, LOST)):
            for name in evaluator.evaluate(at(float(second), facts, unsettled=unsettled)).raised:
                raised[name] = float(second)
    assert CATALOGUE["sensing-disagrees"].steady
    assert not CATALOGUE["line-supply-lost"].steady
    assert raised == {"line-supply-lost": 10.0, "sensing-disagrees": 18.0}


def test_the_hold_begins_again_when_the_parent_goes() -> None:
    """The contacts were open all the while, behind a chatter that stood; only once that is over does the time count."""
    called = Facts(call=True, supply=True, load=False, contacts=False, runs=False)
    evaluator = FindingEvaluator(SETTINGS, standing=("contactor-chatter",))
    raised: dict[str, int] = {}
    cleared: dict[str, int] = {}
    for second in range(200):
        counted = NO_ANSWERS | {"contactor-chatter": second < 100}
        found = evaluator.evaluate(at(float(second), called)._replace(counted=counted))
        raised |= dict.fromkeys(found.raised, second)
        cleared |= dict.fromkeys(found.cleared, second)
    assert "contactor-chatter" in CATALOGUE["call-without-pull-in"].parents
    assert raised["call-without-pull-in"] == cleared["contactor-chatter"] + 10


def plain_row(**changed: Any) -> FindingRow:
    """A finding of two inputs, true when there is no supply; held 10 s, as line-supply-lost, whose name it has."""
    made = FindingRow("line-supply-lost", Severity.URGENT, "", "", ("supply", "load"), (), lambda f: no(f.supply))
    return made._replace(**changed)


def walked(timer: Timer, *answers: tuple[float, Answer], suppressed: bool = False) -> Timer:
    for now_s, answer in answers:
        timer.update(answer, now_s, now_s, suppressed=suppressed)
    return timer


def test_a_finding_is_due_when_its_condition_has_held_and_two_scans_have_said_so() -> None:
    """Not one scan, however long ago; not a moment before its time; later by what is allowed by design."""
    timer = walked(Timer(plain_row(), SETTINGS), (100.0, True))
    assert timer.deadline(standing=False) == 110.0
    assert not timer.due(200.0)
    walked(timer, (101.0, True))
    assert not timer.due(109.9)
    assert timer.due(110.0)
    timer.grace_s = 30.0
    assert timer.deadline(standing=False) == 140.0
    assert not timer.due(139.9)
    assert timer.due(140.0)


def test_what_is_not_known_neither_raises_nor_clears() -> None:
    """True, then unknown, then true again: the time begins again. False, then unknown: it is not over."""
    timer = walked(Timer(plain_row(), SETTINGS), (0.0, True), (8.0, None), (9.0, True), (9.5, True))
    assert timer.true_s == 9.0
    assert not timer.due(10.0)
    timer = walked(Timer(plain_row(), SETTINGS), (0.0, True), (50.0, False), (51.0, False))
    assert (timer.true_s, timer.false_s) == (None, 50.0)
    assert timer.over(50.0)
    timer = walked(timer, (52.0, None))
    assert timer.false_s is None
    assert not timer.over(100.0)
    assert walked(timer, (101.0, False)).false_s == 101.0
    assert walked(timer, (102.0, True)).false_s is None


def test_a_finding_with_a_time_for_its_end_waits_for_it() -> None:
    """A high running current is over five minutes after it has gone (its first minutes draw less anyway)."""
    timer = walked(Timer(CATALOGUE["high-running-current"], SETTINGS), (0.0, True), (1000.0, False))
    assert timer.deadline(standing=True) == 1300.0
    assert not timer.over(1299.0)
    assert timer.over(1300.0)
    assert timer.deadline(standing=False) == inf


def test_a_counted_pattern_is_raised_when_it_answers() -> None:
    """Its times lie within it, and what is counted over cycles needs no second scan."""
    evaluator = FindingEvaluator(SETTINGS)
    counted = NO_ANSWERS | {"contactor-chatter": True}
    found = evaluator.evaluate(at(50.0, THERE)._replace(counted=counted, doubted=("call",), changed_s=50.0))
    assert list(found.raised) == ["contactor-chatter"]
    assert found.raised["contactor-chatter"].since_s == 50.0
    assert evaluator.evaluate(at(60.0, THERE)._replace(counted=counted, new_readings=True)).review == ()


def test_an_odd_scan_beside_a_change_is_counted_by_what_it_says_itself() -> None:
    """A scan that by itself denies the condition does not confirm it; one that bears it out does, before it is
    believed."""
    timer = Timer(plain_row(), SETTINGS)
    timer.update(True, 0.0, 0.0, said=THERE, suppressed=False)
    assert timer.scans == 0
    timer.update(False, 0.0, 0.0, said=LOST, suppressed=False)
    assert timer.scans == 1
    timer.update(True, 0.0, 0.0, said=None, suppressed=False)
    assert timer.scans == 2
    timer.update(False, 0.0, 0.0, said=THERE, suppressed=False)
    assert timer.scans == 0
    timer.update(None, 0.0, 0.0, said=None, suppressed=False)
    assert timer.scans == 0


def test_while_nobody_knows_who_lies_only_patterns_are_raised() -> None:
    """A condition waits until it is decided which readings to believe; what was counted does not rest on them."""
    evaluator = FindingEvaluator(SETTINGS)
    raised: dict[str, int] = {}
    for second in range(60):
        moment = at(float(second), LOST)._replace(
            undecided=second < 40, counted=NO_ANSWERS | {"contactor-chatter": second > 20}
        )
        raised |= dict.fromkeys(evaluator.evaluate(moment).raised, second)
    assert raised == {"contactor-chatter": 21, "line-supply-lost": 40}


def test_a_finding_that_rests_on_a_reading_that_lies_is_taken_back() -> None:
    """Its inputs are not known any more: it is cleared, without a word that the part works, and names the reading."""
    evaluator = FindingEvaluator(SETTINGS, standing=("line-supply-lost",))
    unknown = Facts(load=False, runs=False)
    assert evaluator.evaluate(at(0.0, unknown)).cleared == {}
    lying = {"supply": "supply", "call": "call"}
    moment = at(1.0, unknown._replace(compressor=False))._replace(distrusted=lying)
    assert evaluator.evaluate(moment).cleared == {"line-supply-lost": Cleared(works=False, withdrawn=("supply",))}
    assert evaluator.standing == set()


def test_a_cleared_finding_says_whether_the_part_was_seen_to_work() -> None:
    """A unit that pulls in proves it; a call that ends proves nothing."""
    called = Facts(call=True, supply=True, load=False, contacts=False, runs=False)
    ended = Facts(call=False, supply=True, load=False, contacts=False, runs=False)
    pulled_in = Facts(call=True, supply=True, load=True, contacts=True, runs=True)
    for facts, works in ((ended, False), (pulled_in, True)):
        evaluator = FindingEvaluator(SETTINGS, standing=("call-without-pull-in",))
        assert not evaluator.evaluate(at(0.0, called)).cleared
        late = evaluator.evaluate(at(5000.0, facts))
        late = late if late.cleared else evaluator.evaluate(at(9000.0, facts))
        assert late.cleared["call-without-pull-in"].works is works
        assert late.order == ("call-without-pull-in",)


def reviewed(*moments: tuple[float, dict[str, Any]], doubted: Sequence[str]) -> list[float]:
    """When a finding that is raised at 10 s is looked at again."""
    evaluator = FindingEvaluator(SETTINGS)
    for second in range(11):
        found = evaluator.evaluate(at(float(second), LOST, doubted=doubted))
    assert list(found.raised) == ["line-supply-lost"]
    times = []
    for now_s, more in moments:
        if evaluator.evaluate(at(now_s, LOST, **more)).review:
            times.append(now_s)
    return times


def test_a_finding_is_looked_at_again_when_new_evidence_has_stood_for_five_seconds() -> None:
    """Once; from its own doubt, or from the newest reading that says something else; never on a scan that contradicts
    it."""
    seconds = [11.0 + number / 2 for number in range(40)]
    assert reviewed(*((one, {}) for one in seconds), doubted=()) == []
    assert reviewed(*((one, {}) for one in seconds), doubted=("call",)) == [15.0]
    fresh = [(one, {"new_readings": one in (12.0, 14.0)}) for one in seconds]
    assert reviewed(*fresh, doubted=()) == [19.0]
    odd = [(one, {"unsettled": frozenset({"load"}) if one < 17.0 else frozenset()}) for one in seconds]
    assert reviewed(*odd, doubted=("call",)) == [17.0]


def test_the_evaluator_asks_to_be_asked_when_something_may_change_by_time() -> None:
    """At the end of a hold, of a wait for the all-clear, of a review; never, where nothing is under way."""
    evaluator = FindingEvaluator(SETTINGS)
    evaluator.evaluate(at(0.0, THERE))
    assert evaluator.deadline_s == inf
    evaluator.evaluate(at(100.0, LOST)._replace(changed_s=98.0))
    assert evaluator.deadline_s == 108.0
    evaluator.evaluate(at(107.0, LOST)._replace(changed_s=98.0))
    evaluator.evaluate(at(108.0, LOST, doubted=("call",))._replace(changed_s=98.0))
    assert evaluator.standing == {"line-supply-lost"}
    assert evaluator.deadline_s == 113.0
    evaluator.evaluate(at(113.0, LOST))
    assert evaluator.deadline_s == inf
    held_down = FindingEvaluator(SETTINGS, standing=("contactor-chatter",))
    called = Facts(call=True, supply=True, load=False, contacts=False, runs=False)
    held_down.evaluate(at(0.0, called)._replace(counted=NO_ANSWERS | {"contactor-chatter": True}))
    assert held_down.deadline_s == inf


def test_a_finding_that_slept_is_asked_as_soon_as_something_is_new() -> None:
    """Whatever has been asked in between: the facts are new, or a single scan says something else than is believed."""

    def raised_at(*moments: tuple[Facts, Facts | None], chatter: bool = False) -> int | None:
        evaluator = FindingEvaluator(SETTINGS)
        for second, (facts, said) in enumerate(moments):
            counted = NO_ANSWERS | {"contactor-chatter": chatter and second == 0}
            moment = at(float(second), facts)._replace(said=said, changed_s=-100.0, counted=counted)
            if "line-supply-lost" in evaluator.evaluate(moment).raised:
                return second
        return None

    quiet, lost = [(THERE, None)] * 6, (LOST, None)
    assert raised_at(*quiet, lost, lost, lost) == 7  # two scans have to say so
    assert raised_at(*quiet, lost, lost, lost, chatter=True) == 7  # whatever came and went before
    assert raised_at(*quiet, (THERE, LOST), lost, lost) == 7  # of which an odd one before was the first
    assert raised_at(*quiet, (THERE, LOST), (THERE, None), lost, lost) == 9  # but not one that was taken back
    assert raised_at(*quiet, (THERE, LOST), (THERE, Facts(load=True)), lost, lost) == 9  # by another odd one, either


def test_a_finding_says_since_when_and_comes_in_order() -> None:
    """Raised, looked at again and cleared: each is in the order of what came; a longer hold by design is waited for."""
    evaluator = FindingEvaluator(SETTINGS)
    assert evaluator.deadline_s == inf
    patient = {"line-supply-lost": 30.0}
    found = None
    for second in range(100, 150):
        found = evaluator.evaluate(at(float(second), LOST, grace_s=patient, doubted=("call",))._replace(changed_s=98.0))
        if found.order:
            break
    assert found is not None
    assert (found.raised["line-supply-lost"].since_s, found.order) == (98.0, ("line-supply-lost",))
    assert second == 138
    again = evaluator.evaluate(at(143.0, LOST))
    assert (again.review, again.order) == (("line-supply-lost",), ("line-supply-lost",))


def test_what_another_sensor_still_shows_is_not_taken_back_with_the_liar() -> None:
    """The supply is seen to be gone; that the load's sensor lies takes nothing from it."""
    evaluator = FindingEvaluator(SETTINGS, standing=("line-supply-lost",))
    moment = at(1.0, Facts(supply=False, runs=False))._replace(distrusted={"load": "load"})
    assert evaluator.evaluate(moment).cleared == {}


def test_a_pattern_counted_elsewhere_is_held_like_any_other() -> None:
    """The counter of another package answers at once; its finding's own time comes on top. Ours have theirs within."""
    assert Timer(plain_row(pattern=True), SETTINGS).hold_s == 0.0
    counted_elsewhere: Any = object
    assert Timer(plain_row(pattern=True, counter=counted_elsewhere), SETTINGS).hold_s == 10.0
    assert Timer(plain_row(), SETTINGS).hold_s == 10.0


# ---------------------------------------------------------------- cycle and patterns


def test_a_minute_across_a_cycles_border_has_no_means() -> None:
    """The sums of the new cycle are lower than they were: what lies between belongs to neither."""
    running = Facts(call=True, contacts=True, load=True, runs=True, compressor=True)
    watch, minute = CycleWatch(), Minute()
    for start_s in (0.0, 100.0):
        watch.update(Facts(call=False, contacts=False, load=False, runs=False, compressor=False), start_s, None)
        watch.update(running, start_s + 1.0, None)
        scans = 10 if start_s == 0.0 else 4
        for second in range(scans):
            watch.weigh(Scan(t_s=start_s + 2.0 + second, compressor_a=10.0 if start_s == 0.0 else 20.0))
        if start_s == 0.0:
            minute.open(20.0, watch)
    assert minute.close(110.0, watch)["compressor_a"] is None
    minute.open(110.0, watch)
    watch.weigh(Scan(t_s=111.0, compressor_a=14.0))
    assert minute.close(112.0, watch)["compressor_a"] == pytest.approx(14.0)


def test_where_a_run_stopped_is_not_rewritten_by_what_comes_later() -> None:
    """What changes within moments of the stop still belongs to it (readings need not be of one instant), later not."""
    stops = Stops(1)
    stopped = Facts(thermostat=True, call=False, contacts=False, runs=False)
    stops.stopped(stopped, 100.0)
    assert stops.seen()["stopped-at"] == "safety"
    late = stopped._replace(thermostat=False)
    stops.changed(late, 100.0 + STALE_S.value + 1.0)
    assert stops.seen()["stopped-at"] == "safety"
    stops.changed(late, 100.0 + STALE_S.value)
    assert stops.seen()["stopped-at"] == "thermostat"


def test_another_sensor_telling_it_is_no_stop_and_no_start() -> None:
    """The compressor's sense falls silent and comes back, again and again, while the contacts' sense takes its place:
    nothing was seen to start, so nothing is counted as starting often."""
    patterns = Patterns(SETTINGS)
    sensed = Facts(call=True, supply=True, load=True, contacts=True, compressor=False, runs=False)
    silent = sensed._replace(compressor=None, runs=True)
    for number in range(40):
        was, now = (sensed, silent) if number % 2 == 0 else (silent, sensed)
        patterns.changed(was, now, 20.0 * number)
    assert patterns.short.reasons(20.0 * 40) == []
    assert not patterns.overload.stands(20.0 * 40)


# ---------------------------------------------------------------- storage and broker


@pytest.fixture
def desk(keep: config.HistorySettings) -> Any:
    made = Desk(keep)
    yield made
    made.history.close()


def test_a_commit_that_failed_and_was_carried_out_all_the_same_is_written_over(desk: Desk) -> None:
    """Its rows are on the disk under the ids they had; meanwhile they were given out under others, and those count."""
    writer = desk.history._owned()
    db = writer._db
    assert db is not None
    desk.step(change())
    assert desk.deliver() == [1]
    with db:
        db.execute("BEGIN IMMEDIATE")
        ahead = (2, "events", 2, f"{writer.origin}-2", "change", 1, 0.0, WALL_S, b"{}")
        db.execute("INSERT INTO outbox VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", ahead)
    fill(desk.history)
    desk.step(change(finding="f" + "x" * 9000))
    desk.pass_time(EXPOSE_S + 1)
    assert desk.deliver() == [2]
    db.execute("PRAGMA max_page_count = 1000000")
    desk.pass_time(RETRY_S + 1)
    assert desk.error == ""
    assert [row.id for row in desk.history.events()] == desk.got
    assert "." in desk.got[1]


def test_no_cursor_in_the_redo_log_lies_ahead_of_its_rows(desk: Desk) -> None:
    """Rows that went out while the disk was full and then went with a power cut are numbered again in the next life: a
    cursor that already lay beyond them would pass over whatever takes their numbers."""
    desk.step(change())
    desk.deliver()
    writer = desk.history._owned()
    fill(desk.history)
    for _ in range(3):
        desk.step(change(finding="f" + "x" * 9000))
    desk.pass_time(EXPOSE_S + 1)
    desk.deliver()
    assert writer.cursors["all"] > writer.on_disk
    writer._drop()  # as after a change of the mount
    writer._open()
    for entry in RedoLog(Path(desk.keep.file)).read().entries:
        assert all(place <= entry.offset for place in entry.cursors.values())
    db = writer._db
    assert db is not None
    kept, last = db.execute("SELECT max(place) FROM cursors").fetchone()[0], writer.on_disk
    assert kept <= last


def test_what_the_broker_acknowledged_out_of_order_waits_for_what_came_before(keep: config.HistorySettings) -> None:
    """The second of three acknowledged first moves no cursor: a cut now would pass over the first for ever."""
    with History(keep.file, owner=True, keep=keep) as history:
        events = [change(), change(), change()]
        history.step(now_s=1.0, wall_s=WALL_S, status=status(1.0), memory=lambda: MEMORY, events=events)
        publisher = BrokerPublisher(Settings(mqtt=Mqtt(host="broker.test")))
        publisher.history = history
        rows = history.outbox(publisher.name, begin=True)
        publisher._acked = {rows[1].id}
        assert not publisher._commit_offset()
        assert [row.id for row in history.outbox(publisher.name, begin=True)] == [row.id for row in rows]
        publisher._acked.add(rows[0].id)
        assert publisher._commit_offset()
        assert history.outbox(publisher.name, begin=True) == rows[2:]
        assert not publisher._acked
