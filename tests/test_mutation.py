"""The eleven mutants that once survived die, each by its own test; the lists of mutation testing are true."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutation import constants
from tests.mutation.__main__ import CORE, known, known_numbers
from tests.mutation.__main__ import tests_of as paths_of
from tests.mutation.mutants import ROOT, mutants
from tests.size import long_one


@long_one
def test_each_mutant_that_once_survived_is_killed_by_its_test() -> None:
    """In a process that has loaded nothing of this program, which then forks one for each."""
    command = [sys.executable, "-m", "tests.mutation", "--seen"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("file", CORE)
def test_the_core_and_its_tests_are_there_and_can_be_changed(file: str) -> None:
    """Each file has mutants enough to say something, and each differs from it."""
    assert all((ROOT / path).is_file() for path in paths_of(file))
    made = list(mutants(file))
    assert len(made) > 50
    assert len({one.key for one in made}) > 0.8 * len(made)


def test_each_named_survivor_is_a_mutant_of_today() -> None:
    """A survivor of code that has gone is taken off the list."""
    there = {one.key for file in {row[0] for row in known()} for one in mutants(file)}
    assert known() <= there


def test_each_number_that_may_move_is_a_number_of_today() -> None:
    """One that has gone is taken off the list; none stands there twice."""
    there = {constants.moves(one) for file in constants.FILES for one in constants.moved(file)}
    assert known_numbers() <= there


def test_a_number_is_moved_where_it_is_read() -> None:
    """What is read as it is asked for is put into the loaded module; what others were worked out from, or have a copy
    of, is not, and is tried from a fresh process. In a process of its own: the numbers stay moved."""
    code = (
        "from tests.mutation import constants\n"
        "from condenser_monitor.monitor import limits\n"
        "made = {(m.where, m.after): m for m in constants.moved('monitor/limits.py')}\n"
        "assert constants.put(made['SETTLE_S', '600.0']) and limits.SETTLE_S.value == 600.0\n"
        "assert constants.put(made['PAST_S', '8']) and limits.PAST_S.value == 8 * 86400.0\n"
        "assert constants.put(made['LONG_RUN.hold_s', '3']) and limits.LONG_RUN.hold_s.value == 3 * 3600.0\n"
        "assert constants.put(made['TRUST.weld', '5.0']) and limits.TRUST.weld.value == 5.0\n"
        "for one in (('METER.closed', '20.0'), ('FindingLimits.all_clear_s', '7200'), ('CONTACTOR_LRA_A', '360')):\n"
        "    assert not constants.put(made[one]), one\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_a_change_that_breaks_nothing_is_told_from_one_that_does(tmp_path: Path) -> None:
    """The judge itself: the file as it is survives, a core without its table does not."""
    code = (
        "from tests.mutation.__main__ import load_libraries\n"
        "from tests.mutation.mutants import ROOT, noticed\n"
        "load_libraries()\n"
        "file, test = 'monitor/core/cycle.py', ['tests/monitor/test_cycle.py::test_table_is_total']\n"
        "text = (ROOT / file).read_text()\n"
        "assert not noticed(file, text, test)\n"
        "assert noticed(file, text.replace('_S.OVERRUN: {', '_S.IDLE: {', 1), test)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
