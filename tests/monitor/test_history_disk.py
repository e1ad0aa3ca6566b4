"""The history on a bad day: disk full, read-only, gone; files corrupt, foreign, too new or too old."""

from __future__ import annotations

import gc
import os
import random
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import HistoryError
from condenser_monitor.monitor.core.records import Answer, Request, RequestKind
from condenser_monitor.monitor.storage import recovery, schema, writer
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.status_cache import (
    CachedStatus,
    StatusCache,
    in_memory,
    live_path,
)
from tests.conftest import set_limit
from tests.monitor.edge_tools import (
    MEMORY,
    WALL_S,
    Hand,
    change,
    cycle,
    forget_held,
    status,
)

EXPOSE_S, RETRY_S = limits.HISTORY.expose_s.value, limits.HISTORY.retry_s.value


class Desk:
    """A history on a hand-turned clock, and what a publisher that always delivers got of it."""

    def __init__(self, keep: config.HistorySettings) -> None:
        self.keep, self.clock = keep, Hand()
        self.got: list[str] = []
        self.memory_came_late = False
        self.history = self._open()

    def _open(self) -> History:
        return History(self.keep.file, owner=True, keep=self.keep, clock=self.clock, wall=lambda: WALL_S + self.clock())

    def restart(self, *, killed: bool = False) -> None:
        self.history.close()
        if killed:
            forget_held(self.keep)
        self.history = self._open()

    def step(self, *events: Any, **more: Any) -> None:
        t_s = self.clock()
        self.memory_came_late |= self.history.step(
            now_s=t_s, wall_s=WALL_S + t_s, status=status(t_s), memory=lambda: MEMORY, events=events, **more
        )

    def pass_time(self, seconds: float) -> None:
        for _ in range(int(seconds)):
            self.clock.sleep(1.0)
            self.step()

    def deliver(self) -> list[int]:
        """Deliver all that is waiting; the places of it."""
        rows = self.history.outbox("all", begin=True)
        for row in rows:
            self.history.delivered("all", row.offset)
            self.got.append(row.id)
        return [row.offset for row in rows]

    @property
    def error(self) -> str:
        return self.history.health().disk_error


@pytest.fixture
def desk(keep: config.HistorySettings) -> Any:
    """A desk with three rows written and delivered."""
    made = Desk(keep)
    made.step(change(), cycle(), change())
    assert made.deliver() == [1, 2, 3]
    yield made
    made.history.close()


def fill(history: History) -> sqlite3.Connection:
    """Make the file's disk full, by SQLite's own limit on its size: the error is the same."""
    db = history._owned()._db
    assert db is not None
    pages = db.execute("PRAGMA page_count").fetchone()[0]
    db.execute(f"PRAGMA max_page_count = {pages}")
    return db


def empty(db: sqlite3.Connection) -> None:
    """Give the disk room again."""
    db.execute("PRAGMA max_page_count = 1000000")


def big(number: int) -> Any:
    """A change that needs pages of its own."""
    return change(finding=f"f{number}" + "x" * 5000)


def test_a_full_disk_is_said_and_what_was_held_is_written_when_there_is_room(desk: Desk) -> None:
    """Steps go on in memory; after the disk has room again every row is there once, in order, without a gap."""
    db = fill(desk.history)
    for number in range(5):
        desk.step(big(number))
        desk.clock.sleep(1.0)
    assert "full" in desk.error
    assert desk.history.health().held == 5
    empty(db)
    desk.pass_time(RETRY_S + 1)
    assert desk.error == ""
    assert desk.history.health().held == 0
    assert [kept.seq for kept in desk.history.events()] == [1, 2, 3, 4, 5, 6, 7]
    assert desk.deliver() == [4, 5, 6, 7, 8]


def test_an_alert_goes_out_although_the_disk_stays_full(desk: Desk) -> None:
    """A short trouble keeps rows back until they are safe; a lasting one must not keep an alert from being told."""
    db = fill(desk.history)
    desk.step(big(1))
    assert desk.deliver() == []
    desk.pass_time(EXPOSE_S + 1)
    assert desk.deliver() == [4]
    assert desk.deliver() == []
    empty(db)
    desk.pass_time(RETRY_S + 1)
    desk.step(change())
    assert desk.deliver() == [5]
    assert len(set(desk.got)) == 5


def test_a_number_given_out_without_the_disk_never_hides_a_later_message(desk: Desk) -> None:
    """Killed while the disk was full, the monitor gives the number out again: the id is another, so nobody drops it."""
    fill(desk.history)
    desk.step(big(1))
    desk.pass_time(EXPOSE_S + 1)
    assert desk.deliver() == [4]
    desk.restart(killed=True)  # what was held in memory is gone
    desk.step(change())
    assert desk.deliver() == [4]
    assert len(set(desk.got)) == 5


def test_a_cursor_is_never_kept_beyond_the_rows_on_disk(desk: Desk) -> None:
    """Delivered from memory and then killed: the rows that take those places afterwards are delivered."""
    fill(desk.history)
    desk.step(*[big(number) for number in range(6)])
    desk.pass_time(EXPOSE_S + 1)
    assert desk.deliver() == [4, 5, 6, 7, 8, 9]
    desk.restart(killed=True)
    desk.step(change(), change())
    assert desk.deliver() == [4, 5]


