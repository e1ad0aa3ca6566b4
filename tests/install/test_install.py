"""Installing, upgrading and removing, staged in a directory: what is made, what is kept, what a failure leaves."""

from __future__ import annotations

import os
import re
import shutil
import site
import subprocess
import sys
from pathlib import Path

import pytest

from condenser_monitor.monitor.commands.shared import EXTRA_OF
from tests.size import FULL

ROOT = Path(__file__).parents[2]
SCRIPTS = ROOT / "hardware" / "install"
TIME_LIMIT_S = 600  # a bound on what hangs
CONFIG = "boot/firmware/config.txt"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The project built once, from a copy, so that nothing is left in the source directory."""
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    skip = shutil.ignore_patterns(".git", "tests", "build", "*.egg-info", ".*_cache", "__pycache__", ".hypothesis")
    shutil.copytree(ROOT, source, ignore=skip)
    (source / "README.md").touch()
    command: list[str | Path] = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", folder, source]
    done = subprocess.run(command, capture_output=True, text=True, timeout=TIME_LIMIT_S, check=False)
    if done.returncode:  # building fetches setuptools
        (pytest.fail if FULL else pytest.skip)(f"cannot build here: {done.stderr[-300:]}")
    return next(folder.glob("*.whl"))


def _environment() -> dict[str, str]:
    """The libraries come from this interpreter, so no network is needed."""
    libraries = os.pathsep.join(site.getsitepackages())
    env = {**os.environ, "PYTHON": sys.executable, "PIP_NO_DEPS": "1", "PIP_NO_INDEX": "1", "PYTHONPATH": libraries}
    env.pop("PIP_FIND_LINKS", None)
    return env


def _run(script: str, *args: str | Path) -> subprocess.CompletedProcess[str]:
    command: list[str | Path] = [SCRIPTS / script, *args]
    return subprocess.run(
        command, env=_environment(), capture_output=True, text=True, timeout=TIME_LIMIT_S, check=False
    )


def _install(root: Path, source: Path) -> subprocess.CompletedProcess[str]:
    return _run("install.sh", "--root", root, "--from", source)


@pytest.fixture(scope="module")
def first_install(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("root")
    (root / CONFIG).parent.mkdir(parents=True)
    (root / CONFIG).write_text("dtparam=audio=on\n")
    done = _install(root, wheel)
    assert done.returncode == 0, done.stderr
    return root


@pytest.fixture
def installed(first_install: Path, tmp_path: Path) -> Path:
    """A copy of a fresh install, with a history and a site file of its owner's."""
    root = tmp_path / "root"
    shutil.copytree(first_install, root, symlinks=True)
    data = root / "var/lib/condenser-monitor"
    data.mkdir(parents=True)
    (data / "condenser-monitor.db").write_bytes(b"history")
    (root / "etc/condenser-monitor/site.toml").write_text('[site]\nid = "mine"\n')
    return root


def _owners(root: Path) -> dict[str, bytes]:
    """What belongs to the owner: every file of the site and of the history."""
    places = (root / "etc/condenser-monitor", root / "var/lib/condenser-monitor")
    return {str(path): path.read_bytes() for place in places for path in sorted(place.rglob("*")) if path.is_file()}


def _versions(root: Path) -> tuple[list[str], Path]:
    opt = root / "opt/condenser-monitor"
    return sorted(path.name for path in opt.iterdir()), (opt / "current").resolve()


def test_a_fresh_install_makes_program_site_file_and_units(first_install: Path) -> None:
    """One command: the program runs, the site file is there and only its owner and group may read it."""
    program = first_install / "opt/condenser-monitor/current/bin/condenser-monitor"
    subprocess.run([program, "--help"], check=True, capture_output=True, timeout=60, env=_environment())
    site_file = first_install / "etc/condenser-monitor/site.toml"
    assert site_file.stat().st_mode & 0o777 == 0o640
    units = {path.name for path in (first_install / "etc/systemd/system").iterdir()}
    assert units == {"condenser-monitor.service", "condenser-monitor-page.service"}
    command = first_install / "usr/local/bin/condenser-monitor"
    assert command.readlink() == Path("/opt/condenser-monitor/current/bin/condenser-monitor")
    assert "i2c_arm_baudrate=400000" in (first_install / CONFIG).read_text()


