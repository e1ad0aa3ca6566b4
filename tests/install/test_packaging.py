"""Source distribution and wheel, built and used outside the tree: what is in them, byte for byte, and that they run."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

import condenser_monitor.monitor as installed
from tests.size import FULL, long_one

pytestmark = long_one

ROOT = Path(__file__).parents[2]
ROOMS = ("monitor", "hardware", "web", "sim")
NAME = f"condenser_monitor-{installed.__version__}"
# What a wheel must not bring along, though it lies among what it brings.
LEFT_OUT = re.compile(r"hardware/circuits/|web/pictures/|install/(try-|build-|debian/)|sim/fixtures\.py|^tests/|\.src")


def _python(*arguments: str | Path, cwd: Path, umask: int = 0o022, **environment: str) -> str:
    """Run this interpreter with nothing of the tree on its path; what it printed."""
    env = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"} | environment
    command = [sys.executable, *map(str, arguments)]
    done = subprocess.run(
        command, cwd=cwd, env=env, umask=umask, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def _built(folder: Path, umask: int) -> Path:
    """Both, from a copy of the tree made under this umask: the sdist, and the wheel from that sdist."""
    source = folder / "source"
    skip = shutil.ignore_patterns(
        ".git", ".venv", "build", "dist", "*.egg-info", ".*_cache", "__pycache__", ".hypothesis"
    )
    before = os.umask(umask)
    try:
        shutil.copytree(ROOT, source, symlinks=True, ignore=skip, copy_function=shutil.copyfile)
    finally:
        os.umask(before)
    _python("-m", "build", "--no-isolation", "--outdir", folder / "dist", source, cwd=folder, umask=umask)
    return folder / "dist"


@pytest.fixture(scope="module")
def dist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a release would hold. Needs the extra `release`."""
    for package in ("build", "hatchling"):
        if not shutil.which(sys.executable) or _missing(package):
            (pytest.fail if FULL else pytest.skip)(f"{package} is not installed")
    return _built(tmp_path_factory.mktemp("dist"), 0o022)


def _missing(package: str) -> bool:
    from importlib.util import find_spec

    return find_spec(package) is None


@pytest.fixture(scope="module")
def unpacked(dist: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The source distribution, unpacked far from the tree."""
    folder = tmp_path_factory.mktemp("sdist")
    with tarfile.open(dist / f"{NAME}.tar.gz") as file:
        file.extractall(folder, filter="data")
    return folder / NAME


@pytest.fixture(scope="module")
def site_packages(dist: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with the wheel installed and nothing else."""
    folder = tmp_path_factory.mktemp("installed")
    wheel = dist / f"{NAME}-py3-none-any.whl"
    _python("-m", "pip", "install", "-q", "--no-deps", "--no-index", "--target", folder, wheel, cwd=folder)
    return folder


def _files(room: str) -> set[str]:
    """Every file of a room that git would keep."""
    found = (path for path in (ROOT / room).rglob("*") if path.is_file() and "__pycache__" not in path.parts)
    return {path.relative_to(ROOT).as_posix() for path in found}


def test_the_wheel_holds_all_that_runs_and_no_more(dist: Path) -> None:
    """Each file of the four rooms, but for what is left out on purpose; the same set from any umask."""
    with zipfile.ZipFile(dist / f"{NAME}-py3-none-any.whl") as wheel:
        names = {name.removeprefix("condenser_monitor/") for name in wheel.namelist() if "dist-info" not in name}
    wanted = {name for room in ROOMS for name in _files(room) if not LEFT_OUT.search(name)}
    assert names == wanted
    for kind in ("web/templates/status.html", "sim/scenarios/story.toml", "monitor/pages/limits.md"):
        assert kind in names
    assert any(name.startswith("monitor/fleet/migrations/versions/0") for name in names)


def test_the_source_distribution_holds_every_test(unpacked: Path) -> None:
    """All rooms, tests with their data, and the means to build and check; no links, which would be copies."""
    assert {path.relative_to(unpacked).as_posix() for path in unpacked.rglob("*.py")} >= {
        name for room in (*ROOMS, "tests") for name in _files(room) if name.endswith(".py")
    }
    assert (unpacked / ".ci" / "run").is_file()
    assert not (unpacked / ".src").exists()
    assert len(list((unpacked / "tests" / "data").rglob("*.csv"))) > 20


@pytest.mark.parametrize("umask", [0o077, 0o002])
def test_both_are_the_same_byte_for_byte_whatever_the_umask(dist: Path, tmp_path: Path, umask: int) -> None:
    """A build on another machine is the same file."""
    for path in _built(tmp_path, umask).iterdir():
        assert path.read_bytes() == (dist / path.name).read_bytes(), path.name


def test_the_wheel_runs_where_there_is_no_tree(site_packages: Path, tmp_path: Path) -> None:
    """Version, a scenario under the shipped drivers, the pages of unit and office, the installer's files."""

    def program(*arguments: str | Path) -> str:
        return _python("-m", "condenser_monitor.monitor.cli", *arguments, cwd=tmp_path, PYTHONPATH=str(site_packages))

    assert program("--version") == f"condenser-monitor {installed.__version__}\n"
    program("simulate", "drain-pan-full")
    program("installer", tmp_path / "files")
    names = {path.name for path in (tmp_path / "files").iterdir()}
    assert names >= {"install.sh", "condenser-monitor.service", "site.toml", "condenser-monitor.1", "completion.bash"}
    assert not any(name.startswith("try-") for name in names)
    code = (
        "import condenser_monitor.web as web; from condenser_monitor.web.app import create_app;"
        "from condenser_monitor.monitor.core.config import Settings;"
        "page = create_app('h.db', Settings()).test_client();"
        "print(web.__file__, *(page.get(at).status_code for at in ('/', '/health', '/history', '/static/style.css')))"
    )
    place, *codes = _python("-c", code, cwd=tmp_path, PYTHONPATH=str(site_packages)).split()
    assert place.startswith(str(site_packages))
    assert codes == ["200"] * 4


def test_tests_pass_from_the_unpacked_source(unpacked: Path, tmp_path: Path) -> None:
    """An editable install makes the links that the source distribution leaves out; tests then run from there."""
    target = tmp_path / "editable"
    _python(
        *("-m", "pip", "install", "-q", "--no-deps", "--no-index", "--no-build-isolation", "--target", target),
        *("-e", unpacked),
        cwd=tmp_path,
    )
    [link] = target.glob("*.pth")
    path = link.read_text().strip()
    assert Path(path) == unpacked / ".src"
    code = "import condenser_monitor.monitor as m; print(m.__file__)"
    assert _python("-c", code, cwd=tmp_path, PYTHONPATH=path).startswith(str(unpacked))
    tests = ("tests/test_new_parts.py", "tests/monitor/test_config.py", "tests/web/test_headline.py")
    _python("-m", "pytest", "-n", "0", "-p", "no:cacheprovider", *tests, cwd=unpacked, PYTHONPATH=path)


def test_the_metadata_say_what_it_is() -> None:
    """One version number; a licence by its SPDX expression; no host of a registry anywhere in the recipe."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert project["license"] == "MIT"
    assert "version" not in project
    assert re.fullmatch(r"\d+\.\d+\.\d+", installed.__version__)
    assert not re.search(r"pypi\.org|pythonhosted|index-url", (ROOT / "pyproject.toml").read_text())
