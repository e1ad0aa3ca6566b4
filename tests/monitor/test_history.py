"""The history: numbers without a gap, one transaction a step, what is read back."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import CommandError, HistoryError
from condenser_monitor.monitor.core.records import (
    Answer,
    MeterReading,
    Request,
    RequestKind,
    Scan,
    StartTransient,
    StoredVisit,
)
from condenser_monitor.monitor.storage import schema
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.models import Topic, VisitScore
from tests.monitor.edge_tools import (
    MEMORY,
    WALL_S,
    Hand,
    alert,
    change,
    cycle,
    forget_held,
    status,
    until,
)


def opened(keep: config.HistorySettings, clock: Hand, *, owner: bool = True, wall_s: float = WALL_S) -> History:
    """A history on the hand-turned clock."""
    return History(keep.file, owner=owner, keep=keep, clock=clock, wall=lambda: wall_s + clock())


def step(history: History, t_s: float = 0.0, *, wall_s: float | None = WALL_S, **more: Any) -> None:
    """One engine step at `t_s`, its status with some links live."""
    live = more.pop("live", ())
    given: dict[str, Any] = {"status": status(t_s, wall_s, live=live), "memory": lambda: MEMORY}
    history.step(now_s=t_s, wall_s=None if wall_s is None else wall_s + t_s, **(given | more))


def days(history: History, clock: Hand, spans: Sequence[tuple[float, float]], every_s: float = 10.0) -> list[Scan]:
    """Scans with a rising current over spans of time; what was given."""
    given = []
    for from_s, to_s in spans:
        for t_s in np.arange(from_s, to_s, every_s):
            clock.now_s = float(t_s)
            scan = Scan(t_s=float(t_s), wall_s=WALL_S + float(t_s), compressor_a=round(t_s % 977 / 50, 3), call=True)
            step(history, float(t_s), scan=scan)
            given.append(scan)
    return given


# ---------------------------------------------------------------- numbers and steps


def test_numbers_are_unbroken_within_each_topic_and_over_restarts(keep: config.HistorySettings) -> None:
    """`seq` counts events and cycles apart, `place` all rows; ids are never reused, and a restart goes on counting."""
    for run in (1, 2, 3):
        with opened(keep, Hand()) as history:
            step(history, 1.0, events=[change(), cycle(), alert()])
            assert {kept.run for kept in history.events(after_seq=2 * run - 2)} == {run}
    with opened(keep, Hand()) as history:
        rows = history.outbox("all", begin=True)
    assert [row.offset for row in rows] == list(range(1, 10))
    assert [row.seq for row in rows if row.topic == "events"] == [1, 2, 3, 4, 5, 6]
    assert [row.seq for row in rows if row.topic == "cycles"] == [1, 2, 3]
    assert len({row.id for row in rows}) == 9


def test_what_went_in_comes_out(history: History) -> None:
    """A change, an alert and a cycle are read back as the records they were."""
    bodies = [change(3.0), alert(4.0), cycle(905.0)]
    step(history, 5.0, events=bodies)
    assert [kept.body for kept in history.outbox("all", begin=True)] == bodies
    assert [body for _, body in history.cycles(WALL_S, WALL_S + 10)] == bodies[2:]
    assert history.cycles(WALL_S + 10, WALL_S + 20) == []
    assert [kept.body for kept in history.latest_events(1)] == [bodies[1]]


@pytest.mark.parametrize("limit", [1, 3, 7, 500])
@pytest.mark.parametrize("topic", ["events", "cycles"])
def test_the_newest_of_a_topic_come_first_wherever_they_lie(history: History, topic: Topic, limit: int) -> None:
    """Few rows of one topic, long ago, under many of the other: near the end or far from it, what is asked is there."""
    step(history, 5.0, events=[change(float(at)) for at in range(5)])
    step(history, 6.0, events=[cycle(905.0 + at) for at in range(150)])
    step(history, 7.0, events=[change(9.0)])
    every = [row for row in history.outbox("all", begin=True, limit=1000) if row.topic == topic]
    assert history.latest_events(limit, topic) == every[::-1][:limit]


def test_status_and_memory_are_those_of_the_step(keep: config.HistorySettings) -> None:
    """The engine's memory and the status written are the step's own, and are there after a restart."""
    with opened(keep, Hand()) as history:
        assert history.memory() is None
        step(history, 7.0, events=[change()], memory=lambda: b'{"step": 7}', live=("call",))
    with opened(keep, Hand()) as history:
        assert history.memory() == b'{"step": 7}'
        found = history.status()
        assert found is not None
        assert found == status(7.0, live=("call",))


@pytest.mark.parametrize("place", ["outbox", "counters", "requests", "starts", "state", "cursors", "fine", "lanes"])
def test_a_step_is_written_whole_or_not_at_all(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    """Behind whichever table a write breaks off, the file holds neither row nor number nor memory of the step."""
    with monkeypatch.context() as patch, opened(keep, Hand()) as history:
        step(history, 1.0, events=[change()], memory=lambda: b"before")
        disk = history._owned()._db

        def broken(db: sqlite3.Connection, sql: str, rows: Any) -> sqlite3.Cursor:
            done = sqlite3.Connection.executemany(db, sql, rows)
            if db is disk and f"INTO {place} " in sql:
                raise sqlite3.OperationalError("disk I/O error")
            return done

        patch.setattr(schema.Connection, "executemany", broken)
        step(history, 2.0, events=[change(), cycle()], memory=lambda: b"after")
        assert "disk I/O error" in history.health().disk_error
    forget_held(keep)
    with opened(keep, Hand()) as history:
        assert history.memory() == b"before"
        assert [kept.seq for kept in history.outbox("all", begin=True)] == [1]
        step(history, 1.0, events=[change(), cycle()])
        assert [(kept.topic, kept.seq) for kept in history.outbox("all", begin=True)] == [
            ("events", 1),
            ("events", 2),
            ("cycles", 1),
        ]


def test_events_reach_the_disk_at_once_and_readings_in_batches(keep: config.HistorySettings) -> None:
    """Memory is asked for, and the file written, when there is an event or five minutes have gone by; not each scan."""
    clock, asked = Hand(), []

    def memory() -> bytes:
        asked.append(clock())
        return MEMORY

    with opened(keep, clock) as history:
        for t_s in range(0, 901, 10):
            clock.now_s = float(t_s)
            step(history, float(t_s), memory=memory, events=[change()] if t_s == 450 else [])
    assert asked == [300.0, 450.0, 750.0]


def test_a_time_of_day_that_comes_late_is_put_in_afterwards(keep: config.HistorySettings) -> None:
    """Rows written before the clock was known get the time they had, once it is known."""
    clock = Hand()
    with opened(keep, clock) as history:
        step(history, 10.0, wall_s=None, events=[change(), cycle()], starts=[start(9.0)])
        assert [kept.wall_s for kept in history.outbox("all", begin=True)] == [None, None]
        step(history, 100.0, events=[alert()])
        assert [kept.wall_s for kept in history.outbox("all", begin=True)] == [WALL_S + 10, WALL_S + 10, WALL_S + 100]
        assert history.starts()[0].wall_s == WALL_S + 9


def start(t_s: float) -> StartTransient:
    """A captured start."""
    return StartTransient(t_s=t_s, duration_s=0.21, peak_a=64.0, settled_a=9.6, rate_hz=860.0)


def test_captured_starts_are_read_back_newest_first(history: History) -> None:
    """Starts carry their own time, not the step's."""
    step(history, 10.0, starts=[start(8.0), start(9.5)])
    assert [(found.start.t_s, found.wall_s) for found in history.starts()] == [(9.5, WALL_S + 9.5), (8.0, WALL_S + 8)]


