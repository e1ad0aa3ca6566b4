"""Installing, upgrading and removing, staged in a directory: what is made, what is kept, what a failure leaves."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import site
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from condenser_monitor.monitor.commands.shared import EXTRA_OF
from tests.size import FULL, long_one

pytestmark = long_one

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


@pytest.fixture(scope="module", autouse=True)
def shared_virtualenv(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The Python that the installer is given here makes its virtual environments as copies of one, which takes a tenth
    of the time; `own_venv` below has the installer make its own."""
    folder = tmp_path_factory.mktemp("python")
    subprocess.run([sys.executable, "-m", "venv", folder / "venv"], check=True, timeout=TIME_LIMIT_S)
    python = folder / "python"
    python.write_text(
        f'#!/bin/sh\nif [ "$1 $2" = "-m venv" ]; then exec cp -a {folder}/venv "$3"; fi\nexec {sys.executable} "$@"\n'
    )
    python.chmod(0o755)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHON", str(python))
        yield


def _environment() -> dict[str, str]:
    """The libraries come from this interpreter, so no network is needed."""
    libraries = os.pathsep.join(site.getsitepackages())
    env = {**os.environ, "PIP_NO_DEPS": "1", "PIP_NO_INDEX": "1", "PYTHONPATH": libraries}
    env.pop("PIP_FIND_LINKS", None)
    return env


def _run(script: str, *args: str | Path, umask: int = -1, own_venv: bool = False) -> subprocess.CompletedProcess[str]:
    command: list[str | Path] = [SCRIPTS / script, *args]
    env = _environment() | ({"PYTHON": sys.executable} if own_venv else {})
    return subprocess.run(
        command, env=env, capture_output=True, text=True, timeout=TIME_LIMIT_S, check=False, umask=umask
    )


def _install(root: Path, source: Path, umask: int = -1, *, own_venv: bool = False) -> subprocess.CompletedProcess[str]:
    return _run("install.sh", "--root", root, "--from", source, umask=umask, own_venv=own_venv)


