"""A disk that fails beneath the shipped code with the real SQLite: calls of the C library are stood in for (shim.c).

A whole run is played on it, and afterwards another life begins on a sound disk: each message was told once, under one
number, the file is sound, and the memory is of the last one.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests import ROOT, SOURCES
from tests.conftest import need
from tests.crash.test_crash_states import PROGRAM, STEPS, go_on
from tests.size import WHOLE

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
    made = tmp_path_factory.mktemp("shim") / "shim.so"
    source = Path(__file__).with_name("shim.c")
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", str(made), str(source), "-ldl"], check=True)
    return made


def play(shim: Path, folder: Path, rule: str) -> list[str]:
    """The ids that the run told, in order."""
    folder.mkdir()
    more = {"LD_PRELOAD": str(shim), "SHIM_FOLDER": str(folder), "SHIM_RULE": rule, "PYTHONPATH": SOURCES}
    run = [sys.executable, "-c", PROGRAM, str(folder), str(STEPS)]
    done = subprocess.run(run, cwd=ROOT, env={**os.environ, **more}, capture_output=True, text=True, check=False)
    assert done.returncode == 0, (rule, done.stderr[-2000:])
    return [line.split()[1] for line in done.stdout.splitlines() if line.startswith("told")]


@pytest.mark.parametrize("rule", RULES)
def test_a_disk_that_fails_for_a_while_loses_and_doubles_nothing(rule: str, shim: Path, tmp_path: Path) -> None:
    """Writes that take a part, a full disk, errors, a remount that is read only, syncs that do nothing."""
    folder = tmp_path / "home"
    told = play(shim, folder, rule)
    assert len(set(told)) == len(told), (rule, told)
    files = {str(path): path.read_bytes() for path in folder.iterdir() if path.is_file()}
    go_on(files, folder, told, tmp_path / "after", rule)


def test_the_shim_is_felt(shim: Path, tmp_path: Path) -> None:
    """A disk that is full from its first write on to the end keeps nothing: the rules above reach the files."""
    play(shim, tmp_path / "home", "full 1 1000000")
    database = tmp_path / "home" / "h.db"
    assert not database.exists() or database.stat().st_size < 4096