def test_what_was_held_at_an_orderly_end_is_written_by_the_next_life(desk: Desk) -> None:
    """The service is restarted while the disk is full: rows told keep their ids and are not told again, those not yet
    told are; then memory, answers and requests are on the disk, and a third life finds nothing left over."""
    desk.history.add_request(Request(id="r1", request=RequestKind.SERVICE, by="Sam", hours=2.0))
    fill(desk.history)
    desk.step(big(1), big(2), answers=[Answer(id="r1", done=True)])
    desk.pass_time(EXPOSE_S + 1)
    assert desk.deliver() == [4, 5]
    desk.step(big(3))
    desk.history.add_request(Request(id="r2", request=RequestKind.RESUME, by="Sam"))
    desk.restart()
    assert desk.history.memory() == MEMORY
    desk.pass_time(1.0)
    assert (desk.error, desk.history.health().held) == ("", 0)
    assert desk.deliver() == [6]
    assert [kept.seq for kept in desk.history.events()] == [1, 2, 3, 4, 5]
    assert desk.history.answer("r1") == Answer(id="r1", done=True)
    assert [request.id for request in desk.history.requests()] == ["r2"]
    assert len(set(desk.got)) == 6
    assert not list(Path(desk.keep.live_dir).glob("*.held*"))
    desk.restart()
    assert desk.deliver() == []
    assert len(desk.history.events()) == 5


