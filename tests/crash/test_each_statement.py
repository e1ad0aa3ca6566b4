"""Killed at every single SQL statement in turn, the history neither loses nor doubles anything."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Change
from condenser_monitor.monitor.storage.history import History
from tests import ROOT, SOURCES
from tests.size import long_one, sized

pytestmark = long_one

STEPS = 3


def check(folder: Path) -> None:
    """Every step's rows are there once, numbered without a gap, and each was delivered, none passed over."""
    keep = config.HistorySettings(file=str(folder / "history.db"), live_dir=str(folder / "live"))
    with History(keep.file, owner=True, keep=keep) as history:
        rows = history.outbox("check", begin=True, limit=1000)
        assert history.memory() == str(STEPS).encode()
        assert history.requests() == []
    changes = [kept.body.finding for kept in rows if isinstance(kept.body, Change)]
    assert changes == [f"f{number}" for number in range(1, STEPS + 1)]
    assert [kept.offset for kept in rows] == list(range(1, len(rows) + 1))
    for topic, expected in (("events", STEPS), ("cycles", (STEPS + 1) // 2), ("answers", STEPS)):
        assert [kept.seq for kept in rows if kept.topic == topic] == list(range(1, expected + 1))
    delivered = (folder / "delivered").read_text().splitlines()
    assert list(dict.fromkeys(delivered)) == [f"{kept.topic} {kept.seq} {kept.id}" for kept in rows]
    assert len(delivered) <= len(rows) + 1  # one kill may repeat the row that was being delivered, no more


@pytest.fixture
def folder() -> Iterator[Path]:
    """A directory in memory where there is one: hundreds of synchronous commits take minutes on a disk."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as name:
        yield Path(name)


def test_a_kill_at_any_statement_neither_loses_nor_doubles(folder: Path) -> None:
    """For each SQL statement of a run: killed there with SIGKILL, run again to the end, everything is there once. Every
    sixth statement where not all is played."""
    command = [sys.executable, "-m", "tests.crash.counting", str(folder), str(STEPS), str(sized(6, 1))]
    env = {**os.environ, "PYTHONPATH": SOURCES}
    ran = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, timeout=300, check=False)
    assert ran.returncode == 0, ran.stderr
    total = int(ran.stdout)
    assert total > 100
    played = sorted(folder.iterdir())
    assert len(played) > total // sized(6, 1)
    for place in played:
        check(place)
