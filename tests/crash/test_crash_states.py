"""From every state that a power cut may leave of a recorded run, the history goes on: nothing lost, nothing twice."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from hashlib import blake2b
from pathlib import Path
from random import Random

import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Change
from condenser_monitor.monitor.storage.history import History
from tests import ROOT, SOURCES
from tests.conftest import need
from tests.crash import shim
from tests.crash.traced import Disk, changes
from tests.monitor.edge_tools import WALL_S, Hand, change, status
from tests.size import WHOLE, long_one, one_in

STEPS, STATES_MOST, LIES = 6, 4000 if WHOLE else 150, 1000 if WHOLE else 40
PROGRAM = """
import os
import sqlite3
import sys
from contextlib import suppress
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.storage.history import History
from tests.monitor.edge_tools import *
folder, steps, clock = sys.argv[1], int(sys.argv[2]), Hand()
keep = config.HistorySettings(file=folder + "/h.db", live_dir=folder + "-live")
with History(keep.file, owner=True, keep=keep, clock=clock, wall=lambda: WALL_S) as h:
    for n in range(1, steps + 1):
        h.step(now_s=float(n), wall_s=WALL_S + n, status=status(float(n)), memory=lambda: str(n).encode(),
               events=[change(finding=f"f{n}")])
        clock.sleep(6.0)
        h.step(now_s=float(n), wall_s=WALL_S + n, status=status(float(n)), memory=lambda: str(n).encode())
        for row in h.outbox("all", begin=True):
            os.write(1, f"told {row.id}\\n".encode())
            h.delivered("all", row.offset)
        if n == 3:
            h._owned()._back_up()
            with suppress(sqlite3.Error, AttributeError):  # no connection, while the disk fails
                h._owned()._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