# ---------------------------------------------------------------- readings and lanes


def test_readings_are_the_means_of_what_was_scanned(keep: config.HistorySettings) -> None:
    """Mean, low and high of each stretch agree with numpy over the same scans, in the live file and on disk alike."""
    clock = Hand()
    with opened(keep, clock) as history, opened(keep, clock, owner=False) as reader:
        given = days(history, clock, [(0, 3600)], every_s=1.0)
        amps = np.array([scan.compressor_a for scan in given])[:3590]  # the last ten seconds are still being collected
        for at_s, points in ((60, 60), (300, 12), (10, 1000)):
            found = reader.readings("compressor_a", WALL_S, WALL_S + 3590, points)
            parts = [amps[i : i + at_s] for i in range(0, len(amps), at_s)]
            assert [point.wall_s - WALL_S for point in found] == list(range(0, 3590, at_s))
            assert [point.mean for point in found] == pytest.approx([part.mean() for part in parts], abs=0.001)
            assert [point.low for point in found] == pytest.approx([part.min() for part in parts], abs=0.0006)
            assert [point.high for point in found] == pytest.approx([part.max() for part in parts], abs=0.0006)


def test_a_missing_reading_leaves_a_gap(keep: config.HistorySettings) -> None:
    """Nothing was read for a while: no points then, neither zero nor the last value."""
    clock = Hand()
    with opened(keep, clock) as history:
        days(history, clock, [(0, 300), (600, 900)])
        found = [point.wall_s - WALL_S for point in history.readings("compressor_a", WALL_S, WALL_S + 900, 90)]
    assert found == [*range(0, 300, 10), *range(600, 890, 10)]