@pytest.fixture(scope="module")
def first_install(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("root")
    (root / CONFIG).parent.mkdir(parents=True)
    (root / CONFIG).write_text("dtparam=audio=on\n")
    done = _install(root, wheel, own_venv=True)
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
    asked = re.findall(r'from\+="\[([a-z,]+)\]"', (SCRIPTS / "install.sh").read_text())
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
    assert names == ["current", "previous", before.name, now.name, "wheels"]
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


def test_an_upgrade_takes_plugins_along_or_says_which_it_cannot(wheel: Path, installed: Path, tmp_path: Path) -> None:
    """One that was installed from a folder, which no index has, goes along; its table in the site file is accepted. One
    whose files nobody can name stops the upgrade while nothing has changed."""
    site_file = installed / "etc/condenser-monitor/site.toml"
    site_file.write_text(f'[plugins.lines]\nfile = "{tmp_path / "lines.txt"}"\n')
    example = tmp_path / "example"
    shutil.copytree(ROOT / "tests/examples/lines_publisher", example)
    pip: list[str | Path] = [_versions(installed)[1] / "bin/python", "-m", "pip", "install", "-q"]
    subprocess.run([*pip, "--no-build-isolation", example], env=_environment(), check=True, timeout=TIME_LIMIT_S)
    before = _versions(installed)[1]

    done = _install(installed, wheel)
    assert done.returncode == 0, done.stderr
    assert "plug-in lines-publisher==1.0.0 comes along" in done.stdout
    now = _versions(installed)[1]
    assert now != before
    assert list(now.rglob("lines_publisher.py"))

    (record,) = now.rglob("lines_publisher-*/RECORD")
    record.unlink()
    done = _install(installed, wheel)
    assert done.returncode != 0
    assert "lines-publisher==1.0.0" in done.stderr
    assert _versions(installed)[1] == now


def test_a_source_that_cannot_be_built_leaves_the_old_version(installed: Path, tmp_path: Path) -> None:
    """A broken download changes nothing."""
    before = _versions(installed)
    bad = tmp_path / "condenser_monitor-9.9.9-py3-none-any.whl"
    bad.write_bytes(b"not a wheel")
    assert _install(installed, bad).returncode != 0
    assert _versions(installed) == before


@pytest.mark.parametrize("umask", [0o000, 0o027, 0o077], ids=oct)
def test_everybody_can_run_the_program_and_nobody_change_it_whatever_roots_mask(
    wheel: Path, tmp_path: Path, umask: int
) -> None:
    """The services' user is nobody special: it reads and runs what root installed, under any mask of root's shell."""
    root = tmp_path / "root"
    done = _install(root, wheel, umask, own_venv=True)
    assert done.returncode == 0, done.stderr
    for path in (root / "opt", *(root / "opt").rglob("*"), *(root / "usr").rglob("*")):
        if path.is_symlink():
            continue
        mode = path.stat().st_mode & 0o777
        assert mode & 0o022 == 0, (path, oct(mode))
        assert mode & 0o444 == 0o444, (path, oct(mode))
        assert not path.is_dir() or mode & 0o111 == 0o111, (path, oct(mode))
    site_file = root / "etc/condenser-monitor/site.toml"
    assert site_file.stat().st_mode & 0o777 == 0o640


def test_a_first_install_that_fails_leaves_nothing(tmp_path: Path) -> None:
    """Neither folders, nor site file, nor the speed of the bus; what was there before stays."""
    root, bad = tmp_path / "root", tmp_path / "condenser_monitor-9.9.9-py3-none-any.whl"
    bad.write_bytes(b"not a wheel")
    (root / CONFIG).parent.mkdir(parents=True)
    (root / CONFIG).write_text("dtparam=audio=on\n")
    before = sorted(root.rglob("*"))
    assert _install(root, bad).returncode != 0
    assert sorted(root.rglob("*")) == before
    assert (root / CONFIG).read_text() == "dtparam=audio=on\n"


def test_a_first_install_that_fails_late_leaves_nothing(wheel: Path, tmp_path: Path) -> None:
    """A site file of an earlier life that cannot be used stops it; that file stays, nothing else is there."""
    root = tmp_path / "root"
    site_file = root / "etc/condenser-monitor/site.toml"
    site_file.parent.mkdir(parents=True)
    site_file.write_text("[unit]\nline_hz = 55\n")
    before = sorted(root.rglob("*"))
    assert _install(root, wheel).returncode != 0
    assert sorted(root.rglob("*")) == before


@pytest.mark.parametrize("at", ["pip", "tar"], ids=["while building", "while copying"])
def test_an_upgrade_that_is_ended_midway_changes_nothing(wheel: Path, installed: Path, tmp_path: Path, at: str) -> None:
    """SIGTERM to the installer during its longest steps: it says so by its status, and the old version is in force with
    nothing of the new one left; the next run succeeds."""
    kept, before = _owners(installed), _versions(installed)
    tools = tmp_path / "tools"
    tools.mkdir()
    signal_it = "kill -TERM $(cat {}) && "
    pid = tmp_path / "pid"
    if at == "tar":
        real = shutil.which("tar")
        (tools / "tar").write_text(f'#!/bin/sh\n{signal_it.format(pid)}exec {real} "$@"\n')
        source: Path = ROOT
    else:
        (tools / "python").write_text(
            f'#!/bin/sh\n[ "$2" != venv ] || {{ {signal_it.format(pid)}:; }}\nexec {os.environ["PYTHON"]} "$@"\n'
        )
        source = wheel
    for tool in tools.iterdir():
        tool.chmod(0o755)
    env = {**_environment(), "PATH": f"{tools}:{os.environ['PATH']}"}
    env |= {} if at == "tar" else {"PYTHON": str(tools / "python")}
    script = f'echo $$ >{pid}; exec "$@"'
    command: list[str | Path] = ["bash", "-c", script, "-", SCRIPTS / "install.sh", "--root", installed]
    command += ["--from", source]
    done = subprocess.run(command, env=env, capture_output=True, text=True, timeout=TIME_LIMIT_S, check=False)
    assert done.returncode == 143, done.stderr
    assert _versions(installed) == before
    assert _owners(installed) == kept
    assert _install(installed, wheel).returncode == 0


def test_going_back_is_a_command_and_the_version_in_force_is_never_deleted(wheel: Path, installed: Path) -> None:
    """Upgrade, go back, upgrade again: the version gone back to is kept, the one that was left goes."""
    first = _versions(installed)[1]
    assert _install(installed, wheel).returncode == 0
    second = _versions(installed)[1]
    unit = installed / "etc/systemd/system/condenser-monitor.service"
    (first / "system/etc/systemd/system/condenser-monitor.service").write_text("# the first version's own\n")
    kept = _owners(installed)

    done = _run("rollback.sh", "--root", installed)
    assert done.returncode == 0, done.stderr
    assert _versions(installed)[1] == first
    assert unit.read_text() == "# the first version's own\n"
    assert _owners(installed) == kept
    shown = _run("rollback.sh", "--root", installed, "--show").stdout
    assert [line.split()[-2] for line in shown.splitlines()] == [first.name, second.name]

    assert _install(installed, wheel).returncode == 0
    names, third = _versions(installed)
    assert third not in (first, second)
    assert names == ["current", "previous", first.name, third.name, "wheels"]
    assert _run("rollback.sh", "--root", installed).returncode == 0
    assert _versions(installed)[1] == first
    assert _run("rollback.sh", "--root", installed).returncode == 0
    assert _versions(installed)[1] == third


def test_going_back_is_refused_where_it_would_stop_the_watch(wheel: Path, installed: Path) -> None:
    """No version before, or one that does not start: the present one stays, and the reason is given."""
    before = _versions(installed)
    done = _run("rollback.sh", "--root", installed)
    assert done.returncode == 1
    assert "no version to go back to" in done.stderr
    assert _versions(installed) == before
    assert _install(installed, wheel).returncode == 0
    before = _versions(installed)
    program = installed / "opt/condenser-monitor/previous/bin/condenser-monitor"
    program.write_text("#!/bin/sh\nexit 1\n")
    done = _run("rollback.sh", "--root", installed)
    assert done.returncode == 1
    assert "does not start" in done.stderr
    assert _versions(installed) == before


def test_a_version_from_before_this_was_kept_can_be_gone_back_to(wheel: Path, installed: Path) -> None:
    """Its services and commands are put beside it when it is replaced, and come back with it. The history that 0.1.0
    kept in memory, and is writing still, is on the card then."""
    kept, data = (
        installed / place / "condenser-monitor.db" for place in ("run/condenser-monitor", "var/lib/condenser-monitor")
    )
    kept.parent.mkdir(parents=True)
    data.unlink()
    writing = sqlite3.connect(kept)
    writing.executescript("PRAGMA journal_mode = WAL; CREATE TABLE events (id); INSERT INTO events VALUES ('begun');")
    first = _versions(installed)[1]
    shutil.rmtree(first / "system")
    unit = installed / "etc/systemd/system/condenser-monitor.service"
    unit.write_text("# of 0.1.0\n")
    assert _install(installed, wheel).returncode == 0
    assert unit.read_text() != "# of 0.1.0\n"
    writing.close()
    with closing(sqlite3.connect(data)) as found:
        assert found.execute("SELECT id FROM events").fetchall() == [("begun",)]
    assert _run("rollback.sh", "--root", installed).returncode == 0
    assert unit.read_text() == "# of 0.1.0\n"


def _small_wheel(folder: Path) -> Path:
    """A package of one module, as a wheel is made by hand (PyPA's binary distribution format)."""
    path = folder / "orchard_pin-1.0-py3-none-any.whl"
    info = "orchard_pin-1.0.dist-info"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("orchard_pin.py", "HELD = True\n")
        archive.writestr(f"{info}/METADATA", "Metadata-Version: 2.1\nName: orchard-pin\nVersion: 1.0\n")
        archive.writestr(
            f"{info}/WHEEL", "Wheel-Version: 1.0\nGenerator: a test\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
        )
        archive.writestr(f"{info}/RECORD", "")
    return path


def test_packages_are_held_to_their_hashes_where_asked(wheel: Path, installed: Path, tmp_path: Path) -> None:
    """The package that the file of pins names is installed when its hash is right; with another hash the upgrade stops
    and the old version goes on. The file stays with the version, and a source that must be built is refused."""
    small = _small_wheel(tmp_path)
    shutil.copy(small, installed / "opt/condenser-monitor/wheels")
    pins = tmp_path / "pins.txt"

    def install(digest: str, source: Path = wheel) -> subprocess.CompletedProcess[str]:
        pins.write_text(f"orchard-pin==1.0 --hash=sha256:{digest}\n")
        return _run("install.sh", "--root", installed, "--from", source, "--pins", pins)

    done = install(hashlib.sha256(b"another").hexdigest())
    assert done.returncode != 0
    assert "DO NOT MATCH THE HASHES" in done.stderr
    before = _versions(installed)
    done = install(hashlib.sha256(small.read_bytes()).hexdigest())
    assert done.returncode == 0, done.stderr
    current = installed / "opt/condenser-monitor/current"
    assert _versions(installed) != before
    assert (current / "pins.txt").read_text() == pins.read_text()
    assert list(current.glob("lib/python3*/site-packages/orchard_pin.py"))
    assert "wants a wheel" in install("0" * 64, ROOT).stderr


def test_a_bundle_installs_what_lies_in_it_and_on_its_kind_of_machine_only(wheel: Path, tmp_path: Path) -> None:
    """Unpacked, one command that needs no argument and no index: its packages, each held to its hash."""
    folder, root = tmp_path / "unpacked", tmp_path / "root"
    shutil.copytree(SCRIPTS, folder)
    (folder / "bundle").mkdir()
    shutil.copy(wheel, folder / "bundle")
    digest = hashlib.sha256(_small_wheel(folder / "bundle").read_bytes()).hexdigest()
    (folder / "bundle/pins.txt").write_text(f"orchard-pin==1.0 --hash=sha256:{digest}\n")
    (folder / "bundle/for").write_text("3.13 pdp11\n")
    done = _run(str(folder / "install.sh"), "--root", root)
    assert "3.13 pdp11" in done.stderr
    assert not root.exists()
    (folder / "bundle/for").write_text(f"{sys.version_info[0]}.{sys.version_info[1]} {os.uname().machine}\n")
    done = _run(str(folder / "install.sh"), "--root", root)
    assert done.returncode == 0, done.stderr
    assert list(root.glob("opt/condenser-monitor/current/lib/python3*/site-packages/orchard_pin.py"))


@pytest.mark.parametrize("script", ["install.sh", "rollback.sh", "remove.sh"])
@pytest.mark.parametrize("args", [["--nonsense"], ["--root"]])
def test_wrong_arguments_are_refused_before_anything_is_done(script: str, args: list[str]) -> None:
    """The script names the argument and says nothing of having begun."""
    done = _run(script, *args)
    assert done.returncode != 0
    assert args[0] in done.stderr
    assert not done.stdout


@pytest.mark.parametrize("script", ["install.sh", "rollback.sh", "remove.sh"])
def test_the_scripts_are_executable_and_strict(script: str) -> None:
    """They stop at the first error."""
    path = SCRIPTS / script
    assert os.access(path, os.X_OK)
    assert "set -euo pipefail" in path.read_text()


def test_the_shell_finds_no_fault_in_the_scripts() -> None:
    """Every script parses."""
    for path in SCRIPTS.glob("*.sh"):
        subprocess.run(["bash", "-n", path], check=True, timeout=20)