"""


RECORDED = f"""
import sys
from pathlib import Path
from tests.crash import shim
shim.rule(Path(sys.argv[1]), "", record=True)
{PROGRAM}
Path(folder + ".record").write_bytes(shim.taken())
"""


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, bytes]:
    need("cc", shutil.which("cc") is not None)
    folder = tmp_path_factory.mktemp("recorded") / "home"
    folder.mkdir()
    env = {**os.environ, "PYTHONPATH": SOURCES, "LD_PRELOAD": str(shim.build(folder.parent))}
    run = [sys.executable, "-c", RECORDED, str(folder), str(STEPS)]
    subprocess.run(run, cwd=ROOT, env=env, check=True, timeout=300)
    return folder, folder.with_name("home.record").read_bytes()


@long_one
def test_every_state_that_a_cut_may_leave_is_gone_on_from(record: tuple[Path, bytes], tmp_path: Path) -> None:
    """What was told is there under the same number with the same text; the next one has a number that nobody had; the
    memory is of the last message, so that nothing is raised again."""
    folder, text = record
    disk, told, seen, tried = Disk(), [], set(), 0
    for one in changes(text):
        disk.apply(one)
        if one.kind == "said" and one.data.startswith(b"told"):
            told.append(one.data.split()[1].decode())
        for name, files in disk.states():
            mark = blake2b(repr((sorted(files.items()), told)).encode(), digest_size=16).digest()
            if mark in seen or tried >= STATES_MOST:
                continue
            seen.add(mark)
            tried += 1
            go_on(files, folder, told, tmp_path / str(tried), f"{name}, after {one.kind} {Path(one.path).name}")
    assert tried > 100


def put_back(files: dict[str, bytes], folder: Path, home: Path) -> None:
    home.mkdir()
    for path, data in files.items():
        if not path.endswith("-shm"):
            (home / Path(path).relative_to(folder)).write_bytes(data)


def go_on(files: dict[str, bytes], folder: Path, told: list[str], home: Path, name: str) -> None:
    put_back(files, folder, home)
    keep = config.HistorySettings(file=str(home / "h.db"), live_dir=str(home / "live"))
    with History(keep.file, owner=True, keep=keep, clock=Hand(), wall=lambda: WALL_S) as history:
        rows = {row.id: row for row in history.events(limit=1000)}
        assert set(told) <= rows.keys(), name
        assert [row.seq for row in rows.values()] == list(range(1, len(rows) + 1)), name
        assert all(row.body.finding == f"f{row.seq}" for row in rows.values() if hasattr(row.body, "finding")), name
        if rows:
            assert history.memory() == str(len(rows)).encode(), name
        history.step(
            now_s=99.0,
            wall_s=WALL_S + 99,
            status=status(99.0),
            memory=lambda: b"99",
            events=[change(finding="new")],
        )
        newest = history.latest_events(limit=1)[0]
        assert newest.id not in rows, name
        assert history.health().disk_error == "", name
    shutil.rmtree(home)


@long_one
def test_a_disk_that_lies_costs_no_more_than_what_it_lied_about(record: tuple[Path, bytes], tmp_path: Path) -> None:
    """From some call on every sync says that all is well and does nothing; later the power goes, and any part of what
    was written since has reached the disk. What was told before is there as it was told (but where the redo log was
    written anew meanwhile, whose new name may arrive without its bytes), nothing is told that was never said, and the
    history goes on."""
    folder, data = record
    calls = changes(data)
    rng = Random(5)
    for number in range(LIES):
        disk, told, safe = Disk(rng=rng), list[str](), list[str]()
        begin = rng.randrange(len(calls) // 4, len(calls) - 10)
        end = rng.randrange(begin + 5, len(calls))
        for at, one in enumerate(calls[:end]):
            if one.kind == "said" and one.data.startswith(b"told"):
                told.append(one.data.split()[1].decode())
                safe += told[-1:] if at < begin else []
            elif at < begin or "sync" not in one.kind:
                disk.apply(one)
        home = tmp_path / str(number)
        put_back(disk.sampled(), folder, home)
        name = f"lies from call {begin} to {end}, {number}"
        keep = config.HistorySettings(file=str(home / "h.db"), live_dir=str(home / "live"))
        with History(keep.file, owner=True, keep=keep, clock=Hand(), wall=lambda: WALL_S) as history:
            rows = history.events(limit=1000)
            anew = any(one.kind == "rename" and ".redo" in one.path for one in calls[begin:end])
            assert anew or set(safe) <= {row.id for row in rows}, name
            assert all(row.body.finding == f"f{row.seq}" for row in rows if isinstance(row.body, Change)), name
            assert len({row.id for row in rows}) == len(rows), name
            history.step(now_s=99.0, wall_s=WALL_S, status=status(99.0), memory=lambda: b"99", events=[change()])
            assert history.latest_events(limit=1)[0].body.finding == change().finding, name  # type: ignore[union-attr]
            assert history.health().disk_error == "", name


FAULTS = [
    (call, error, file)
    for file in ("h.db.redo", "h.db-wal", "h.db")
    for call, error in (("write", "ENOSPC"), ("pwrite64", "EIO"), ("pwrite64", "ENOSPC"), ("fsync,fdatasync", "EIO"))
    if (call == "write") == (file == "h.db.redo") or call.startswith("fsync")
]


@one_in(5)
@pytest.mark.parametrize(("call", "error", "file"), FAULTS)
def test_a_system_call_that_fails_loses_and_doubles_nothing(call: str, error: str, file: str, tmp_path: Path) -> None:
    """Below SQLite and the redo log: a write or a sync of one file fails at some time (strace injects it into the
    shipped code). The step is held and written later; each message is told once, under one number."""
    need("strace", shutil.which("strace") is not None)
    for when in range(2, 14) if WHOLE else (2, 5):
        folder = tmp_path / str(when)
        folder.mkdir()
        inject = [f"-einject={call}:error={error}:when={when}", "-P", str(folder / file)]
        command = ["strace", "-f", "-o", str(folder) + ".trace", f"-etrace={call}", *inject]
        env = {**os.environ, "PYTHONPATH": SOURCES}
        run = [*command, sys.executable, "-c", PROGRAM, str(folder), str(STEPS)]
        done = subprocess.run(run, cwd=ROOT, env=env, capture_output=True, text=True, check=False, timeout=300)
        if done.returncode and "ptrace" in done.stderr.lower():
            pytest.skip("strace may not trace here")
        assert done.returncode == 0, done.stderr[-2000:]
        told = [line.split()[1] for line in done.stdout.splitlines() if line.startswith("told")]
        assert len(set(told)) == len(told) == STEPS, (call, error, file, when, told)
        files = {str(path): path.read_bytes() for path in folder.iterdir() if path.is_file()}
        go_on(files, folder, told, tmp_path / f"{when}-after", f"{call} {error} {file} {when}")
