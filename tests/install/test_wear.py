"""The wear of the SD card is bounded: bytes the kernel counts for an hour of the real service and history."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("measure_wear.py")
MOST_BYTES_A_DAY = 60e6  # ours: a small card of 8 GB is written once over in four months


def test_a_day_writes_no_more_than_its_bound(tmp_path: Path) -> None:
    """One hour in virtual time, what is dirty forced out every five seconds of it, scaled to a day."""
    command: list[str | Path] = [sys.executable, SCRIPT, tmp_path, "--hours", "1"]
    path = os.pathsep.join(filter(None, (str(SCRIPT.parents[2]), os.environ.get("PYTHONPATH"))))
    env = {**os.environ, "PYTHONPATH": path}
    done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=300, env=env)
    found = json.loads(done.stdout)
    if found["written"] == 0 and found["device"] is None:
        pytest.skip("the temporary directory is in memory: nothing is written to a disk there")
    assert found["kept"] > 20_000, "the history was kept at all"
    assert found["kept"] * 4 < found["written"] < MOST_BYTES_A_DAY