def test_what_a_monitor_does_for_its_house_comes_along() -> None:
    """Page, phone, report and completion need extras of their own: the installer asks for each, and for nothing of the
    office's."""
    asked = re.findall(r"\$\{from\}\[([a-z,]+)\]", (SCRIPTS / "install.sh").read_text())
    assert [set(extras.split(",")) for extras in asked] == [set(EXTRA_OF.values()) - {"fleet", "demo"}]


def test_an_upgrade_keeps_the_owners_files_and_one_version_to_go_back_to(wheel: Path, installed: Path) -> None:
    """Site file and history are the same to the byte; the version before stays, older ones go."""
    kept = _owners(installed)
    assert len(kept) == 2
    before = _versions(installed)[1]
    for stamp in ("20200101000000-1", "20210101000000-1"):
        (installed / f"opt/condenser-monitor/release-{stamp}").mkdir()
    done = _install(installed, wheel)
    assert done.returncode == 0, done.stderr
    names, now = _versions(installed)
    assert now != before
    assert names == ["current", before.name, now.name, "wheels"]
    assert (installed / CONFIG).read_text().count("i2c_arm_baudrate") == 1
    assert _owners(installed) == kept


def test_removal_keeps_the_owners_files_until_told_otherwise(installed: Path) -> None:
    """Services and program go; --data takes site file and history away too."""
    kept = _owners(installed)
    done = _run("remove.sh", "--root", installed)
    assert done.returncode == 0, done.stderr
    assert _owners(installed) == kept
    assert not (installed / "opt/condenser-monitor").exists()
    assert not list((installed / "etc/systemd/system").iterdir())
    assert not [path for path in (installed / "usr/local").rglob("*") if not path.is_dir()]
    assert (installed / CONFIG).read_text().strip() == "dtparam=audio=on"
    assert _run("remove.sh", "--root", installed, "--data").returncode == 0
    assert not _owners(installed)


def test_a_site_file_that_cannot_be_used_stops_the_upgrade(wheel: Path, installed: Path) -> None:
    """What the new version would refuse is found before it takes over; the message is the site file's own."""
    (installed / "etc/condenser-monitor/site.toml").write_text("[unit]\nline_hz = 55\n")
    before = _versions(installed)
    done = _install(installed, wheel)
    assert done.returncode != 0
    assert "unit.line_hz" in done.stderr
    assert _versions(installed) == before


def test_a_source_that_cannot_be_built_leaves_the_old_version(installed: Path, tmp_path: Path) -> None:
    """A broken download changes nothing."""
    before = _versions(installed)
    bad = tmp_path / "condenser_monitor-9.9.9-py3-none-any.whl"
    bad.write_bytes(b"not a wheel")
    assert _install(installed, bad).returncode != 0
    assert _versions(installed) == before


@pytest.mark.parametrize("script", ["install.sh", "remove.sh"])
@pytest.mark.parametrize("args", [["--nonsense"], ["--root"]])
def test_wrong_arguments_are_refused_before_anything_is_done(script: str, args: list[str]) -> None:
    """The script names the argument and says nothing of having begun."""
    done = _run(script, *args)
    assert done.returncode != 0
    assert args[0] in done.stderr
    assert not done.stdout


@pytest.mark.parametrize("script", ["install.sh", "remove.sh"])
def test_the_scripts_are_executable_and_strict(script: str) -> None:
    """They stop at the first error."""
    path = SCRIPTS / script
    assert os.access(path, os.X_OK)
    assert "set -euo pipefail" in path.read_text()


def test_the_shell_finds_no_fault_in_the_scripts() -> None:
    """Every script parses."""
    for path in SCRIPTS.glob("*.sh"):
        subprocess.run(["bash", "-n", path], check=True, timeout=20)
