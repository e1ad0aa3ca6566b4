"""The one loop: pace, faults of everything around it, requests, restart, watchdog. Virtual time and the real engine."""

from __future__ import annotations

import os
import signal
import socket
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor.clock import wall_clock
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.records import (
    Change,
    Cycle,
    Diagnosed,
    Event,
    Request,
    RequestKind,
    Scan,
    StartTransient,
    UnitStatus,
)
from condenser_monitor.monitor.publishers.base import EventPublisher
from condenser_monitor.monitor.service.run_loop import (
    Service,
    ServiceWatchdog,
    run_until_signal,
)
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.models import StoredEvent
from tests.monitor.edge_tools import (
    WALL_S,
    Hand,
    ReplayBoards,
    change,
    status,
    until,
)
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
    but,
    scans,
)

SETTINGS = Settings(unit=UNIT, senses=SensorSettings(fitted=ALL))
DEAF = but(RUN, load=False, compressor_a=0.0, fan_a=0.0, coil_a=0.0)  # the call is there, nothing pulls in


class Ear:
    """A publisher that writes down what it is offered."""

    name = "ear"

    def __init__(self) -> None:
        self.offered: list[tuple[Sequence[Event], UnitStatus]] = []
        self.history: History | None = None
        self.closed = False

    def start(self, history: History) -> None:
        self.history = history

    def offer(self, events: Sequence[Event], status: UnitStatus) -> None:
        self.offered.append((events, status))

    def close(self) -> None:
        self.closed = True


def made(keep: config.HistorySettings, boards: Any, clock: Hand | None = None, **more: Any) -> Service:
    """A service over boards, in virtual time, owning the history of `keep`."""
    clock = clock or Hand()
    history = History(keep.file, owner=True, keep=keep, clock=clock, wall=lambda: WALL_S + clock())
    history._live.spacing_s = 0.0  # as on a file system in memory
    given: dict[str, Any] = {"clock": clock, "sleep": clock.sleep, "wall": lambda: WALL_S + clock()}
    return Service(SETTINGS, boards, history, **(given | more))


def findings(history: History) -> list[tuple[str, str]]:
    """(change, finding) of all changes kept."""
    bodies = [kept.body for kept in history.events(limit=1000)]
    return [(body.change.value, body.finding) for body in bodies if isinstance(body, Change)]


def test_a_fault_goes_from_the_boards_into_the_history_and_to_the_publishers(keep: config.HistorySettings) -> None:
    """Boards -> engine -> history -> publisher: the change is kept with the wall time and offered in the same step."""
    ear = Ear()
    service = made(keep, ReplayBoards(scans((20, REST), (30, DEAF))), publishers=[ear])
    service.run(steps=50)
    assert ("raised", "call-without-pull-in") in findings(service.history)
    offered = [event for events, _ in ear.offered for event in events if not isinstance(event, Diagnosed)]
    assert offered == [kept.body for kept in service.history.outbox("all", begin=True)]
    assert len(ear.offered) == 50
    found = service.history.status()
    assert found is not None
    assert [finding.name for finding in found.findings] == ["call-without-pull-in"]
    assert found.wall_s == WALL_S + 49
    service.close()
    assert ear.closed


def test_the_engine_goes_on_after_a_restart(keep: config.HistorySettings) -> None:
    """A finding that stands when the program is killed is not raised a second time, and is cleared when it is gone."""
    first = made(keep, ReplayBoards(scans((20, REST), (30, DEAF))))
    first.run(steps=50)
    before = findings(first.history)
    first.history.close()  # no last step: as a kill leaves it
    second = made(keep, ReplayBoards(scans((60, DEAF), (60, REST))))
    second.run(steps=60)
    assert findings(second.history) == before
    found = second.history.status()
    assert found is not None
    assert [finding.name for finding in found.findings] == ["call-without-pull-in"]
    second.run(steps=60)
    assert findings(second.history) == [*before, ("cleared", "call-without-pull-in")]
    second.close()