def test_older_readings_are_thinned_and_the_oldest_dropped(keep: config.HistorySettings) -> None:
    """After days, older readings stand at one a minute with the same mean, and nothing older than its days is left."""
    clock, day_s = Hand(), 86400
    keep = config.HistorySettings(file=keep.file, live_dir=keep.live_dir, readings_days=3.0)
    with opened(keep, clock) as history:
        given = days(history, clock, [(0, 7200), (day_s * 2.5, day_s * 2.5 + 7200)])
        found = history.readings("compressor_a", WALL_S, WALL_S + 3600, 500)
        assert len(found) == 60
        assert found[0].mean == pytest.approx(np.mean([scan.compressor_a for scan in given[:6]]), abs=0.001)
        assert found[0].high == pytest.approx(max(scan.compressor_a or 0 for scan in given[:6]), abs=0.001)
        means = [np.mean([scan.compressor_a for scan in given[part : part + 360]]) for part in (0, 360)]
        hours = history.readings("compressor_a", WALL_S, WALL_S + 7200, 2)
        assert [point.mean for point in hours] == pytest.approx(means, abs=0.001)
        days(history, clock, [(day_s * 5, day_s * 5 + 7200)])
        assert history.readings("compressor_a", WALL_S, WALL_S + 7200) == []
        assert len(history.readings("compressor_a", WALL_S + day_s * 2.5, WALL_S + day_s * 3, 5000)) == 120


def test_a_clock_gone_wrong_does_not_cost_the_whole_history(keep: config.HistorySettings) -> None:
    """A wall clock that jumps ten years ahead for an hour drops a bounded number of the oldest rows, not all."""
    clock = Hand()
    with opened(keep, clock) as history:
        days(history, clock, [(0, 86400 * 5)], every_s=60.0)
        future_s = WALL_S + 3650 * 86400.0
        for t_s in range(86400 * 5, 86400 * 5 + 3600, 100):
            clock.now_s = float(t_s)
            step(history, float(t_s), wall_s=future_s)
        kept = history.readings("compressor_a", WALL_S, WALL_S + 86400 * 5, 100000)
        assert len(kept) > 2 * 1440


def test_a_clock_back_in_the_year_2000_while_readings_are_thinned_costs_none(keep: config.HistorySettings) -> None:
    """The clock falls to 2000 while old readings are due to be thinned, then to a day that was thinned already, then it
    is right again: those days read as they did, though other readings came with their time."""
    clock, day_s = Hand(), 86400.0
    with opened(keep, clock) as history:
        days(history, clock, [(0, day_s * 4.5)], every_s=60.0)
        before = history.readings("compressor_a", WALL_S, WALL_S + day_s, 2000)
        assert len(before) == 1440
        for from_s in (946684800.0, WALL_S + 300.0, WALL_S + day_s * 4.6):
            for minute in range(400):
                clock.sleep(60.0)
                wall_s = from_s + 60.0 * minute
                step(history, clock(), wall_s=wall_s, scan=Scan(t_s=clock(), wall_s=wall_s, compressor_a=99.0))
        assert history.readings("compressor_a", WALL_S, WALL_S + day_s, 2000) == before


