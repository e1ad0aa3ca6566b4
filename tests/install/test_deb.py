"""The Debian package: what is in it, and that a purge keeps the owner's files until it is told otherwise."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.size import FULL, long_one

pytestmark = long_one

INSTALL = Path(__file__).parents[2] / "hardware" / "install"


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package built by its command, unpacked with its control files."""
    folder = tmp_path_factory.mktemp("deb")
    if shutil.which("dpkg-deb") is None:
        pytest.skip("dpkg-deb is not here")
    command: list[str | Path] = [INSTALL / "build-deb.sh", folder]
    done = subprocess.run(command, capture_output=True, text=True, timeout=600, check=False, umask=0o077)
    if done.returncode:  # building fetches what Debian has not
        (pytest.fail if FULL else pytest.skip)(f"cannot build here: {done.stderr[-300:]}")
    made = Path(done.stdout.split()[-1])
    subprocess.run(["dpkg-deb", "--raw-extract", made, folder / "tree"], check=True, timeout=60)
    return folder / "tree"


def test_the_package_holds_program_services_and_nothing_compiled(package: Path) -> None:
    """One package for every machine: plain Python; everybody can read it and only root write it, whatever the mask."""
    lib = package / "usr/lib/condenser-monitor"
    assert (lib / "condenser_monitor/monitor/cli.py").is_file()
    assert (lib / "adafruit_ads1x15").is_dir()
    assert not [
        path
        for path in lib.rglob("*")
        if path.suffix in {".so", ".pyc"} or (path.name.startswith("libgpiod_pulsein") and not path.suffix)
    ]
    for path in (package / "usr").rglob("*"):
        mode = path.stat().st_mode & 0o777
        assert mode in ({0o755} if path.is_dir() else {0o644, 0o755}), (path, oct(mode))
    for unit in (package / "usr/lib/systemd/system").iterdir():
        assert "ExecStart=/usr/bin/condenser-monitor " in unit.read_text()
    assert "PROGRAM=/usr/bin/$NAME" in (package / "usr/bin/condenser-monitor-by-hand").read_text()
    control = (package / "DEBIAN/control").read_text()
    assert "Architecture: all\n" in control
    assert "python3-msgspec, python3-paho-mqtt (>= 2.0)" in control


def test_the_packaged_program_starts(package: Path, tmp_path: Path) -> None:
    """By its own command, the package's directory in place of the system's, on a Python with what Debian brings."""
    program = tmp_path / "program"
    text = (package / "usr/bin/condenser-monitor").read_text()
    assert " python3 -P " in text
    text = text.replace(" python3 -P ", f" {sys.executable} -P ")
    program.write_text(text.replace("/usr/lib/", f"{package}/usr/lib/"))
    done = subprocess.run(["sh", program, "--version"], capture_output=True, text=True, timeout=60, check=True, cwd="/")
    assert done.stdout.startswith("condenser-monitor ")


@pytest.mark.parametrize("told", [False, True])
def test_a_purge_keeps_site_file_and_history_until_told_otherwise(tmp_path: Path, told: bool) -> None:
    """The package's own script, with its directories moved aside."""
    script = (INSTALL / "debian/postrm").read_text()
    for place in ("/etc/$NAME", "/var/lib/$NAME"):
        script = script.replace(f'"{place}', f'"{tmp_path}{place}')
    script = script.replace("getent passwd", "false").replace("command -v", "false")
    etc, data = tmp_path / "etc/condenser-monitor", tmp_path / "var/lib/condenser-monitor"
    for folder in (etc, data):
        folder.mkdir(parents=True)
    (etc / "site.toml").write_text("mine")
    (data / "condenser-monitor.db").write_bytes(b"history")
    if told:
        (data / "delete-with-the-program").touch()
    for action in ("remove", "purge"):
        assert (etc / "site.toml").exists()
        assert (data / "condenser-monitor.db").exists()
        subprocess.run(["sh", "-c", script, "postrm", action], check=True, timeout=20)
    assert etc.exists() is data.exists() is not told


@pytest.mark.parametrize("name", ["preinst", "postinst", "prerm", "postrm"])
def test_the_maintainer_scripts_parse_and_stop_at_errors(name: str) -> None:
    path = INSTALL / "debian" / name
    subprocess.run(["sh", "-n", path], check=True, timeout=20)
    assert "\nset -e\n" in path.read_text()