def test_a_memory_that_no_engine_can_read_is_said_and_the_watch_goes_on(keep: config.HistorySettings) -> None:
    """Garbage where the memory was: begun afresh, said on the health page."""
    first = made(keep, ReplayBoards(scans((5, REST))))
    first.engine.memory = lambda: b"\x00 not a memory"  # type: ignore[method-assign]
    first.run(steps=5)
    first.close()
    second = made(keep, ReplayBoards(scans((5, REST))))
    second.run(steps=5)
    assert "memory" in second.history.health().notes
    assert second.history.status() is not None
    second.close()


# ---------------------------------------------------------------- pace


def test_the_pace_is_steady_and_a_delay_is_not_followed_by_a_burst(keep: config.HistorySettings) -> None:
    """Scans at whole seconds of the monotonic clock; after 3.4 s lost the next scans are again a second apart."""
    clock, times = Hand(), []

    class Slow(ReplayBoards):
        def scan(self) -> Scan:
            times.append(clock())
            clock.sleep(3.4 if len(times) == 4 else 0.2)
            return super().scan()

    service = made(keep, Slow(scans((20, REST))), clock)
    service.run(steps=8)
    assert times == pytest.approx([0.0, 1.0, 2.0, 3.0, 6.4, 7.0, 8.0, 9.0])
    service.close()


@pytest.mark.parametrize("jump_s", [86400.0 * 30, -86400.0 * 30, 3600.0, -3600.0])
def test_a_wall_clock_that_steps_raises_and_clears_nothing(keep: config.HistorySettings, jump_s: float) -> None:
    """Delays are of the monotonic clock: with a step of the wall clock in the middle of a delay the finding comes at
    the same scan, and a run goes on."""
    clock, steps = Hand(), 0

    def wall() -> float:
        return WALL_S + clock() + (jump_s if clock() >= 25 else 0.0)

    service = made(keep, ReplayBoards(scans((20, RUN), (40, DEAF))), clock, wall=wall)
    while not findings(service.history):
        service.step()
        clock.sleep(1.0)
        steps += 1
    assert findings(service.history) == [("raised", "call-without-pull-in")]
    body = service.history.events()[0].body
    assert isinstance(body, Change)
    assert 30 <= body.t_s <= 32
    service.close()


def test_an_unknown_time_of_day_is_said_and_nothing_waits_for_it(keep: config.HistorySettings) -> None:
    """Before the network is found everything works, without dates; they come later."""
    clock, wall = Hand(), [None, WALL_S]
    service = made(keep, ReplayBoards(scans((20, REST), (50, DEAF))), clock, wall=lambda: wall[0])
    service.run(steps=50)
    assert service.history.health().notes["clock"] == "the time of day is not known yet"
    assert [kept.wall_s for kept in service.history.events()] != []
    assert {kept.wall_s for kept in service.history.events()} == {None}
    wall.reverse()
    service.run(steps=20)
    service.close()
    with History(keep.file, keep=keep) as reader:
        assert None not in {kept.wall_s for kept in reader.events()}