def test_asking_for_a_reading_that_is_none_is_refused(history: History) -> None:
    """The refusal names what there is; a name never reaches SQL."""
    with pytest.raises(CommandError, match="one of call, control_v"):
        history.readings("wall_s FROM fine; --", 0, 1)


def test_lanes_tell_when_each_link_lived(keep: config.HistorySettings) -> None:
    """Stretches of one state follow each other without a hole; the last one is open."""
    clock = Hand()
    with opened(keep, clock) as history, opened(keep, clock, owner=False) as reader:
        for t_s, live in ((0, ()), (10, ("call", "contacts")), (20, ("call", "contacts")), (30, ())):
            step(history, float(t_s), live=live)
        found = [lane for lane in reader.lanes(WALL_S, WALL_S + 100) if lane.name == "contacts"]
        assert [(lane.state.value, lane.from_wall_s - WALL_S) for lane in found] == [
            ("dead", 0),
            ("live", 10),
            ("dead", 30),
        ]
        assert [lane.to_wall_s for lane in found] == [WALL_S + 10, WALL_S + 30, None]
        assert [lane.name for lane in reader.lanes(WALL_S + 12, WALL_S + 13)] == [
            "call",
            "contacts",
            "compressor",
            "fan",
        ]


def test_lanes_end_where_a_killed_program_was_last_seen(keep: config.HistorySettings) -> None:
    """A program that dies leaves no stretch open for ever: the next one ends it at the last moment it was alive."""
    clock = Hand()
    dead = opened(keep, clock)
    step(dead, 0.0, live=("call",))
    clock.sleep(50.0)
    step(dead, 50.0, live=("call",))
    dead._owned()._lock_file.release()  # as the system does for a dead process; nothing else is closed
    with opened(keep, clock) as history:
        found = [lane.to_wall_s for lane in history.lanes(WALL_S, WALL_S + 100) if lane.name == "call"]
    assert found == [WALL_S + 50]
    dead.close()


def test_what_was_seen_before_the_clock_was_known_is_dated_afterwards(keep: config.HistorySettings) -> None:
    """Readings and stretches from before the network was found stand at the time they had."""
    clock = Hand()
    with opened(keep, clock) as history:
        for t_s in range(0, 60):
            wall_s = None if t_s < 40 else WALL_S
            scan = Scan(t_s=float(t_s), wall_s=wall_s and wall_s + t_s, compressor_a=5.0)
            step(history, float(t_s), wall_s=wall_s, scan=scan, live=("call",) if 20 <= t_s < 30 else ())
        points = history.readings("compressor_a", WALL_S, WALL_S + 50, 100)
        assert [point.wall_s - WALL_S for point in points] == [0, 10, 20, 30, 40]
        lanes = [lane for lane in history.lanes(WALL_S, WALL_S + 60) if lane.name == "call"]
        assert [lane.from_wall_s - WALL_S for lane in lanes] == [0, 20, 30]


# ---------------------------------------------------------------- status


def test_the_age_of_the_status_does_not_follow_a_wall_clock_that_steps(keep: config.HistorySettings) -> None:
    """A step of the wall clock by hours either way leaves the age what it is."""
    clock = Hand(1000.0)
    walls = [WALL_S]
    with History(keep.file, owner=True, keep=keep, clock=clock, wall=lambda: walls[0]) as history:
        assert history.status_age_s() is None
        step(history, 1.0)
        for jump_s in (0.0, 7200.0, -7200.0):
            clock.sleep(4.0)
            walls[0] += jump_s
            assert history.status_age_s() == pytest.approx(clock() - 1000.0)


def test_a_status_without_a_new_scan_ages(keep: config.HistorySettings) -> None:
    """A monitor whose boards give nothing goes on stepping, but what it shows grows old: blind must not look fresh."""
    clock = Hand()
    with opened(keep, clock) as history, opened(keep, clock, owner=False) as reader:
        history._live.spacing_s = 0.0
        step(history, 5.0)
        for _ in range(30):
            clock.sleep(1.0)
            history.step(now_s=5.0, wall_s=WALL_S + clock(), status=status(5.0), memory=lambda: MEMORY)
        assert history.status_age_s() == reader.status_age_s() == 30.0


