"""Numbers and cursors of a history whose file comes late, vanishes or goes bad while it is in use."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Change, Request, RequestKind
from condenser_monitor.monitor.storage import recovery, schema, writer
from condenser_monitor.monitor.storage.history import History
from tests.monitor.edge_tools import (
    MEMORY,
    WALL_S,
    Hand,
    change,
    cycle,
    status,
)
from tests.monitor.test_history_disk import Desk

_H = limits.HISTORY
EXPOSE_S, FLUSH_S, RETRY_S = _H.expose_s.value, _H.flush_s.value, _H.retry_s.value


def in_the_file(keep: config.HistorySettings, sql: str) -> None:
    """Damage that SQLite does not see, while the program is running."""
    with sqlite3.connect(keep.file) as db:
        db.execute(sql)
    db.close()


def refuse_opening(patch: pytest.MonkeyPatch, said: str) -> None:
    """The owner cannot open its file; who only reads can."""

    def refused(*given: Any, **more: Any) -> sqlite3.Connection:
        raise sqlite3.OperationalError(said)

    patch.setattr(writer, "open_owned", refused)


def killed(desk: Desk, folder: Path, *, live: bool) -> Desk:
    """What the next life finds of this one's files as they are now; with a power cut no live file."""
    shutil.copytree(Path(desk.keep.file).parent, folder, ignore=None if live else shutil.ignore_patterns("live"))
    desk.history.close()
    file = folder / Path(desk.keep.file).name
    for index in folder.rglob("*-shm"):
        index.unlink()
    return Desk(config.HistorySettings(file=str(file), live_dir=str(folder / "live")))


def test_a_row_that_cannot_be_read_holds_up_no_publisher(keep: config.HistorySettings) -> None:
    """A topic that is no text fails each read of its page of rows while writing goes on: within seconds the file is
    put away, and all rows are told once."""
    desk = Desk(keep)
    desk.step(*(change() for _ in range(6)))
    in_the_file(keep, "UPDATE outbox SET topic = CAST(x'ff65' AS TEXT) WHERE place = 3")
    assert desk.deliver() == []
    desk.pass_time(RETRY_S + 2)
    assert "corrupt" in desk.history.health().set_aside
    assert desk.deliver() == [1, 2, 3, 4, 5, 6]
    desk.step(change())
    desk.deliver()
    assert len(set(desk.got)) == len(desk.got) == 7
    desk.history.close()


def test_tables_that_only_newcomers_cannot_read_hold_up_no_publisher(keep: config.HistorySettings) -> None:
    """Who writes has known the tables since before the damage: it is looked for as a new reader would come on it."""
    desk = Desk(keep)
    desk.step(change(), change())
    db = desk.history._owned()._db
    assert db is not None
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = Path(keep.file).read_bytes()
    with Path(keep.file).open("r+b") as file:
        file.seek(data.index(b"TABLE starts"))
        file.write(b"T\xb1")
    desk.history._close_idle()
    assert desk.deliver() == []
    desk.pass_time(RETRY_S + 2)
    assert desk.deliver() == [1, 2]
    desk.history.close()


def test_a_request_that_cannot_be_read_holds_up_no_other(keep: config.HistorySettings) -> None:
    """One whose source is no text fails the reading of all that wait."""
    desk = Desk(keep)
    request = Request(id="r1", request=RequestKind.SERVICE, by="me")
    for name in ("r0", "r1"):
        desk.history.add_request(Request(id=name, request=RequestKind.SERVICE, by="me"))
    in_the_file(keep, "UPDATE requests SET source = CAST(x'ff65' AS TEXT) WHERE id = 'r0'")
    assert desk.history.requests() == []
    desk.pass_time(FLUSH_S + 1)
    assert desk.history.requests() == [request]
    desk.history.close()