def test_a_clock_that_was_never_set_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine without a battery clock begins in 1970 or at its build date."""
    monkeypatch.setattr("time.time", lambda: 1_500_000_000.0)
    assert wall_clock() is None
    monkeypatch.setattr("time.time", lambda: WALL_S)
    assert wall_clock() == WALL_S


# ---------------------------------------------------------------- what fails around it


def test_boards_that_raise_do_not_end_the_watch(keep: config.HistorySettings) -> None:
    """The failure is said; scans that come again are judged, and the watchdog is fed by real scans only."""

    class Flaky(ReplayBoards):
        count = 0

        def scan(self) -> Scan:
            self.count += 1
            if 3 <= self.count <= 5:
                raise OSError("I2C bus is gone")
            return super().scan()

    fed: list[str] = []

    class Dog(ServiceWatchdog):
        def notify(self, *lines: str) -> None:
            fed.extend(lines)

    boards = Flaky(scans((20, REST)))
    service = made(keep, boards, watchdog=Dog(""))
    service.run(steps=4)
    assert service.history.health().notes["boards"] == "OSError: I2C bus is gone"
    service.run(steps=4)
    assert "boards" not in service.history.health().notes
    assert fed.count("WATCHDOG=1") == 5
    service.close()


def test_why_a_reading_is_missing_is_on_the_health_page(keep: config.HistorySettings) -> None:
    """What the boards say of their senses is passed on."""
    boards = ReplayBoards(scans((5, REST)))
    service = made(keep, boards)
    boards.trouble = {"coil_a": "no answer at 0x48"}
    service.run(steps=2)
    assert service.history.health().faults == {"coil_a": "no answer at 0x48"}
    service.close()


def test_a_failure_within_the_engine_loses_no_event(keep: config.HistorySettings) -> None:
    """An engine that breaks after it has seen a change, before that was kept, is made again from what was kept: the
    change comes again and is kept once."""
    clock = Hand()
    service = made(keep, ReplayBoards(scans((20, REST), (60, DEAF))), clock)
    real, broke = service.engine.tick, list[float]()

    def tick(now_s: float, wall_s: float | None) -> Any:
        if service.engine.standing and not broke:
            broke.append(now_s)
            raise RuntimeError("a fault of ours")
        return real(now_s, wall_s)

    service.engine.tick = tick  # type: ignore[method-assign]
    service.run(steps=31)
    assert broke
    assert findings(service.history) == []
    [fault] = service.history.own_faults()
    assert (fault.part, fault.error, fault.times) == ("engine", "RuntimeError: a fault of ours", 1)
    service.run(steps=40)
    assert findings(service.history) == [("raised", "call-without-pull-in")]
    assert service.history.own_faults() == (fault,), "a good step is no reason to forget it"
    service.close()


def test_a_publisher_that_hangs_delays_nothing(keep: config.HistorySettings) -> None:
    """A delivery that never comes back: the loop goes on, the others are told, the health page says who hangs."""
    held, told = threading.Event(), []

    class Hangs(EventPublisher):
        name = "hangs"

        def deliver(self, kept: StoredEvent, status: UnitStatus | None) -> None:
            held.wait(30)

    class Tells(EventPublisher):
        name = "tells"

        def deliver(self, kept: StoredEvent, status: UnitStatus | None) -> None:
            told.append(kept.id)

    clock = Hand()
    publishers = [Hangs(clock=clock), Tells()]
    service = made(keep, ReplayBoards(scans((20, REST), (300, DEAF))), clock, publishers=publishers)
    service.run(steps=45)
    waiting = len(service.history.events())
    until(lambda: len(told) == waiting)
    service.run(steps=90)
    health = service.history.health().publishers
    assert health["hangs"].error == "has not come back for a minute"
    assert health["hangs"].waiting >= waiting
    assert health["tells"].error == ""
    held.set()
    until(lambda: service.history.health().publishers["hangs"].error == "")
    service.close()


def test_what_a_killed_life_said_of_a_publisher_ends_with_its_first_good_turn(keep: config.HistorySettings) -> None:
    """The error of before the kill is still shown by the live file; the next life takes it back."""

    class Tells(EventPublisher):
        name = "tells"

        def deliver(self, kept: StoredEvent, status: UnitStatus | None) -> None:
            pass

    dead = History(keep.file, owner=True, keep=keep)
    dead.register("tells", begin=False)
    dead.note_error("tells", "down")
    dead._owned()._lock_file.release()  # as the system does for a dead process; nothing else is closed
    with History(keep.file, keep=keep) as reader:
        reader._cursors = lambda: {"tells": 0}  # type: ignore[method-assign]
        assert reader.health().publishers["tells"].error == "down"
    service = made(keep, ReplayBoards(scans((5, REST))), publishers=[Tells()])
    until(lambda: service.history.health().publishers["tells"].error == "")
    service.close()


def test_a_publisher_that_fails_tries_again_and_skips_nothing(keep: config.HistorySettings) -> None:
    """The same row is tried until it is taken; a new publisher begins with what comes next; a restart at its cursor."""
    tries: list[str] = []

    class Fussy(EventPublisher):
        name = "fussy"

        def deliver(self, kept: StoredEvent, status: UnitStatus | None) -> None:
            tries.append(kept.id)
            if len(tries) == 1:
                raise ConnectionError("not now")

    service = made(keep, ReplayBoards(scans((20, REST), (50, DEAF), (50, REST))), publishers=[Fussy()])
    service.run(steps=50)
    until(lambda: "not now" in service.history.health().publishers["fussy"].error)
    until(lambda: len(tries) >= 3)
    until(lambda: service.history.health().publishers["fussy"].error == "")
    service.close()
    rows = [kept.id for kept in _all_rows(keep)]
    assert tries[0] == tries[1]
    assert tries[1:] == rows
    service = made(keep, ReplayBoards(scans((50, DEAF), (50, REST))), publishers=[Fussy()])
    service.run(steps=100)
    until(lambda: service.history.health().publishers["fussy"].waiting == 0)
    service.close()
    assert tries[1:] == [kept.id for kept in _all_rows(keep)]


def test_rows_taken_in_do_not_end_the_failure_of_what_is_sent_beside_them(keep: config.HistorySettings) -> None:
    """Found by the storms: with more rows waiting than are taken at a time, what the phone's service failed with was
    taken back before it was tried again, and nobody was told that it hung."""

    class Down(EventPublisher):
        name = "down"
        begin = True

        def deliver(self, kept: StoredEvent, status: UnitStatus | None) -> None:
            pass

        def idle(self, status: UnitStatus | None) -> None:
            raise ConnectionError("down")

    publisher = Down()
    with History(keep.file, owner=True, keep=keep) as publisher.history:
        publisher.history.step(
            now_s=1.0, wall_s=None, status=status(), memory=lambda: b"{}", events=[change(1.0)] * 250
        )
        with pytest.raises(ConnectionError, match="down"):
            publisher.poll()
        assert publisher.history.outbox("down", begin=True) == []


def _all_rows(keep: config.HistorySettings) -> list[StoredEvent]:
    with History(keep.file, owner=True, keep=keep) as history:
        return history.outbox("test", begin=True, limit=1000)


# ---------------------------------------------------------------- requests, starts


def request(name: str, kind: RequestKind, **more: Any) -> Request:
    """A request of a person."""
    return Request(id=name, request=kind, by="Sam", **more)


def test_a_request_from_the_page_is_answered_in_the_next_step(keep: config.HistorySettings) -> None:
    """Service mode is on in the status; the answer can be read by the page; the same id again changes nothing."""
    service = made(keep, ReplayBoards(scans((20, REST))))
    service.run(steps=2)
    with History(keep.file, keep=keep) as page:
        page.add_request(request("r1", RequestKind.SERVICE, hours=2.0))
        service.step()
        answer = page.answer("r1")
        assert answer is not None
        assert answer.done
        found = page.status()
        assert found is not None
        assert found.service_until_wall_s == pytest.approx(WALL_S + 2 + 7200, abs=2)
        page.add_request(request("r1", RequestKind.SERVICE, hours=20.0))
        service.step()
        assert page.answer("r1") == answer
        page.add_request(request("r2", RequestKind.ACKNOWLEDGE, finding="line-supply-lost"))
        service.step()
        refused = page.answer("r2")
        assert refused is not None
        assert not refused.done
        assert refused.why != ""
    service.close()


def test_a_request_that_breaks_the_engine_is_answered_not_tried_for_ever(keep: config.HistorySettings) -> None:
    """The sender is told; the loop goes on."""
    service = made(keep, ReplayBoards(scans((20, REST))))

    def broken(*_: Any) -> Any:
        raise RuntimeError("a fault of ours")

    service.engine.request = broken  # type: ignore[method-assign,assignment]
    service.history.add_request(request("r1", RequestKind.RESUME))
    assert service.step()
    answer = service.history.answer("r1")
    assert answer is not None
    assert answer.why == "RuntimeError: a fault of ours"
    assert service.history.requests() == []
    service.close()


def test_captured_starts_go_into_the_history(keep: config.HistorySettings) -> None:
    """A start is handed to the engine once and kept."""
    start = StartTransient(t_s=3.0, duration_s=0.22, peak_a=61.0, settled_a=9.4, rate_hz=860.0)
    service = made(keep, ReplayBoards(scans((3, REST), (20, RUN)), [start]))
    service.run(steps=10)
    assert [found.start for found in service.history.starts()] == [start]
    service.close()


# ---------------------------------------------------------------- start and end


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """A service manager's end of sd_notify."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(str(tmp_path / "notify"))
        sock.settimeout(5)
        yield sock


