"""The simulator's README tells the truth: its scenario, its fixtures' examples and its commands do what it says."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from condenser_monitor.monitor import cli
from condenser_monitor.sim import simulate
from condenser_monitor.sim.scenario import load, parse

ROOM = Path(__file__).parents[2] / "sim"
README = (ROOM / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def test_its_scenario_is_whole_and_does_what_it_demands() -> None:
    """Read, run and held to its own expectation."""
    (text,) = blocks("toml")
    assert simulate.run(parse(text)).wrong == ()


def test_its_fixtures_serve_a_test_outside_the_project(tmp_path: Path) -> None:
    """A folder with nothing but the conftest and the tests that the README shows: pytest runs them, and all pass."""
    conftest, tests = blocks("python")
    (tmp_path / "conftest.py").write_text(conftest)
    (tmp_path / "test_mine.py").write_text(tests)
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "--rootdir",
        str(tmp_path),
        str(tmp_path),
    ]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False)
    assert f"{tests.count('def test_')} passed" in done.stdout, done.stdout + done.stderr


def test_its_commands_exist(capsys: pytest.CaptureFixture[str]) -> None:
    """Every command and option in it is one that the program has."""
    for name in set(re.findall(r"condenser-monitor (\w+)", README)):
        with pytest.raises(SystemExit):
            cli.main([name, "--help"])
    options = set(re.findall(r"`(--[a-z-]+)", README)) | set(re.findall(r"(?<= )--[a-z-]+", README))
    with pytest.raises(SystemExit):
        cli.main(["season", "--help"])
    with pytest.raises(SystemExit):
        cli.main(["simulate", "--help"])
    shown = capsys.readouterr().out
    assert {option for option in options if option not in shown} <= {"--json"}


def test_its_links_and_files_exist() -> None:
    """Every page it points to is there, and every module named in the table of physics."""
    for target in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOM / target.partition("#")[0]).exists(), target
    table = README[README.index("| part | where |") :]
    for cell in re.findall(r"^\| [^|]+\| ([^|]+)\|", table, re.MULTILINE)[2:]:
        for name in re.findall(r"`(\w+)`", cell):
            assert (ROOM / f"{name}.py").exists(), name


def test_recorded_and_replayed_as_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The two commands under `simulate`: the recording of a named scenario replays to the findings that it demands."""
    monkeypatch.chdir(tmp_path)
    assert cli.main(["simulate", "drain-pan-full", "--record", "drain.csv"]) == 0
    capsys.readouterr()
    assert cli.main(["replay", "drain.csv", "--json"]) == 0
    shown = capsys.readouterr().out
    assert all(row.finding in shown for row in load("drain-pan-full").expect)
