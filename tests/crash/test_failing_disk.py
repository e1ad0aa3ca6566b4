"""A disk that fails beneath the shipped code with the real SQLite: calls of the C library are stood in for (shim.c).

A whole run is played on it, and afterwards another life begins on a sound disk: each message was told once, under one
number, the file is sound, and the memory is of the last one.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.storage.history import History
from tests import ROOT, SOURCES
from tests.conftest import need
from tests.crash.shim import build
from tests.crash.test_crash_states import PROGRAM, STEPS, go_on
from tests.monitor.edge_tools import WALL_S, Hand
from tests.monitor.test_upgrade import DUMP, MARK, VERSION
from tests.size import WHOLE, one_in

# Where in the run the disk begins to fail, counted in its writes and syncs; it is sound again so many calls later.
BEGINS = range(1, 240, 7) if WHOLE else (2, 9, 40, 90)
LASTS = (1, 6, 60) if WHOLE else (6,)
RULES = [
    "short",
    "nosync",
    *(f"{kind} {at} {at + n}" for kind in ("full", "eio", "erofs") for at in BEGINS for n in LASTS),
]


@pytest.fixture(scope="module")
def shim(tmp_path_factory: pytest.TempPathFactory) -> Path:
    need("cc", shutil.which("cc") is not None)
    return build(tmp_path_factory.mktemp("shim"))


def play(shim: Path, folder: Path, rule: str, program: str = PROGRAM) -> list[str]:
    """The ids that the run told, in order."""
    folder.mkdir(exist_ok=True)
    more = {"LD_PRELOAD": str(shim), "SHIM_FOLDER": str(folder), "SHIM_RULE": rule, "PYTHONPATH": SOURCES}
    run = [sys.executable, "-c", program, str(folder), str(STEPS)]
    done = subprocess.run(run, cwd=ROOT, env={**os.environ, **more}, capture_output=True, text=True, check=False)
    assert done.returncode == 0, (rule, done.stderr[-2000:])
    return [line.split()[1] for line in done.stdout.splitlines() if line.startswith("told")]


@one_in(4)
@pytest.mark.parametrize("rule", RULES)
def test_a_disk_that_fails_for_a_while_loses_and_doubles_nothing(rule: str, shim: Path, tmp_path: Path) -> None:
    """Writes that take a part, a full disk, errors, a remount that is read only, syncs that do nothing."""
    folder = tmp_path / "home"
    told = play(shim, folder, rule)
    assert len(set(told)) == len(told), (rule, told)
    files = {str(path): path.read_bytes() for path in folder.iterdir() if path.is_file()}
    go_on(files, folder, told, tmp_path / "after", rule)


UPGRADE = """
import os
import sys
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.storage.history import History
from tests.monitor.edge_tools import *
folder, clock = sys.argv[1], Hand()
keep = config.HistorySettings(file=folder + "/h.db", live_dir=folder + "-live")
with History(keep.file, owner=True, keep=keep, clock=clock, wall=lambda: WALL_S) as h:
    memory = h.memory()
    assert memory is not None and h.origin == "x76080ac8", (memory, h.origin)
    for n in range(1, 4):
        h.step(now_s=float(n), wall_s=WALL_S + n, status=status(float(n)), memory=lambda: memory,
               events=[change(finding=f"f{n}")])
        for _ in range(3):
            clock.sleep(6.0)
            h.step(now_s=float(n), wall_s=WALL_S + n, status=status(float(n)), memory=lambda: memory)
        for row in h.outbox("mqtt", begin=True):
            os.write(1, f"told {row.id}\\n".encode())
            h.delivered("mqtt", row.offset)
"""


@one_in(4)
@pytest.mark.parametrize("rule", ["none", *(f"full {at} {at + n}" for at in BEGINS for n in (5, 1000000))])
def test_a_disk_that_is_full_while_an_old_history_is_brought_up_loses_nothing(
    rule: str, shim: Path, tmp_path: Path
) -> None:
    """A history of 0.1.0 is opened on a disk that has no room, for a while or for the whole life: what it holds is
    known at once, no row is told twice in it, each at the latest in the next, which has the old rows as they were."""
    folder = tmp_path / "home"
    folder.mkdir()
    with closing(sqlite3.connect(folder / "h.db")) as db:
        db.executescript(DUMP.read_text())
        db.executescript(f"PRAGMA user_version = {VERSION}; PRAGMA application_id = {MARK}; PRAGMA journal_mode = WAL")
        old = db.execute("SELECT id, body FROM outbox ORDER BY place").fetchall()
    told = play(shim, folder, rule, UPGRADE)
    assert len(set(told)) == len(told), (rule, told)
    keep = config.HistorySettings(file=str(folder / "h.db"), live_dir=str(tmp_path / "live"))
    with History(keep.file, owner=True, keep=keep, clock=Hand(), wall=lambda: WALL_S) as history:
        assert history.health().disk_error == ""
        assert history.memory() is not None
        told += [row.id for row in history.outbox("mqtt", begin=True)]  # again under one id, where no cursor was kept
        assert {"x76080ac8-6", "x76080ac8-7"} <= set(told), (rule, told)
        assert [reading.typed for reading in history.meter_readings()] == ["25.1 V"]
    with closing(sqlite3.connect(folder / "h.db")) as db:
        assert db.execute("SELECT id, body FROM outbox ORDER BY place").fetchall()[: len(old)] == old
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_the_shim_is_felt(shim: Path, tmp_path: Path) -> None:
    """A disk that is full from its first write on to the end keeps nothing: the rules above reach the files."""
    play(shim, tmp_path / "home", "full 1 1000000")
    database = tmp_path / "home" / "h.db"
    assert not database.exists() or database.stat().st_size < 4096