def test_the_service_manager_is_told_as_it_expects(keep: config.HistorySettings, manager: socket.socket) -> None:
    """READY=1 first, WATCHDOG=1 at each scan, STOPPING=1 at the end (sd_notify(3))."""
    service = made(keep, ReplayBoards(scans((5, REST))), watchdog=ServiceWatchdog(manager.getsockname()))
    service.run(steps=2)
    service.close()
    heard = [manager.recv(4096).decode() for _ in range(4)]
    assert heard == ["READY=1\nSTATUS=watching", "WATCHDOG=1", "WATCHDOG=1", "STOPPING=1"]


def test_a_service_manager_that_is_gone_is_no_error() -> None:
    """Neither a missing socket nor a full one disturbs the loop."""
    ServiceWatchdog("/nowhere/at/all").notify("READY=1")
    ServiceWatchdog("@abstract-and-absent").notify("READY=1")
    ServiceWatchdog("").notify("READY=1")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_in_good_order(keep: config.HistorySettings, number: int) -> None:
    """The loop ends within a step, everything is written, boards and publishers are closed, handlers are put back."""
    before = signal.getsignal(number)
    boards = ReplayBoards(scans((1000, REST), every_s=0.1))
    history = History(keep.file, owner=True, keep=keep)
    ear = Ear()
    settings = msgspec.structs.replace(SETTINGS, boards=config.BoardSettings(scan_s=0.1))
    service = Service(settings, boards, history, [ear])
    threading.Timer(0.5, os.kill, (os.getpid(), number)).start()
    run_until_signal(service)
    assert boards.closed
    assert ear.closed
    assert signal.getsignal(number) == before
    assert 2 <= len(ear.offered) <= 20
    with History(keep.file, keep=keep) as reader:
        found = reader.status()
        assert found is not None
        assert found.t_s == ear.offered[-1][1].t_s