def test_the_live_file_is_spared_the_disk_but_seen_by_others(keep: config.HistorySettings) -> None:
    """Where the live file lies on a disk the status is written every ten seconds only; readers see it age."""
    clock = Hand()
    with opened(keep, clock) as history, opened(keep, clock, owner=False) as reader:
        history._live.spacing_s = 10.0
        for t_s in range(0, 15):
            clock.now_s = float(t_s)
            step(history, float(t_s))
        found = reader.status()
        assert found is not None
        assert found.t_s == 10.0
        assert reader.status_age_s() == 4.0


def test_a_log_out_that_empties_shared_memory_costs_nothing(keep: config.HistorySettings) -> None:
    """The live file is removed under the running program: the next step makes it again, and readers find it."""
    clock = Hand()
    with opened(keep, clock) as history, opened(keep, clock, owner=False) as reader:
        history.register("phone", begin=False)
        history.note_error("phone", "no answer")
        step(history, 1.0, last=True)
        assert reader.status() is not None
        for path in Path(keep.live_dir).iterdir():
            path.unlink()
        clock.sleep(20.0)
        step(history, 2.0)
        found = reader.status()
        assert found is not None
        assert found.t_s == 2.0
        assert reader.health().publishers["phone"].error == "no answer"
        assert history.health().disk_error == ""


def test_a_good_end_leaves_no_live_file_and_the_status_on_disk(keep: config.HistorySettings) -> None:
    """After the last step everything is in the one file."""
    clock = Hand()
    with opened(keep, clock) as history:
        days(history, clock, [(0, 100)])
        step(history, 100.0, last=True)
    assert list(Path(keep.live_dir).iterdir()) == []
    with opened(keep, clock, owner=False) as reader:
        found = reader.status()
        assert found is not None
        assert found.t_s == 100.0
        assert len(reader.readings("compressor_a", WALL_S, WALL_S + 100, 100)) == 10


# ---------------------------------------------------------------- requests, checks, visits


def request(name: str = "r1", **more: Any) -> Request:
    """An acknowledgement."""
    given: dict[str, Any] = {"request": RequestKind.ACKNOWLEDGE, "by": "Sam", "finding": "line-supply-lost"}
    return Request(id=name, **(given | more))


def test_a_request_is_handed_over_once_and_its_answer_found(keep: config.HistorySettings) -> None:
    """The page leaves a request, the service takes it, the page reads the answer; a repeated id changes nothing."""
    clock = Hand()
    with opened(keep, clock) as history, opened(keep, clock, owner=False) as page:
        assert page.add_request(request()) is None
        assert page.add_request(request(by="Someone else")) is None
        assert history.requests() == [request()]
        assert page.answer("r1") is None
        step(history, 1.0, answers=[Answer(id="r1", done=True)])
        assert history.requests() == []
        assert page.answer("r1") == Answer(id="r1", done=True)
        assert page.add_request(request()) == Answer(id="r1", done=True)
        assert history.requests() == []


def test_answers_go_out_on_the_broker_to_those_who_asked_there(history: History) -> None:
    """Only a request that came by the broker has its answer in the outbox."""
    history.add_request(request("from-page"))
    history.add_request(request("from-broker"), source="broker")
    asked = [found.id for found in history.requests()]
    step(history, 1.0, answers=[Answer(id=name, done=True) for name in asked])
    assert [kept.body for kept in history.outbox("all", begin=True)] == [Answer(id="from-broker", done=True)]


def test_a_flood_of_requests_is_refused_with_the_reason(history: History) -> None:
    """The bound holds, says why, and lets in again what is answered."""
    answers = [history.add_request(request(f"r{number}")) for number in range(103)]
    assert [answer.why for answer in answers if answer is not None] == ["too many requests are waiting"] * 3
    step(history, 1.0, answers=[Answer(id="r0", done=True)])
    assert history.add_request(request("later")) is None


