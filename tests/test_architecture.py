"""The house rules that a machine can keep: who may import whom, what the pure files may touch, the top level."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from condenser_monitor.monitor import limits

ROOT = Path(__file__).parents[1]
ROOMS = ("monitor", "hardware", "web", "sim")
# what a room may import of the others; monitor's mind is further narrowed below
MAY = {
    "monitor": {"monitor"},
    "hardware": {"hardware", "monitor"},
    "web": {"web", "monitor"},
    "sim": {"sim", "hardware", "monitor"},
}
HARDWARE_MAY = {"records", "errors", "limits", "config", "foreign"}
TOUCHES_THE_WORLD = {"time", "socket", "sqlite3", "threading", "subprocess", "os", "random", "paho", "urllib"}
TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "pyproject.toml", "monitor", "hardware", "web", "tests", "sim"),
    *(".ci", ".gitignore", "LICENSE", ".git", ".src"),
}


def _files(room: str) -> list[Path]:
    return sorted((ROOT / room).rglob("*.py"))


def _imports(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("room", ROOMS)
def test_imports_point_inward(room: str) -> None:
    """hardware -> monitor's nouns; sim -> hardware, monitor; web -> monitor; monitor -> none, but its commands."""
    for path in _files(room):
        if path.parent.name == "commands":
            continue
        rooms = {name.split(".")[0] for name in _imports(path)} & set(ROOMS)
        assert rooms <= MAY[room], f"{path.relative_to(ROOT)} imports {rooms - MAY[room]}"


def test_the_core_knows_none_of_the_other_parts() -> None:
    """core -> limits, strings and itself; diagnosis, baselines and alarms -> core; the engine above joins them."""
    for path in _files("monitor/core"):
        parts = {name.split(".")[2] for name in _imports(path) if name.startswith("condenser_monitor.monitor.")}
        assert parts <= {"core", "limits", "strings"}, f"{path.name} imports {parts}"


def test_hardware_knows_only_the_nouns_of_monitor() -> None:
    """From monitor, the drivers take records, errors, limits and settings, and nothing that judges.

    The tools in hardware/install are no drivers: they measure and install the whole program.
    """
    for path in _files("hardware"):
        if path.parent.name == "install":
            continue
        parts = {name.split(".")[1] for name in _imports(path) if name.startswith("monitor.")}
        assert parts <= HARDWARE_MAY, f"{path.relative_to(ROOT)} imports {parts - HARDWARE_MAY}"


def test_the_mind_touches_neither_clock_nor_file_nor_socket() -> None:
    """Every file of monitor is pure, but for those whose first words are "(edge)", the fleet and the commands.

    Recordings and site files are read through pathlib.
    """
    for path in _files("monitor"):
        if {"fleet", "commands"} & set(path.relative_to(ROOT).parts):
            continue
        tree = ast.parse(path.read_text())
        if (ast.get_docstring(tree) or "").startswith("(edge)"):
            continue
        touched = {name.split(".")[0] for name in _imports(path)} & TOUCHES_THE_WORLD
        assert not touched, f"{path.name} imports {touched}"
        calls = {
            f"{node.func.value.id}.{node.func.attr}"
            for node in ast.walk(tree)
            if isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute)
            and isinstance(node.func.value, ast.Name)
        }
        assert not calls & {"datetime.now", "datetime.utcnow", "date.today"}, path.name


def test_top_level_holds_nothing_more_than_the_plan() -> None:
    """The top level is the agreed one (what git ignores does not count)."""
    ignored = {line.strip().rstrip("/") for line in (ROOT / ".gitignore").read_text().splitlines()}
    present = {path.name for path in ROOT.iterdir() if path.name not in ignored and not path.name.endswith(".egg-info")}
    assert present <= TOP_LEVEL


def test_every_limit_has_a_basis_a_source_and_lies_within_its_bounds() -> None:
    """One page of numbers: each with unit, bounds, basis and source."""
    rows = [row for row in vars(limits).values() if isinstance(row, limits.Limit)]
    groups = (*limits.LimitGroup.__subclasses__(), *limits.FINDINGS.values())
    rows += [row for group in groups for row in group.rows().values()]
    assert len(rows) > 300
    for row in rows:
        assert row.low <= row.value <= row.high, row
        assert row.basis in limits.BASES, row
        assert len(row.source) > 4, row
