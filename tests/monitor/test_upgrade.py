"""A history of version 0.1.0 is gone on with, and one that this version went on with can be read by the older one.

`history-0.1.0.sql` is the dump of a database that 0.1.0 wrote, killed in the middle of its work: three runs
of a plain unit with a locked rotor (acknowledged since), a call that is not pulled in (it stands, told to the broker up
to offset 10 and to a phone up to 5), a finding shelved for a day, and a meter reading.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.storage.history import History
from tests.monitor.edge_tools import Hand
from tests.monitor.units import ALL, RUN, UNIT, but, scans

DUMP = Path(__file__).with_name("history-0.1.0.sql")
VERSION, MARK = 1, 0x434D6831  # what 0.1.0 wrote into the header
NO_PULL = but(RUN, load=False, coil_a=0.0, compressor_a=0.0, fan_a=0.0)
WALL_S = 1_784_052_000.0 + 1466.0  # when its last step was
SETTINGS = config.Settings(site=config.Site(id="orchard-lane-4"), unit=UNIT, senses=config.SensorSettings(fitted=ALL))


@pytest.fixture
def old(keep: config.HistorySettings) -> config.HistorySettings:
    with closing(sqlite3.connect(keep.file)) as db:
        db.executescript(DUMP.read_text())
        db.execute(f"PRAGMA user_version = {VERSION}")
        db.execute(f"PRAGMA application_id = {MARK}")
        db.execute("PRAGMA journal_mode = WAL")
    return keep


def open_owned(keep: config.HistorySettings) -> History:
    return History(keep.file, owner=True, keep=keep, clock=Hand(), wall=lambda: WALL_S)


def step(history: History, engine: Engine, at_s: float, *events: Any) -> None:
    history.step(now_s=at_s, wall_s=WALL_S + at_s, status=engine.status(), memory=engine.memory, events=events)


def test_each_row_goes_out_from_where_the_old_version_was(old: config.HistorySettings) -> None:
    """Cursors, numbers, ids and texts stay; the next number follows."""
    with open_owned(old) as history:
        assert history.health().disk_error == ""
        assert [row.id for row in history.outbox("mqtt", begin=True)] == ["x76080ac8-6", "x76080ac8-7"]
        assert [row.offset for row in history.outbox("phone", begin=True)] == list(range(6, 13))
        assert history.origin == "x76080ac8"
        assert [reading.typed for reading in history.meter_readings()] == ["25.1 V"]
        assert len(history.cycles(0.0, 2e9)) == 3
        assert history.answer("q0") is not None
        engine = Engine(SETTINGS, memory=history.memory(), last_good=history.last_good_memory())
        change = history.latest_events(2)[1].body
        step(history, engine, 1.0, change)
        assert history.latest_events(1)[0].id == "x76080ac8-8"


def test_what_stood_stands_and_is_not_told_again(old: config.HistorySettings) -> None:
    """Alarms with their states and the shelving; two more minutes of the same say nothing new about it."""
    with open_owned(old) as history:
        engine = Engine(SETTINGS, memory=history.memory(), last_good=history.last_good_memory())
        assert engine.memory_refused == ""
        states = {alert.finding: str(alert.state) for alert in engine.status().alerts}
        assert states == {
            "call-without-pull-in": "unacknowledged",
            "locked-rotor": "acknowledged",
            "fan-not-running": "shelved",
        }
        told = [event for scan in scans((120, NO_PULL)) for event in engine.feed(scan)]
        assert [event for event in told if getattr(event, "tell", "no") != "no"] == []


def test_the_old_version_can_read_what_this_one_wrote(old: config.HistorySettings) -> None:
    """After a step back: the header, the tables and every column that 0.1.0 reads are there, and each row has its kind
    and text; what is new stands beside (its own file, keys and columns)."""
    with closing(sqlite3.connect(old.file)) as db:
        before = columns(db)
    with open_owned(old) as history:
        engine = Engine(SETTINGS, memory=history.memory(), last_good=history.last_good_memory())
        step(history, engine, 1.0, history.latest_events(2)[1].body)
    with closing(sqlite3.connect(old.file)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (VERSION,)
        assert db.execute("PRAGMA application_id").fetchone() == (MARK,)
        assert before <= columns(db)
        kinds = {row[0] for row in db.execute("SELECT kind FROM outbox")}
        assert kinds <= {"change", "alert", "cycle", "answer"}
        assert db.execute("SELECT count(*) FROM outbox").fetchone() == (13,)


def columns(db: sqlite3.Connection) -> set[tuple[str, str]]:
    tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    return {(table, row[1]) for table in tables for row in db.execute(f"PRAGMA table_info({table})")}
