"""The rules of the layout that a machine can keep: who may import whom, what is pure, what stands at the top level."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

import pytest

from condenser_monitor.monitor import limits

ROOT = Path(__file__).parents[1]
NAMESPACE = "condenser_monitor."
FOLDERS = ("monitor", "hardware", "web", "sim")
# What a folder may import of the others. The commands choose the parts and know all; so does what installs.
MAY = {
    "monitor": {"monitor"},
    "hardware": {"hardware", "monitor"},
    "web": {"web", "monitor"},
    "sim": {"sim", "hardware", "monitor"},
}
KNOWS_ALL = {"monitor/commands", "hardware/install"}
# What a part of monitor may import of the other parts; parts not named here may import any, but for circles.
GROUND = {"limits", "sources"}
PARTS_MAY = {
    "core": GROUND,
    "diagnosis": {"core", *GROUND},
    "baselines": {"core", *GROUND},
    "alarms": {"core", "diagnosis", *GROUND},
    "strings": {"core", "diagnosis", *GROUND},
    "engine": {"core", "diagnosis", "baselines", "alarms", *GROUND},
    "drawing": {"core", "diagnosis", "strings", "storage", *GROUND},
}
HARDWARE_MAY = {"core", *GROUND}
PAPERS_MAY = {"drawing", *HARDWARE_MAY}  # hardware/circuits makes pages and pictures, and is not imported on the Pi
PURE = ("core", "diagnosis", "baselines", "alarms", "strings", "drawing", "engine.py", "limits.py")
READS_FILES = {"monitor/core/untrusted_input.py"}  # site file and recordings, bounded
TOUCHES_THE_WORLD = {"time", "socket", "sqlite3", "threading", "subprocess", "os", "random", "paho", "urllib"}
TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "pyproject.toml", "monitor", "hardware", "web", "tests", "sim"),
    *(".ci", ".gitignore", "LICENSE", ".git", ".src"),
}


def _files(place: str) -> list[Path]:
    """The modules of a place, which is there: of a misspelt one no rule would be broken."""
    path = ROOT / place
    found = [path] if path.is_file() else sorted(path.rglob("*.py"))
    assert found, place
    return found


def _place(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def _imports(path: Path) -> set[str]:
    """The modules that a file imports, also within functions; our own without the namespace."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return {name.removeprefix(NAMESPACE) for name in names if name.rstrip(".") + "." != NAMESPACE}


def _parts(path: Path) -> set[str]:
    """The parts of monitor that a file imports."""
    return {name.split(".")[1] for name in _imports(path) if name.startswith("monitor.")}


def _knows_all(path: Path) -> bool:
    return any(_place(path).startswith(f"{place}/") for place in KNOWS_ALL)


def test_the_imports_are_found() -> None:
    """What the tests below look at is not empty: the engine imports the core, the page the monitor."""
    assert "core" in _parts(ROOT / "monitor" / "engine.py")
    assert "monitor" in {name.split(".")[0] for name in _imports(ROOT / "web" / "app.py")}


@pytest.mark.parametrize("folder", FOLDERS)
def test_imports_point_inward(folder: str) -> None:
    """hardware -> monitor; sim -> hardware, monitor; web -> monitor; monitor -> none, but for its commands."""
    for path in _files(folder):
        if not _knows_all(path):
            folders = {name.split(".")[0] for name in _imports(path)} & set(FOLDERS)
            assert folders <= MAY[folder], f"{_place(path)} imports {folders - MAY[folder]}"


@pytest.mark.parametrize("part", PARTS_MAY)
def test_parts_of_monitor_import_only_what_stands_below_them(part: str) -> None:
    """core -> none; diagnosis, baselines, alarms -> core; the engine joins them; drawing knows no page."""
    for path in _files(f"monitor/{part}" if (ROOT / "monitor" / part).is_dir() else f"monitor/{part}.py"):
        others = _parts(path) - {part}
        assert others <= PARTS_MAY[part], f"{_place(path)} imports {others - PARTS_MAY[part]}"


def test_no_two_packages_import_each_other() -> None:
    """Not lazily either: an import within a function counts."""
    imported: dict[str, set[str]] = defaultdict(set)
    for folder in FOLDERS:
        for path in _files(folder):
            mine = _package(_place(path).removesuffix(".py").replace("/", "."))
            found = {_package(name) for name in _imports(path) if name.split(".")[0] in FOLDERS} - {mine}
            imported[mine] |= found
    circles = {
        tuple(sorted((one, other))) for one in imported for other in imported[one] if one in imported.get(other, ())
    }
    assert circles == set()


def _package(name: str) -> str:
    """The package that a module stands in: a part of monitor, a folder's sub-package, or the folder itself."""
    parts = name.split(".")
    below = len(parts) > 1 and (parts[0] == "monitor" or (ROOT / parts[0] / parts[1]).is_dir())
    return ".".join(parts[:2]) if below else parts[0]


def test_hardware_knows_only_the_core_of_monitor() -> None:
    """From monitor, the drivers take records, errors, limits and settings, and nothing that judges."""
    for path in _files("hardware"):
        if not _knows_all(path):
            may = PAPERS_MAY if "circuits" in path.parts else HARDWARE_MAY
            assert _parts(path) <= may, f"{_place(path)} imports {_parts(path) - may}"


@pytest.mark.parametrize("part", PURE)
def test_what_is_pure_touches_neither_clock_nor_file_nor_socket(part: str) -> None:
    """Every file of these parts; the site file is read through pathlib."""
    for path in _files(f"monitor/{part}"):
        if _place(path) in READS_FILES:
            continue
        touched = {name.split(".")[0] for name in _imports(path)} & TOUCHES_THE_WORLD
        assert not touched, f"{path.name} imports {touched}"
        calls = {
            f"{node.func.value.id}.{node.func.attr}"
            for node in ast.walk(ast.parse(path.read_text()))
            if isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute)
            and isinstance(node.func.value, ast.Name)
        }
        assert not calls & {"datetime.now", "datetime.utcnow", "date.today"}, path.name


def test_top_level_holds_nothing_more_than_the_plan() -> None:
    """The top level is the agreed one (what git ignores, or a source distribution adds, does not count)."""
    ignored = {line.strip().rstrip("/") for line in (ROOT / ".gitignore").read_text().splitlines()} | {"PKG-INFO"}
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
