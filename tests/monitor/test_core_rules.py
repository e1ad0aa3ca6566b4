"""Single rules of the core that a recording seldom reaches; each is a mutant that once survived (tests/mutation)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import Mqtt, Settings
from condenser_monitor.monitor.core.cycle import CycleWatch, Minute
from condenser_monitor.monitor.core.evaluation import FindingEvaluator, Snapshot
from condenser_monitor.monitor.core.findings import CATALOGUE, ROWS
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.patterns import Patterns, Stops
from condenser_monitor.monitor.core.records import Scan
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