def test_visits_count_right_and_wrong_first_suspects(history: History) -> None:
    """A visit whose cause was the first suspect counts as right, another as wrong, one without suspects as neither."""
    for was, suspects in (("coil-open", ("coil-open", "x")), ("x", ("coil-open", "x")), ("other", ()), ("x", ("x",))):
        history.add_visit(StoredVisit(was=was, by="Sam", suspects=suspects, finding="call-without-pull-in"))
    assert history.score() == VisitScore(right=2, wrong=1, unnamed=1)
    assert [visit.was for visit in history.visits()] == ["x", "other", "x", "coil-open"]


def test_meter_readings_are_kept_as_typed(history: History) -> None:
    """What was typed, what it was understood as, and when."""
    history.add_meter_reading(MeterReading(check="coil-ohms", typed="OL", by="Sam", wall_s=50.0, symbol="open"))
    history.add_meter_reading(MeterReading(check="coil-ohms", typed="13.8 ohm", by="Sam", wall_s=60.0, value=13.8))
    assert [(found.typed, found.value) for found in history.meter_readings()] == [("13.8 ohm", 13.8), ("OL", None)]
    assert [found.typed for found in history.meter_readings(since_wall_s=55.0)] == ["13.8 ohm"]


# ---------------------------------------------------------------- who may do what


def test_only_one_program_owns_a_history(keep: config.HistorySettings, history: History) -> None:
    """A second owner is refused while the first lives, and may write once it has ended."""
    with pytest.raises(HistoryError, match="another process"):
        History(keep.file, owner=True, keep=keep)
    history.close()
    History(keep.file, owner=True, keep=keep).close()


def test_a_reader_writes_no_steps_and_makes_no_files(tmp_path: Path) -> None:
    """Reading a history that is not there gives nothing and leaves nothing behind."""
    keep = config.HistorySettings(live_dir=str(tmp_path / "live"))
    with History(tmp_path / "none.db", keep=keep) as reader:
        assert reader.status() is None
        assert reader.events() == []
        assert reader.lanes(0, 1e12) == []
        assert reader.health().size_bytes == 0
        with pytest.raises(HistoryError, match="reader"):
            step(reader, 1.0)
        with pytest.raises(HistoryError, match="no such file"):
            reader.add_request(request())
        with pytest.raises(HistoryError, match="no such file"):
            reader.add_visit(StoredVisit(was="x", by="Sam"))
    assert list(tmp_path.iterdir()) == []


def test_many_threads_may_use_it_at_once(keep: config.HistorySettings) -> None:
    """One thread steps while others read, deliver, ask and leave notes: no error, and every row once."""
    clock, troubles, stop = Hand(), [], threading.Event()
    seen: dict[str, list[int]] = {"a": [], "b": []}
    with opened(keep, clock) as history, opened(keep, clock, owner=False) as page:

        def publisher(name: str) -> None:
            for kept in history.outbox(name, begin=True, limit=7):
                seen[name].append(kept.offset)
                history.delivered(name, kept.offset)

        def ask(number: int) -> None:
            page.add_request(request(f"r{number % 50}"))

        def read(number: int) -> None:
            page.status()
            page.health()
            page.lanes(WALL_S, WALL_S + 1000)
            page.readings("compressor_a", WALL_S, WALL_S + 1000)
            history.note_error("a", f"error {number}")

        def over_and_over(work: Callable[[int], object]) -> None:
            number = 0
            while not stop.is_set():
                number += 1
                try:
                    work(number)
                except Exception as error:
                    troubles.append(error)

        works: list[Callable[[int], object]] = [lambda _: publisher("a"), lambda _: publisher("b"), ask, read, read]
        threads = [threading.Thread(target=over_and_over, args=(work,)) for work in works]
        for thread in threads:
            thread.start()
        for t_s in range(200):
            clock.now_s = float(t_s)
            answers = [Answer(id=found.id, done=True) for found in history.requests()]
            step(history, float(t_s), events=[change(), cycle()], answers=answers, live=("call",) if t_s % 20 else ())
        until(lambda: all(len(places) >= 400 for places in seen.values()))
        stop.set()
        for thread in threads:
            thread.join(10)
        assert troubles == []
        assert history.health().disk_error == ""
    assert seen["a"] == seen["b"] == list(range(1, 401))