@pytest.mark.parametrize("live", [True, False], ids=["killed", "power cut"])
def test_a_file_that_came_late_is_sound_in_the_next_life(
    keep: config.HistorySettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, live: bool
) -> None:
    """Rows numbered before the file could be opened go on from its own numbers. Nothing is put away, lost or numbered
    twice."""
    first = Desk(keep)
    first.step(change())
    first.history.close()
    with monkeypatch.context() as patch:
        refuse_opening(patch, "unable to open database file")
        desk = Desk(keep)
        desk.step(change(), change(), change(), cycle())
    desk.pass_time(RETRY_S + 1)
    assert desk.error == ""
    after = killed(desk, tmp_path / "after", live=live)
    assert after.history.health().set_aside == ""
    assert after.history.health().notes.get("history", "") == ""
    assert after.deliver() == [1, 2, 3, 4, 5]
    after.step(change())
    after.deliver()
    assert len(set(after.got)) == 6
    newest = max(after.history.outbox("another", begin=True), key=lambda row: row.offset)
    assert (newest.offset, newest.seq) == (6, 5)
    after.history.close()


def test_what_was_told_without_the_file_keeps_its_name(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file can be opened at last and its first write fails: rows told before are not told under other names, and
    no two rows have the same."""
    first = Desk(keep)
    first.step(change())
    first.history.close()
    with monkeypatch.context() as patch:
        refuse_opening(patch, "unable to open database file")
        desk = Desk(keep)
        desk.step(change(finding="f1"), change(finding="f2"))
        desk.pass_time(EXPOSE_S + 1)
        assert len(desk.deliver()) == 3  # what the file has can be read, and is told before it

    def full(*given: Any, **more: Any) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(writer.StorageWriter, "_put", full)
        desk.pass_time(RETRY_S + 1)
        desk.step(change(finding="f3"), change(finding="f4"))
        desk.pass_time(EXPOSE_S + 1)
        desk.deliver()
    desk.pass_time(RETRY_S + 1)
    desk.deliver()
    assert desk.error == ""
    rows = {row.id: row for row in desk.history.outbox("another", begin=True)}
    assert len(rows) == len(set(desk.got)) == 5
    assert rows.keys() == set(desk.got)
    desk.history.close()


def test_what_the_file_may_have_lost_is_not_passed_over(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The power has cost the file its last two rows, the redo log has them, and nothing can be written: what the file
    has is told, and in the same breath nothing of what comes after the two."""
    first = Desk(keep)
    for _ in range(5):
        first.step(change())
    first.history.close()
    in_the_file(keep, "DELETE FROM outbox WHERE place > 3")
    in_the_file(keep, "UPDATE counters SET last = 3 WHERE topic IN ('place', 'events', 'step')")
    with monkeypatch.context() as patch:
        refuse_opening(patch, "database or disk is full")
        desk = Desk(keep)
        desk.step(change())
        desk.pass_time(EXPOSE_S + 1)
        assert desk.deliver() == [1, 2, 3]
        assert desk.deliver() == [6], "held, and told with a mark of this life"
    desk.pass_time(RETRY_S + 1)
    assert desk.deliver() == [4, 5], "they come as soon as the file has them again"
    assert desk.deliver() == []
    desk.history.close()


def test_a_memory_that_comes_late_is_said_once_and_is_not_written_over(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An engine had to begin without the last run's memory: the step that finds it says so, and keeps it."""
    made = History(keep.file, owner=True, keep=keep, clock=Hand(), wall=lambda: WALL_S)
    made.step(now_s=1.0, wall_s=WALL_S, status=status(1.0), memory=lambda: b"of the last run", events=[change()])
    made.close()
    Path(keep.file + ".redo").unlink()
    with monkeypatch.context() as patch:
        refuse_opening(patch, "disk I/O error")
        patch.setattr(recovery, "_read_only", lambda *given, **more: (_ for _ in ()).throw(sqlite3.OperationalError))
        desk = Desk(keep)
        assert desk.history.memory() is None
        desk.step(change())
    assert not desk.memory_came_late
    desk.clock.sleep(RETRY_S + 1)
    desk.step()
    assert desk.memory_came_late
    assert desk.history.memory() == b"of the last run"
    desk.memory_came_late = False
    desk.step(change())
    assert not desk.memory_came_late
    desk.history.close()


def test_a_file_that_vanished_costs_no_number_twice(
    keep: config.HistorySettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The power goes between the making of a new file and the first rows in it: all that was told is in it."""
    desk = Desk(keep)
    desk.step(change(), change(), cycle())
    desk.deliver()
    for end in ("", "-wal", "-shm"):
        Path(keep.file + end).unlink(missing_ok=True)

    def broken(*given: Any, **more: Any) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    with monkeypatch.context() as patch:
        patch.setattr(writer.StorageWriter, "_put", broken)
        desk.step(change())
    after = killed(desk, tmp_path / "after", live=False)
    after.step(change(), cycle())
    after.deliver()
    assert not set(after.got) & set(desk.got)
    assert [row.seq for row in after.history.events()] == [1, 2, 3]
    after.history.close()


def test_cursors_of_a_file_that_could_only_be_read_pass_over_nothing_in_a_new_one(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows were told from a file that took nothing, and it was removed: what the new one has is told, once."""
    first = Desk(keep)
    first.step(*(change() for _ in range(9)))
    first.history.close()
    with monkeypatch.context() as patch:
        refuse_opening(patch, "attempt to write a readonly database")
        desk = Desk(keep)
        assert len(desk.deliver()) == 9
        for end in ("", "-wal", "-shm"):
            Path(keep.file + end).unlink(missing_ok=True)
        desk.step(change())
    desk.pass_time(RETRY_S + 1)
    desk.step(change())
    assert [row.seq for row in desk.history.outbox("all", begin=True)] == [10, 11]
    desk.history.close()


def test_an_engine_begun_with_what_could_be_read_is_not_begun_again_from_an_older_file(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file could only be read at the start, and another one is there once it can be written: what stood in the
    first is known to the engine already, and must not be cleared a second time."""
    other = keep.file + ".other"
    for file in (other, keep.file):
        made = History(file, owner=True, keep=keep, clock=Hand(), wall=lambda: WALL_S)
        made.step(now_s=1.0, wall_s=WALL_S, status=status(1.0), memory=lambda: MEMORY, events=[change()], last=True)
        made.close()
    with monkeypatch.context() as patch:
        refuse_opening(patch, "attempt to write a readonly database")
        desk = Desk(keep)
        assert desk.history.memory() == MEMORY
        desk.step(change())
    for end in ("", ".redo"):
        Path(other + end).replace(keep.file + end)
    desk.pass_time(RETRY_S + 1)
    assert desk.error == ""
    assert not desk.memory_came_late
    desk.history.close()


def test_a_word_that_is_no_text_does_not_keep_a_file_shut(keep: config.HistorySettings) -> None:
    """A row that is read only when the file is opened: it is put away after a few tries, and what was held is kept."""
    desk = Desk(keep)
    desk.step(change())
    desk.history.close()
    in_the_file(keep, "INSERT INTO meta VALUES ('damage', CAST(x'7bff7d' AS TEXT))")
    desk.history = desk._open()
    desk.step(change())
    desk.pass_time(3 * RETRY_S + 1)
    assert desk.error == ""
    assert len({row.id for row in desk.history.outbox("all", begin=True)}) == 2
    desk.history.close()


def test_a_status_is_as_old_as_its_scan_in_the_next_life(keep: config.HistorySettings) -> None:
    """The last life ended a minute after its last scan, in good order: the status it leaves is a minute old."""
    desk = Desk(keep)
    desk.clock.sleep(5.0)
    desk.step()
    seen = status(desk.clock())
    desk.clock.sleep(60.0)
    now_s = desk.clock()
    desk.history.step(now_s=now_s, wall_s=WALL_S + now_s, status=seen, memory=lambda: MEMORY, last=True)
    desk.history.close()
    desk.history = desk._open()
    assert desk.history.status_age_s() == pytest.approx(60.0, abs=limits.HISTORY.live_disk_s.value)
    desk.history.close()


def test_rows_that_are_spoilt_come_from_the_redo_log(keep: config.HistorySettings) -> None:
    """The last rows of a damaged file are spoilt, one by its number: they are told as they were."""
    desk = Desk(keep)
    desk.step(*(change() for _ in range(5)))
    desk.history.delivered("all", 3)
    desk.step(last=True)
    desk.history.close()
    in_the_file(keep, "UPDATE outbox SET body = substr(body, 2) WHERE place = 4")
    in_the_file(keep, "UPDATE outbox SET seq = 77 WHERE place = 5")
    in_the_file(keep, "UPDATE meta SET value = 'many' WHERE key = 'run'")
    desk.history = desk._open()
    assert "corrupt" in desk.history.health().set_aside
    assert [row.body for row in desk.history.outbox("all", begin=True)] == [change(), change()]
    assert desk.deliver() == [4, 5]
    assert desk.history.health().publishers["all"].waiting == 0
    desk.step(change())
    assert desk.deliver() == [6]
    assert schema.sound(desk.history._owned()._db)  # type: ignore[arg-type]
    desk.history.close()


def test_numbers_begin_again_where_somebody_knows_more_than_the_disk(
    keep: config.HistorySettings, tmp_path: Path
) -> None:
    """What this run has numbered gets numbers of a new origin, held rows too; what earlier runs told stays as it was.
    Known numbers, and those of another origin, change nothing. It outlives a power cut, and the loss of the file."""
    desk = Desk(keep)
    desk.step(change(), cycle())
    assert desk.deliver() == [1, 2]
    desk.restart()
    history = desk.history
    first = history.origin
    desk.step(change(finding="lost"), cycle())
    history.numbers_given(first, {"events": 1, "cycles": 1})
    history.numbers_given("xother", {"events": 99})
    assert history.origin == first
    history.numbers_given(first, {"events": 3, "cycles": 1})
    assert history.origin != first
    desk.step(change(finding="next"))
    ids = [row.id for row in history.events()] + [row.id for row in history.events(topic="cycles")]
    assert sorted(ids) == sorted(
        [f"{first}-1", f"{first}:1", *(f"{history.origin}{end}" for end in ("-1", "-2", ":1"))]
    )
    assert [row.body.finding for row in history.outbox("all", begin=True) if isinstance(row.body, Change)] == [
        "lost",
        "next",
    ]
    history.numbers_given(history.origin, {"events": 2, "cycles": 1})
    desk = killed(desk, tmp_path / "cut", live=False)
    assert desk.history.numbered() == {"events": 2, "cycles": 1}
    Path(desk.keep.file).write_bytes(b"nothing of a database" * 400)
    desk.restart()
    assert desk.history.numbered() == {"events": 2, "cycles": 1}
    desk.step(change(finding="after"))
    rows = desk.history.outbox("all", begin=True)
    assert [(row.seq, row.body.finding) for row in rows if isinstance(row.body, Change)] == [
        (1, "lost"),
        (2, "next"),
        (3, "after"),
    ]
    desk.history.close()


def test_numbers_that_begin_again_outlive_the_loss_of_the_file_at_once(keep: config.HistorySettings) -> None:
    """The redo log has them and their name as a step of its own, before anything else is written."""
    desk = Desk(keep)
    desk.step(change())
    desk.restart()
    desk.step(change(finding="lost"))
    desk.history.numbers_given(desk.history.origin, {"events": 9})
    origin = desk.history.origin
    desk.history.close()
    Path(keep.file).write_bytes(b"nothing of a database" * 400)
    desk.history = desk._open()
    assert (desk.history.origin, desk.history.numbered()) == (origin, {"events": 1})
    desk.history.close()


def test_a_file_that_is_sound_and_refuses_what_is_written_is_put_away(keep: config.HistorySettings) -> None:
    """Twice in a row, then it is damaged where SQLite's check looks not; what was held comes, once."""
    desk = Desk(keep)
    desk.step(change())
    in_the_file(keep, "CREATE TRIGGER t BEFORE INSERT ON outbox BEGIN SELECT RAISE(ABORT, 'a fault'); END")
    desk.step(change())
    assert "a fault" in desk.error
    desk.pass_time(3 * RETRY_S)
    assert (desk.error, desk.deliver()) == ("", [1, 2])
    assert "corrupt" in desk.history.health().set_aside
    desk.history.close()


def test_a_good_memory_is_kept_beside_the_newest_once_a_day(keep: config.HistorySettings) -> None:
    """For a start at which the newest cannot be read, and there is no redo log."""
    desk = Desk(keep)

    def kept_good() -> list[tuple[bytes]]:
        with sqlite3.connect(keep.file) as db:
            found = db.execute("SELECT body FROM state WHERE key = 'memory-good'").fetchall()
        db.close()
        return found

    desk.step(change())
    assert kept_good() == []
    desk.clock.sleep(86_400.0)
    desk.step()
    assert kept_good() == [(MEMORY,)]
    desk.history.close()