def test_a_call_that_flickers_floods_neither_disk_nor_publishers(keep: config.HistorySettings) -> None:
    """Twenty-five calls a second that start nothing are judged and not kept as cycles; a call of a second is kept."""
    settings = Settings(unit=UNIT, senses=SensorSettings(fitted=ALL), history=keep)
    called = but(REST, call=True, control_v=25.0, thermostat=True)
    flicker = [row for at in range(250) for row in scans((0.02, called), (0.02, REST), every_s=0.02, from_s=at * 0.04)]
    after = [*scans((1.5, called), (5.0, REST), every_s=0.5, from_s=11.0)]
    with History(keep.file, owner=True, keep=keep) as history:
        service = Service(settings, ReplayBoards([*scans((1.0, REST), from_s=-1.0), *flicker, *after]), history)
        for _ in range(len(flicker) + len(after) + 1):
            service.step()
        kept = [row.body for row in history.events(topic="cycles", limit=1000)]
        assert [11.0 <= row.started_s <= 12.0 for row in kept if isinstance(row, Cycle)] == [True]


def test_each_number_is_stated_with_its_uncertainty(keep: config.HistorySettings) -> None:
    """What is said of a reading at its value stands beside it in the status; flags and missing readings have none."""
    scan = Scan(t_s=0.0, call=True, compressor_a=20.0, control_v=26.0, fan_a=None)
    service = made(keep, ReplayBoards([scan]), uncertainty=lambda name, value: 0.02 * value)
    service.run(steps=1)
    found = service.history.status()
    service.close()
    assert found is not None
    assert found.uncertainty == {"compressor_a": pytest.approx(0.4), "control_v": pytest.approx(0.52)}