@pytest.mark.parametrize("how", ["another boot", "written since", "torn", "another history"])
def test_what_was_left_by_another_history_or_boot_is_not_taken(
    desk: Desk, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or by a life whose rows are on the disk: nothing is kept twice."""
    fill(desk.history)
    desk.step(big(1))
    desk.pass_time(EXPOSE_S + 1)
    desk.deliver()
    desk.history.close()
    [left] = Path(desk.keep.live_dir).glob("*.held")
    data = left.read_bytes()
    if how == "another boot":
        monkeypatch.setattr("condenser_monitor.monitor.storage.status_cache.boot_id", lambda: "another")
    elif how == "torn":
        left.write_bytes(data[: len(data) // 2])
    elif how == "another history":
        for path in Path(desk.keep.file).parent.glob("history.db*"):
            path.unlink()
    else:
        desk.history = desk._open()
        desk.step(change())
        desk.history.close()
        left.write_bytes(data)
    desk.history = desk._open()
    before = {"another history": 0, "written since": 4}.get(how, 2)
    assert len(desk.history.events()) == before
    desk.step(change())
    assert [kept.seq for kept in desk.history.events()] == list(range(1, before + 2))


def test_a_read_only_disk_is_said_and_nothing_crashes(desk: Desk) -> None:
    """SQLite's own refusal to write: requests from the broker are still taken, answered once, and remembered later."""
    db = desk.history._owned()._db
    assert db is not None
    db.execute("PRAGMA query_only = ON")
    desk.step(change())
    assert "readonly" in desk.error
    desk.history.add_request(Request(id="r1", request=RequestKind.SERVICE, by="Sam", hours=2.0))
    assert [request.id for request in desk.history.requests()] == ["r1"]
    desk.step(answers=[Answer(id="r1", done=True)])
    assert desk.history.requests() == []
    db.execute("PRAGMA query_only = OFF")
    desk.pass_time(RETRY_S + 1)
    assert desk.error == ""
    assert desk.history.answer("r1") == Answer(id="r1", done=True)
    assert desk.deliver() == [4]


def test_a_killed_life_is_known_where_the_index_of_its_log_cannot_be_made(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Found by the storms: on a full disk the main file is read alone, which does not yet have so much as its origin.
    The redo log has it, and the memory."""
    left = tmp_path / "left"
    left.mkdir()
    for file in desk.history.path.parent.glob("*.db*"):
        if file.suffix != ".db-shm":
            (left / file.name).write_bytes(file.read_bytes())
    origin = desk.history.origin
    base = read_alone(left / desk.history.path.name, monkeypatch)
    assert (base.origin, base.memory, base.counters["events"]) == (origin, MEMORY, 2)


def test_a_memory_that_only_the_damaged_file_has_is_taken_from_it(keep: config.HistorySettings) -> None:
    """Found by the storms: on the first day there is no backup, and before the first message the redo log has no memory
    either."""
    first = Desk(keep)
    first.step(last=True)
    first.history.close()
    with sqlite3.connect(keep.file) as db:
        db.execute("UPDATE meta SET value = CAST(x'ff' AS TEXT) WHERE key = 'origin'")
    db.close()
    second = Desk(keep)
    assert second.history.health().set_aside
    assert second.history.memory() == MEMORY
    second.history.close()


@pytest.mark.parametrize("lives", [1, 2])
def test_a_spoilt_byte_within_a_string_of_the_memory_costs_nothing_that_the_redo_log_has(
    keep: config.HistorySettings, lives: int
) -> None:
    """Found by the storms: JSON to whoever skips over strings. It passed for a memory that could be read, also once it
    had been written to the redo log itself."""
    desk = Desk(keep)
    desk.step(change())
    desk.history.close()
    spoilt = MEMORY.replace(b'"', b'"\xdd', 1)
    assert spoilt != MEMORY
    for _ in range(lives):
        with sqlite3.connect(keep.file) as db:
            db.execute("UPDATE state SET body = ? WHERE key = 'memory'", (spoilt,))
        db.close()
        again = Desk(keep)
        assert again.history.memory() == MEMORY
        again.history.close()


def test_the_redo_log_vouches_for_no_memory_that_nobody_could_read(keep: config.HistorySettings) -> None:
    """Found by the storms: a memory with a spoilt byte went into the redo log at the start, with a checksum that is
    right, and killed before the first step the next life took it for the last good one."""
    first = Desk(keep)
    first.step(last=True)
    first.history.memory_read(whole=True)
    first.step(last=True)
    first.history.close()
    with sqlite3.connect(keep.file) as db:
        db.execute("UPDATE state SET body = CAST('{\"version\":9}' AS BLOB) WHERE key = 'memory'")
    db.close()
    for _ in range(2):
        life = Desk(keep)
        assert (life.history.memory(), life.history.last_good_memory()) == (b'{"version":9}', MEMORY)
        life.history.memory_read(whole=False)
        life.history.close()
    logged = recovery.RedoLog(Path(keep.file)).read().entries
    assert {entry.memory for entry in logged} == {None, MEMORY}


@pytest.mark.parametrize("lost", [True, False])
def test_the_memory_that_a_database_was_behind_with_comes_from_the_redo_log(
    keep: config.HistorySettings, lost: bool
) -> None:
    """Found by the storms: a log begun anew says first how far numbers went, then, once an engine has read it, the
    memory. A database that a cut sets back is behind with both; one that has the step keeps its own."""
    desk = Desk(keep)
    desk.step(change())
    desk.history.close()
    redo = recovery.RedoLog(Path(keep.file))
    redo.path.write_bytes(redo.path.read_bytes() + b"damaged\n")
    again = Desk(keep)
    again.history.memory_read(whole=True)
    again.history.close()
    logged = recovery.RedoLog(Path(keep.file)).read().entries
    assert [entry.memory for entry in logged][-1] == MEMORY
    with closing(sqlite3.connect(keep.file)) as db, db:
        db.execute("UPDATE state SET body = ? WHERE key = 'memory'", (b'{"version": 0}',))
        db.execute("UPDATE counters SET last = last - ? WHERE topic IN ('place', 'step')", (lost,))
        recovery.replay(db, logged)
        (kept,) = db.execute("SELECT body FROM state WHERE key = 'memory'").fetchone()
    assert kept == (MEMORY if lost else b'{"version": 0}')


def read_alone(path: Path, monkeypatch: pytest.MonkeyPatch) -> recovery.StoredBase:
    """What is read where there is no room for the index of the log."""
    with monkeypatch.context() as patch:
        patch.setattr(schema, "refuse_full", lambda path: (_ for _ in ()).throw(sqlite3.OperationalError("full")))
        return recovery.read_base(path)


def test_what_cannot_be_read_is_closed_at_once(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Found by the storms: on a full disk whose main file cannot be read alone either, each look left its connection
    open until the collector came by."""
    desk.history.close()
    desk.history.path.write_bytes(b"no database" * 100)
    for end in ("-wal", "-shm"):
        desk.history.path.with_name(desk.history.path.name + end).unlink(missing_ok=True)
    reader = History(desk.keep.file, keep=desk.keep)
    monkeypatch.setattr(schema, "refuse_full", lambda path: (_ for _ in ()).throw(sqlite3.OperationalError("full")))
    gc.disable()
    try:
        before = len(os.listdir("/proc/self/fd"))
        for _ in range(20):
            assert reader.events() == []
        assert len(os.listdir("/proc/self/fd")) == before
    finally:
        gc.enable()
        reader.close()


def test_numbers_that_began_again_are_known_where_the_index_of_the_log_cannot_be_made(
    keep: config.HistorySettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The main file still has the name of the numbers before; the redo log goes on from it to the new one, and what is
    in it counts: the memory, and how far the new numbers have been given."""
    before = Desk(keep)
    before.step(change(), change())
    before.history.close()
    desk = Desk(keep)
    desk.history.numbers_given(desk.history.origin, {"events": 7})
    desk.step(change())
    left = tmp_path / "left"
    left.mkdir()
    for file in desk.history.path.parent.glob("*.db*"):
        if not file.name.endswith("-shm"):
            (left / file.name).write_bytes(file.read_bytes())
    origin = desk.history.origin
    assert before.history.origin != origin
    base = read_alone(left / desk.history.path.name, monkeypatch)
    assert (base.origin, base.memory, base.counters["events"]) == (origin, MEMORY, 1)
    desk.history.close()


def test_memory_held_for_a_dead_disk_is_bounded_and_the_loss_is_said(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beyond the bound the oldest rows go, and the health page counts them."""
    set_limit(monkeypatch, limits.HISTORY.held_most, 10)
    fill(desk.history)
    for _ in range(25):
        desk.step(big(0))
    assert desk.history.health().held == 10
    assert "15 rows could not be held" in desk.error


def test_a_program_may_start_without_a_disk_and_adopt_it_later(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No connection can be opened at the start: the memory is there all the same, and the monitor tells; when the disk
    comes back nothing on it is passed over and the numbers go on from its own."""
    first = Desk(keep)
    first.step(change(), change())
    first.history.close()
    real = schema.connect

    def refused(*given: Any, **more: Any) -> sqlite3.Connection:
        raise sqlite3.OperationalError("unable to open database file")

    monkeypatch.setattr(schema, "connect", refused)
    monkeypatch.setattr("condenser_monitor.monitor.storage.history.connect", refused)
    desk = Desk(keep)
    assert desk.history.memory() == MEMORY
    desk.step(change())
    desk.pass_time(EXPOSE_S + 1)
    assert desk.deliver() == [1, 2, 3]  # the two of the earlier run, and the new one
    assert desk.history.status() is not None
    monkeypatch.setattr(schema, "connect", real)
    monkeypatch.setattr("condenser_monitor.monitor.storage.history.connect", real)
    desk.pass_time(RETRY_S + 1)
    assert desk.error == ""
    assert desk.deliver() == []
    desk.step(change())
    assert desk.deliver() == [4]
    assert [kept.seq for kept in desk.history.events(after_seq=2)] == [3, 4]
    desk.history.close()


def test_numbers_go_on_where_the_files_are_removed_and_the_new_ones_cannot_be_finished(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The new file has the name of the numbers, and with it how far they went: no number is given out twice, though the
    process is killed before it has a redo log."""
    for path in Path(desk.keep.file).parent.glob("history.db*"):
        path.unlink()
    with monkeypatch.context() as patch:
        patch.setattr(recovery.RedoLog, "begin", lambda *given, **more: (_ for _ in ()).throw(OSError(28, "full")))
        desk.step(change())
        assert "full" in desk.error
    desk.restart()  # as after a kill
    desk.step(change())
    desk.deliver()
    assert len(set(desk.got)) == len(desk.got) == 4


class BackedUp(Desk):
    """A desk whose backups are made at once."""

    def begin(self, work: Callable[[], None]) -> threading.Thread | None:
        work()
        return None

    def _open(self) -> History:
        return History(
            self.keep.file,
            owner=True,
            keep=self.keep,
            clock=self.clock,
            wall=lambda: WALL_S + self.clock(),
            background=self.begin,
        )

    def hour(self) -> None:
        self.clock.sleep(limits.HISTORY.tidy_s.value)
        self.step()

    @property
    def dates(self) -> list[float | None]:
        """When the backups were made, the newest first."""
        found = (Path(f"{self.keep.file}.backup-{number}") for number in (1, 2))
        return [path.stat().st_mtime - WALL_S if path.exists() else None for path in found]


class Copying(threading.Thread):
    """A backup that is being made until somebody waits for it."""

    waited = False

    def is_alive(self) -> bool:
        return not self.waited

    def join(self, timeout: float | None = None) -> None:
        self.waited = True


def test_a_history_is_closed_after_the_backup_that_is_being_made(keep: config.HistorySettings) -> None:
    """A file that is let go of while it is copied might be another process's by the time the copy ends."""
    made: list[Copying] = []

    class CopyingDesk(BackedUp):
        def begin(self, _: Callable[[], None]) -> Copying:
            made.append(Copying())
            return made[-1]

    desk = CopyingDesk(keep)
    desk.step(change())
    desk.hour()
    assert [copy.waited for copy in made] == [False]
    desk.history.close()
    assert [copy.waited for copy in made] == [True]


def test_a_publisher_that_begins_before_the_first_event_gets_it(keep: config.HistorySettings) -> None:
    """What was there before it began is not for it; what comes after is, the very first row too."""
    desk = Desk(keep)
    assert list(desk.history.outbox("new", begin=False)) == []
    desk.step(change())
    assert len(desk.history.outbox("new", begin=False)) == 1
    assert list(desk.history.outbox("later", begin=False)) == []
    desk.history.close()


def test_a_disk_that_becomes_read_only_is_another_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Then every connection is opened again; other flags of a mount change nothing."""
    path = tmp_path / "history"
    path.touch()
    was = writer._inode(path)
    flags = os.statvfs(path).f_flag
    monkeypatch.setattr(os, "statvfs", lambda _: SimpleNamespace(f_flag=flags | os.ST_RDONLY))
    assert writer._inode(path) != was
    monkeypatch.setattr(os, "statvfs", lambda _: SimpleNamespace(f_flag=flags ^ os.ST_NOATIME))
    assert writer._inode(path) == was


def test_a_backup_is_made_once_a_day_and_the_redo_log_begins_again(keep: config.HistorySettings) -> None:
    """Two are kept. What one covers is the old redo log; the new one has how things stood, and what came since."""
    desk = BackedUp(keep)
    desk.step(change(), cycle())
    assert desk.dates == [None, None]
    hour_s = limits.HISTORY.tidy_s.value
    for _ in range(24):
        desk.hour()
    assert desk.dates == [hour_s, None]
    old, new = (recovery._entries(Path(f"{keep.file}.{end}").read_bytes())[0] for end in ("redo-old", "redo"))
    assert [len(entry.rows) for entry in (*old, *new)] == [0, 2, 0]
    assert (new[0].offset, new[0].memory) == (2, MEMORY)
    desk.hour()
    assert desk.dates == [25 * hour_s, hour_s]
    assert recovery.inspect(Path(f"{keep.file}.backup-1")) == ("", True)
    desk.history.close()


def test_a_backup_for_which_there_is_no_room_is_said_and_made_later(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twice the history, and what is to be spared beside it, must be free."""
    desk = BackedUp(keep)
    desk.step(change())
    with monkeypatch.context() as patch:
        least = 2 * Path(keep.file).stat().st_size + limits.HISTORY.backup_spare_mb.value * 1e6
        patch.setattr("condenser_monitor.monitor.storage.writer.free_bytes", lambda path: least - 1)
        desk.hour()
        assert "too little room" in desk.history.health().notes["backup"]
        assert desk.dates == [None, None]
        patch.setattr("condenser_monitor.monitor.storage.writer.free_bytes", lambda path: least)
        desk.hour()
    assert "backup" not in desk.history.health().notes
    assert desk.dates[0] is not None
    with monkeypatch.context() as patch:
        patch.setattr("condenser_monitor.monitor.storage.writer.free_bytes", lambda path: None)  # nobody can say
        for _ in range(24):
            desk.hour()
    assert desk.dates[1] is not None
    desk.history.close()


def test_a_clock_that_is_lost_again_ends_no_stretch_that_is_shown(desk: Desk) -> None:
    """Stretches under way are kept up to now; without a now they stay as they were."""
    t_s = desk.clock()
    for wall_s in (WALL_S + t_s, None):
        desk.history.step(
            now_s=t_s,
            wall_s=wall_s,
            status=status(t_s, wall_s, live=("call",)),
            memory=lambda: MEMORY,
            events=[change()],
        )
        assert desk.error == ""
    assert len(desk.history.events()) == 4


@pytest.mark.parametrize("in_file", [0, 1])
def test_rows_that_only_the_redo_log_has_are_told_when_the_disk_takes_them(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch, in_file: int
) -> None:
    """Found by the storms: a cut of power cost the file its last rows, and it could not be written at the start. What
    happened then was told, and the cursor went over the rows that were in the redo log alone."""
    first = Desk(keep)
    first.history.register("all", begin=True)
    first.step(*[change()] * in_file, last=True)
    first.history._owned()._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # type: ignore[union-attr]
    file = Path(keep.file).read_bytes()
    first.step(*[change()] * (3 - in_file))
    first.history.close()
    Path(keep.file).write_bytes(file)
    with monkeypatch.context() as patch:
        patch.setattr(schema, "connect", lambda *given, **more: (_ for _ in ()).throw(sqlite3.OperationalError("no")))
        desk = Desk(keep)
        assert desk.deliver() == list(range(1, in_file + 1))
        desk.step(change())
        desk.pass_time(EXPOSE_S + 1)
        assert desk.deliver() == [4]
        assert desk.deliver() == []
    desk.pass_time(RETRY_S + 1)
    assert (desk.error, desk.deliver()) == ("", list(range(in_file + 1, 4)))
    assert (desk.deliver(), desk.deliver()) == ([], [])  # the cursor has come over what was told ahead of it
    desk.step(change())
    assert desk.deliver() == [5]
    assert len(set(desk.got)) == 5
    desk.history.close()


def test_the_very_first_start_without_a_disk_numbers_its_rows_for_good(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There is nothing yet to go on from: what is told then is told under a name of its own, and goes on under it."""
    with monkeypatch.context() as patch:
        patch.setattr(schema, "connect", lambda *given, **more: (_ for _ in ()).throw(sqlite3.OperationalError("no")))
        desk = Desk(keep)
        origin = desk.history.origin
        desk.step(change())
        desk.pass_time(EXPOSE_S + 1)
        assert desk.deliver() == [1]
    desk.pass_time(RETRY_S + 1)
    desk.step(change())
    assert desk.deliver() == [2]
    assert [name.partition("-")[0].partition(".")[0] for name in desk.got] == [origin, origin]
    assert origin.startswith("x")
    desk.history.close()


def test_a_file_that_is_refused_is_let_go_of(keep: config.HistorySettings) -> None:
    """Who puts the right file in its place need not start the program again."""
    with sqlite3.connect(keep.file) as strange:
        strange.execute("CREATE TABLE photos (name)")
    strange.close()
    for _ in range(2):
        with pytest.raises(HistoryError, match="another program"):
            Desk(keep)
    Path(keep.file).unlink()
    Desk(keep).history.close()


def test_a_delivery_puts_no_row_into_the_redo_log_that_is_not_there(desk: Desk) -> None:
    """A row that waits for the next write is gone with the process, and so is its number: the next one has it."""
    desk.step(change())
    desk.step(change(), defer=True)
    assert desk.deliver() == [4]
    desk.restart(killed=True)  # what was held in memory is gone
    desk.step(change())
    assert desk.deliver() == [5]
    assert [kept.seq for kept in desk.history.events()] == [1, 2, 3, 4]


def test_an_engine_is_not_begun_again_for_a_file_without_a_memory(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file could not even be read at the start; when it can, there is nothing in it that the engine lacks."""
    Desk(keep).history.close()
    with monkeypatch.context() as patch:
        for name in ("schema.connect", "recovery._read_only"):
            place = f"condenser_monitor.monitor.storage.{name}"
            patch.setattr(place, lambda *given, **more: (_ for _ in ()).throw(sqlite3.OperationalError("no")))
        desk = Desk(keep)
        desk.step(change())
    desk.pass_time(RETRY_S + 1)
    assert not desk.memory_came_late
    desk.pass_time(2 * RETRY_S)
    assert (desk.error, desk.history.memory()) == ("", MEMORY)
    desk.history.close()


def test_a_memory_is_kept_in_a_file_that_has_none_when_the_disk_comes_back(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An engine that began without a disk is held back only where the file has a memory that it has not seen."""
    Desk(keep).history.close()
    with monkeypatch.context() as patch:
        patch.setattr(schema, "connect", lambda *given, **more: (_ for _ in ()).throw(sqlite3.OperationalError("no")))
        desk = Desk(keep)
        desk.step(change())
    desk.pass_time(RETRY_S + 1)
    desk.step(last=True)
    desk.history.close()
    again = Desk(keep)
    assert again.history.memory() == MEMORY
    assert not again.history._owned().memory_came_late
    again.history.close()


def test_a_request_taken_while_nothing_can_be_written_is_remembered(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No connection writes: the request is held, handed over once, answered, refused a second life; when the disk is
    back both request and answer are on it."""
    history = desk.history
    wish = Request(id="r1", request=RequestKind.RESUME, by="Sam")
    db = history._owned()._db
    assert db is not None
    db.execute("PRAGMA query_only = ON")
    real, refused = schema.connect, sqlite3.OperationalError("disk I/O error")
    history._close_idle()
    monkeypatch.setattr(
        "condenser_monitor.monitor.storage.history.connect", lambda *_, **__: (_ for _ in ()).throw(refused)
    )
    assert history.add_request(wish, source="broker") is None
    assert history.requests() == [wish]
    desk.step(answers=[Answer(id="r1", done=True)])
    assert history.requests() == []
    assert history.add_request(wish, source="broker") == Answer(id="r1", done=True)
    monkeypatch.setattr("condenser_monitor.monitor.storage.history.connect", real)
    db.execute("PRAGMA query_only = OFF")
    desk.pass_time(RETRY_S + 1)
    assert history.requests() == []
    assert history.add_request(wish) == Answer(id="r1", done=True)
    assert [kept.body for kept in history.latest_events(topic="answers")] == [Answer(id="r1", done=True)]


def test_rows_held_without_clock_and_disk_are_dated_when_both_are_back(desk: Desk) -> None:
    """The time of day becomes known before the disk is back: the rows get it all the same."""
    db = fill(desk.history)
    t_s = desk.clock()
    desk.history.step(now_s=t_s, wall_s=None, status=status(t_s, None), memory=lambda: MEMORY, events=[big(1)])
    desk.clock.sleep(1.0)
    desk.step(big(2))
    empty(db)
    desk.pass_time(RETRY_S + 1)
    assert [kept.wall_s for kept in desk.history.events(after_seq=2)] == [WALL_S + t_s, WALL_S + t_s + 1]


def test_rows_of_a_quiet_hour_are_dated_once_the_clock_is_known(desk: Desk) -> None:
    """Nothing waits any more when the time of day becomes known: what was written without one is dated all the same."""
    t_s = desk.clock()
    desk.history.step(now_s=t_s, wall_s=None, status=status(t_s, None), memory=lambda: MEMORY, events=[change()])
    desk.clock.sleep(limits.HISTORY.flush_s.value)
    desk.step()
    assert [kept.wall_s for kept in desk.history.events(after_seq=2)] == [WALL_S + t_s]


def test_stretches_outlive_the_loss_of_the_live_file(desk: Desk) -> None:
    """Shared memory is empty after a cut of power: what was shown until the last write is in the history."""
    for live in ((), ("call",), ()):
        desk.clock.sleep(60.0)
        t_s = desk.clock()
        desk.history.step(
            now_s=t_s,
            wall_s=WALL_S + t_s,
            status=status(t_s, live=live),
            memory=lambda: MEMORY,
            events=[change()],
        )
    desk.history.close()
    for path in Path(desk.keep.live_dir).iterdir():
        path.unlink()
    desk.history = desk._open()
    found = [lane for lane in desk.history.lanes(WALL_S, WALL_S + 1e4) if lane.name == "call"]
    assert (found[1].state, found[1].from_wall_s, found[1].to_wall_s) == ("live", WALL_S + 120.0, WALL_S + 180.0)


def test_another_programs_file_put_in_place_of_ours_does_not_end_the_watch(desk: Desk) -> None:
    """Somebody copies a strange database over the history of a running monitor: said, and not written into."""
    strange = Path(desk.keep.file + ".strange")
    with sqlite3.connect(strange) as other:
        other.execute("CREATE TABLE photos (name)")
    other.close()
    strange.replace(desk.keep.file)
    for end in ("-wal", "-shm"):
        Path(desk.keep.file + end).unlink(missing_ok=True)
    desk.step(change())
    desk.pass_time(EXPOSE_S + 1)
    assert "another program" in desk.error
    assert desk.deliver() == [4]


# ---------------------------------------------------------------- files that are not as they should be


def _damage(path: Path, seed: int) -> None:
    """Write noise over the middle of a file, as a dying card does."""
    noise = random.Random(seed)
    with path.open("r+b") as file:
        size = path.stat().st_size
        for _ in range(40):
            file.seek(noise.randrange(0, size - 600))
            file.write(noise.randbytes(500))


@pytest.mark.parametrize("seed", range(5))
def test_a_corrupt_file_is_set_aside_with_the_date_and_a_new_one_begun(keep: config.HistorySettings, seed: int) -> None:
    """The monitor starts, says what it did, and the old file is still there to be looked at."""
    desk = Desk(keep)
    desk.step(*[big(number) for number in range(50)])
    before = {kept.id: kept for kept in desk.history.events()}
    assert len(before) == 50
    desk.history.close()
    _damage(Path(keep.file), seed)
    desk = Desk(keep)
    health = desk.history.health()
    desk.step(change())
    assert health.set_aside == "history.corrupt-2026-05-28T202700Z.db"
    assert (Path(keep.file).parent / health.set_aside).stat().st_size > 100_000
    rows = desk.history.outbox("all", begin=True)
    assert len({row.id for row in rows}) == len(rows)
    assert rows[-1].id not in before  # a number given out twice would hide the message
    assert rows[-1].body == change()
    assert rows[:-1] == list(before.values())
    assert desk.history.health().notes["history"].startswith("the file was damaged (")
    desk.history.close()


def test_a_power_cut_leaves_a_whole_beginning_of_the_story(keep: config.HistorySettings, tmp_path: Path) -> None:
    """The write-ahead log torn off at any byte, as a power cut does: the file opens sound, its rows are the first so
    many without a gap, and the engine's memory is of exactly that moment."""
    desk = Desk(keep)
    for number in range(1, 31):
        t_s = float(number)
        desk.history.step(
            now_s=t_s,
            wall_s=WALL_S + t_s,
            status=status(t_s),
            memory=lambda: str(number).encode(),  # noqa: B023 - asked for at once
            events=[change(finding=f"f{number}"), cycle()],
        )
    parts = {end: Path(keep.file + end).read_bytes() for end in ("", "-wal")}
    desk.history.close()
    luck, found = random.Random(5), set()
    for cut in range(40):
        torn = config.HistorySettings(file=str(tmp_path / f"torn{cut}.db"), live_dir=str(tmp_path / f"live{cut}"))
        Path(torn.file).write_bytes(parts[""])
        Path(torn.file + "-wal").write_bytes(parts["-wal"][: luck.randrange(len(parts["-wal"]) + 1)])
        with History(torn.file, owner=True, keep=torn) as history:
            rows = history.outbox("all", begin=True, limit=1000)
            assert history.health().set_aside == ""
            assert [row.offset for row in rows] == list(range(1, len(rows) + 1))
            assert history.memory() == (str(len(rows) // 2).encode() if rows else None)
            found.add(len(rows))
    assert len(found) > 10


@pytest.mark.parametrize(
    ("sql", "spoilt"),
    [
        ("UPDATE meta SET value = 'many' WHERE key = 'run'", None),
        ("UPDATE counters SET last = x'ff' WHERE topic = 'place'", None),
        ("SELECT 1", (b"wall_s REAL, body", b"wall_x REAL, body")),
        ("SELECT 1", (b"wall_s REAL, body", b"w\xfell_s REAL, body")),
        ("SELECT 1", (b"CREATE TABLE starts", b"CREATE T\xb1BLE starts")),
    ],
    ids=["run", "counter", "column", "no text", "no SQL"],
)
def test_damage_that_passes_the_check_of_the_file_is_found(
    keep: config.HistorySettings, sql: str, spoilt: tuple[bytes, bytes] | None
) -> None:
    """A counter that is no number, a column of another name, a schema that is no text: set aside, the watch goes on."""
    desk = Desk(keep)
    desk.step(change())
    desk.history.close()
    with sqlite3.connect(keep.file) as db:
        db.execute(sql)
    db.close()
    if spoilt is not None:
        data = Path(keep.file).read_bytes()
        assert spoilt[0] in data
        Path(keep.file).write_bytes(data.replace(*spoilt))
    desk.history = desk._open()
    desk.step(change())
    assert desk.history.health().set_aside.startswith("history.corrupt-")
    assert desk.error == ""
    assert desk.deliver() == [1, 2]
    assert len(set(desk.got)) == 2
    desk.history.close()


def test_rows_that_cannot_be_read_are_passed_over_and_the_rest_is_told(keep: config.HistorySettings) -> None:
    """A page of rows whose bodies are spoilt holds up no publisher, no request and no page."""
    desk = Desk(keep)
    for _ in range(150):
        desk.step(change())
    request = Request(id="r1", request=RequestKind.SERVICE, by="me")
    for name in ("r0", "r1", "r2"):
        desk.history.add_request(Request(id=name, request=RequestKind.SERVICE, by="me"))
    with sqlite3.connect(keep.file) as db:
        db.execute("UPDATE outbox SET body = substr(body, 2) WHERE place <= 120")
        db.execute("UPDATE requests SET body = x'ff00' WHERE id != 'r1'")
        db.execute("UPDATE state SET body = 'text' WHERE key = 'memory'")
    db.close()
    assert desk.deliver() == list(range(121, 151))
    assert desk.history.requests() == [request]
    assert len(desk.history.events(limit=1000)) == 30
    desk.restart()
    assert desk.history.memory() == MEMORY  # out of the redo log
    desk.history.close()


def test_what_the_database_lost_at_its_end_comes_from_the_redo_log(keep: config.HistorySettings) -> None:
    """The write-ahead log is gone with all that was in it: rows, numbers, cursors and memory are as they were."""
    desk = Desk(keep)
    for number in range(20):
        desk.step(change(finding=f"f{number}"), cycle())
    rows = desk.history.outbox("all", begin=True)
    desk.history.delivered("all", 7)
    desk.step(change())
    copies = {end: Path(keep.file + end).read_bytes() for end in ("", ".redo")}
    desk.history.close()
    for path in Path(keep.file).parent.glob("history.db*"):
        path.unlink()
    for end, data in copies.items():
        Path(keep.file + end).write_bytes(data)
    desk.history = desk._open()
    assert desk.history.outbox("all", begin=True)[: len(rows) - 7] == rows[7:]
    assert desk.history.memory() == MEMORY
    assert "restored from the redo log" in desk.history.health().notes["history"]
    assert desk.history.health().set_aside == ""
    desk.step(change())
    assert [kept.seq for kept in desk.history.events()] == list(range(1, 23))
    desk.restart()
    assert "history" not in desk.history.health().notes  # said once
    desk.history.close()


@pytest.mark.parametrize("full", [False, True])
def test_a_file_of_noise_is_set_aside(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch, full: bool
) -> None:
    """No database at all, and files of earlier accidents: none is removed but from a disk that is nearly full; the
    first and the last of them stay in any case."""
    monkeypatch.setattr(recovery, "_FREE_LEAST", float("inf") if full else 0.0)
    folder = Path(keep.file).parent
    for number in range(1, 6):
        (folder / f"history.corrupt-2020-01-0{number}T000000Z.db").write_text("old")
    Path(keep.file).write_bytes(b"this is not a database" * 1000)
    desk = Desk(keep)
    assert desk.history.health().set_aside.startswith("history.corrupt-2026")
    found = sorted(path.name for path in folder.glob("history.corrupt-*"))
    assert len(found) == (limits.HISTORY.set_aside_full.value if full else 6)
    assert found[0] == "history.corrupt-2020-01-01T000000Z.db"
    assert found[-1] == desk.history.health().set_aside
    desk.history.close()


def test_a_file_that_goes_bad_under_the_running_program_is_replaced(desk: Desk) -> None:
    """The error of a damaged page: the file is set aside, a new one begun, and the numbers go on without a gap."""
    keeper = desk.history._owned()
    origin = desk.history.origin
    Path(desk.keep.file).write_bytes(b"noise" * 4096)
    for end in ("-wal", "-shm"):
        Path(desk.keep.file + end).unlink(missing_ok=True)
    keeper._failed_write(sqlite3.DatabaseError("database disk image is malformed"))
    desk.step(change())
    desk.pass_time(RETRY_S + 1)
    assert desk.error == ""
    assert desk.history.health().set_aside.startswith("history.corrupt-")
    assert desk.deliver() == [4]
    assert [(kept.seq, kept.id) for kept in desk.history.events()] == [(n, f"{origin}-{n}") for n in (1, 2, 3)]
    desk.restart()
    assert desk.history.origin == origin


def test_a_file_removed_under_the_running_program_is_made_again(desk: Desk) -> None:
    """Somebody deletes the file: the next write makes a new one and numbers go on."""
    for end in ("", "-wal", "-shm"):
        Path(desk.keep.file + end).unlink(missing_ok=True)
    desk.step(change())
    desk.pass_time(RETRY_S + 2)
    desk.step(change())
    desk.pass_time(RETRY_S + 2)
    assert Path(desk.keep.file).exists()
    assert desk.error == ""
    assert [kept.seq for kept in desk.history.events()][-1] == 4


def test_a_database_of_another_program_is_refused_and_untouched(keep: config.HistorySettings) -> None:
    """A wrong path in the site file must not cost somebody's data."""
    with sqlite3.connect(keep.file) as db:
        db.execute("CREATE TABLE photos (name)")
    db.close()
    before = Path(keep.file).read_bytes()
    with pytest.raises(HistoryError, match="another program"):
        History(keep.file, owner=True, keep=keep)
    assert Path(keep.file).read_bytes()[100:] == before[100:]
    with sqlite3.connect(keep.file) as db:
        assert db.execute("SELECT count(*) FROM photos").fetchone() == (0,)
    db.close()
    Path(keep.file).unlink()
    History(keep.file, owner=True, keep=keep).close()  # the refusal did not keep the owner's lock


def test_a_file_of_a_newer_version_is_refused(keep: config.HistorySettings) -> None:
    """An older program must not write into a schema it does not know; a reader says the same."""
    History(keep.file, owner=True, keep=keep).close()
    with sqlite3.connect(keep.file) as db:
        db.execute("PRAGMA user_version = 99")
        db.execute("UPDATE meta SET value = 99 WHERE key = 'schema'")
    db.close()
    with pytest.raises(HistoryError, match="schema version 99"):
        History(keep.file, owner=True, keep=keep)
    with History(keep.file, keep=keep) as reader, pytest.raises(HistoryError, match="schema version 99"):
        reader.add_request(Request(id="r", request=RequestKind.RESUME, by="Sam"))


def test_migrations_run_once_and_whole(tmp_path: Path) -> None:
    """A file goes through the scripts it has not had; one that fails leaves the version before it."""
    path = tmp_path / "old.db"
    scripts = (*schema.MIGRATIONS, "CREATE TABLE extra (a); INSERT INTO extra VALUES (1)")
    for _ in range(2):
        db = schema.connect(path, durable=True, make=True)
        schema.migrate(db, scripts)
        assert db.execute("SELECT a FROM extra").fetchall() == [(1,)]
        assert db.execute("PRAGMA user_version").fetchone() == (2,)
        db.close()
    db = schema.connect(path, durable=True)
    with pytest.raises(sqlite3.OperationalError):
        schema.migrate(db, (*scripts, "CREATE TABLE more (a); INSERT INTO nowhere VALUES (1)"))
    db.close()
    db = schema.connect(path, durable=True)
    assert db.execute("PRAGMA user_version").fetchone() == (2,)
    assert db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'more'").fetchone() == (0,)
    db.close()


def test_a_new_reading_gets_its_columns_in_an_old_file(keep: config.HistorySettings) -> None:
    """A file made before a reading existed is widened when it is opened."""
    History(keep.file, owner=True, keep=keep).close()
    db = sqlite3.connect(keep.file)
    db.execute("ALTER TABLE fine DROP COLUMN outdoor_c_mean")
    db.commit()
    db.close()
    History(keep.file, owner=True, keep=keep).close()
    db = sqlite3.connect(keep.file)
    assert "outdoor_c_mean" in {row[1] for row in db.execute("PRAGMA table_info(fine)")}
    db.close()


# ---------------------------------------------------------------- the live file


def test_a_corrupt_live_file_is_made_anew(keep: config.HistorySettings) -> None:
    """It holds nothing that must last: noise in it costs nothing but itself."""
    path = live_path(Path(keep.file), keep.live_dir)
    path.parent.mkdir()
    path.write_bytes(b"noise" * 5000)
    desk = Desk(keep)
    desk.step(change())
    assert desk.error == ""
    assert desk.history.status() is not None
    desk.history.close()


def test_the_live_file_of_no_setting_lies_in_memory_in_a_directory_of_our_own(tmp_path: Path) -> None:
    """On Linux the default is shared memory, closed to others; elsewhere the history's own directory."""
    path = live_path(tmp_path / "x.db", "")
    if Path("/dev/shm").is_dir():
        assert in_memory(path)
        assert path.parent.stat().st_mode & 0o077 == 0
    else:
        assert path.parent == tmp_path
    assert live_path(tmp_path / "y.db", "") != path


def test_a_live_file_that_cannot_be_made_is_no_end(tmp_path: Path) -> None:
    """Its directory is a file: the owner goes on in its own memory and says so."""
    (tmp_path / "file").write_text("")
    live = StatusCache(tmp_path / "file" / "x.live", owner=True)
    assert live.notes() == {}
    live.write(CachedStatus(0.0, "", None, b"{}"), 0.0)
    assert live.error != ""
    live.note("a", "b", None)
    assert live.notes() == {"a": ("b", None)}
    live.close()
