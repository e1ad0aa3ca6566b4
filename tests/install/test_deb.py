"""The Debian package: what is in it, and that a purge keeps the owner's files until it is told otherwise."""

from __future__ import annotations

import itertools
import shutil
import subprocess
import sys
from importlib.metadata import distributions
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


def test_the_package_of_a_higher_version_is_the_same_but_for_what_is_asked(package: Path, tmp_path: Path) -> None:
    """For the trials' upgrades: dpkg itself says that the version is higher; a change of one file changes that file."""
    first, second, third = (tmp_path / f"{number}.deb" for number in (1, 2, 3))
    subprocess.run(["dpkg-deb", "--root-owner-group", "-Zgzip", "-b", package, first], check=True, timeout=60)
    script = INSTALL / "try-another.sh"
    subprocess.run([script, first, second, "2"], check=True, timeout=120)
    ends = r"s/^def _run(args.*/&\n    raise SystemExit(5)/"
    subprocess.run([script, first, third, "3", ends], check=True, timeout=120)
    ask = ["dpkg-deb", "-f"]
    versions = [subprocess.check_output([*ask, deb, "Version"], text=True).strip() for deb in (first, second, third)]
    for lower, higher in itertools.pairwise(versions):
        subprocess.run(["dpkg", "--compare-versions", lower, "lt", higher], check=True)
    for deb in (second, third):
        subprocess.run(["dpkg-deb", "-x", deb, tmp_path / deb.stem], check=True, timeout=60)
    differ = [
        str(path.relative_to(package))
        for path in sorted((package / "usr").rglob("*"))
        if path.is_file() and path.read_bytes() != (tmp_path / "3" / path.relative_to(package)).read_bytes()
    ]
    assert differ == ["usr/lib/condenser-monitor/condenser_monitor/monitor/commands/live.py"]
    same = [path for path in (package / "usr").rglob("*") if path.is_file()]
    assert all(path.read_bytes() == (tmp_path / "2" / path.relative_to(package)).read_bytes() for path in same)


def test_the_packaged_program_starts(package: Path, tmp_path: Path) -> None:
    """By its own command, the package's directory in place of the system's, on a Python with what Debian brings."""
    program = tmp_path / "program"
    text = (package / "usr/bin/condenser-monitor").read_text()
    assert " python3 -P " in text
    text = text.replace(" python3 -P ", f" {sys.executable} -P ")
    program.write_text(text.replace("/usr/lib/", f"{package}/usr/lib/"))
    done = subprocess.run(["sh", program, "--version"], capture_output=True, text=True, timeout=60, check=True, cwd="/")
    assert done.stdout.startswith("condenser-monitor ")


def _laid_out_by_the_installer(root: Path) -> Path:
    """As install.sh leaves it, in as far as the package's script looks: a Python, the program, a plug-in of the owner's
    that needs a package of its own and one that the program needs too; its packages' directory."""
    release = root / "opt/condenser-monitor/release-1"
    (release / "bin").mkdir(parents=True)
    (release / "bin/python").symlink_to(sys.executable)
    (release.parent / "current").symlink_to("release-1")
    place = release / f"lib/python{sys.version_info[0]}.{sys.version_info[1]}/site-packages"
    needs = {
        "condenser-monitor": ['msgspec ; extra == "web"'],
        "lines-publisher": ["condenser-monitor", "orchard-pin>=1", "msgspec"],
        "orchard-pin": [],
        "msgspec": [],
    }
    for name, needed in needs.items():
        module, info = f"{name.replace('-', '_')}.py", f"{name.replace('-', '_')}-1.0.dist-info"
        (place / info).mkdir(parents=True)
        (place / module).write_text(f"NAME = {name!r}\n")
        rows = ["Metadata-Version: 2.1", f"Name: {name}", "Version: 1.0", *(f"Requires-Dist: {one}" for one in needed)]
        (place / info / "METADATA").write_text("\n".join(rows) + "\n")
        (place / info / "WHEEL").write_text("Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
        (place / info / "RECORD").write_text(f"{module},,\n{info}/METADATA,,\n{info}/WHEEL,,\n{info}/RECORD,,\n")
    points = place / "lines_publisher-1.0.dist-info/entry_points.txt"
    points.write_text("[condenser_monitor.publishers]\nlines = lines_publisher:PLUGIN\n")
    with (points.parent / "RECORD").open("a") as record:
        record.write(f"{points.relative_to(place)},,\n")
    return place


def _before_its_files_come(root: Path) -> subprocess.CompletedProcess[str]:
    """The package's own script, built as build-deb.sh does it, with its directories moved below `root`."""
    script = (INSTALL / "debian/preinst").read_text()
    for place in ("/opt/", "/usr/local/", "/etc/", "/run/systemd/"):
        script = script.replace(f"={place}", f"={root}{place}").replace(f" {place}", f" {root}{place}")
    script = script.replace("@ADDED_PACKAGES@\n", (INSTALL / "added-packages.py").read_text())
    command = ["sh", "-c", script, "preinst", "install"]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_plugins_of_an_installation_by_the_installer_go_along(tmp_path: Path) -> None:
    """Into the folder that the packaged command looks into, with what they alone need; so Python finds them there."""
    _laid_out_by_the_installer(tmp_path)
    done = _before_its_files_come(tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["lines-publisher==1.0"]
    assert not (tmp_path / "opt/condenser-monitor").exists()
    folder = "/usr/local/lib/condenser-monitor/plugins"
    assert f":{folder}\n" in (INSTALL / "build-deb.sh").read_text()
    found = {one.metadata["Name"]: one for one in distributions(path=[f"{tmp_path}{folder}"])}
    assert set(found) == {"lines-publisher", "orchard-pin"}
    (point,) = found["lines-publisher"].entry_points
    assert (point.group, point.name) == ("condenser_monitor.publishers", "lines")
    assert (Path(f"{tmp_path}{folder}") / "orchard_pin.py").is_file()


@pytest.mark.parametrize("why", ["no list of files", "compiled for another Python"])
def test_a_plugin_that_cannot_go_along_stops_the_package_before_anything_changes(tmp_path: Path, why: str) -> None:
    """It is named; the installation stays to the byte until the owner says that he goes without."""
    place = _laid_out_by_the_installer(tmp_path)
    info = place / "orchard_pin-1.0.dist-info"
    if why == "no list of files":
        (info / "RECORD").unlink()
    else:
        (place / "orchard_pin.cpython-36m.so").write_bytes(b"compiled")
        with (info / "RECORD").open("a") as record:
            record.write("orchard_pin.cpython-36m.so,,\n")
        place.parent.rename(place.parent.with_name("python3.6"))
    before = {path: path.is_file() and path.read_bytes() for path in sorted(tmp_path.rglob("*"))}
    done = _before_its_files_come(tmp_path)
    assert done.returncode == 1
    assert done.stderr.startswith("orchard-pin\n")
    assert {path: path.is_file() and path.read_bytes() for path in sorted(tmp_path.rglob("*"))} == before
    (tmp_path / "opt/condenser-monitor/without-plugins").touch()
    assert _before_its_files_come(tmp_path).returncode == 0
    assert not (tmp_path / "usr/local/lib/condenser-monitor").exists()


def test_the_built_package_carries_the_script_whole(package: Path) -> None:
    """What takes plug-ins along stands in the package's own script, as no file of the package is there yet."""
    script = (package / "DEBIAN/preinst").read_text()
    assert (INSTALL / "added-packages.py").read_text() in script
    subprocess.run(["sh", "-n", package / "DEBIAN/preinst"], check=True, timeout=20)


@pytest.mark.parametrize("told", [False, True])
def test_a_purge_keeps_site_file_and_history_until_told_otherwise(tmp_path: Path, told: bool) -> None:
    """The package's own script, with its directories moved aside."""
    script = (INSTALL / "debian/postrm").read_text()
    for place in ("/etc/$NAME", "/var/lib/$NAME", "/usr/local/lib/$NAME"):
        script = script.replace(f'"{place}', f'"{tmp_path}{place}')
    script = script.replace("getent passwd", "false").replace("command -v", "false")
    etc, data = tmp_path / "etc/condenser-monitor", tmp_path / "var/lib/condenser-monitor"
    plugins = tmp_path / "usr/local/lib/condenser-monitor/plugins"
    for folder in (etc, data, plugins):
        folder.mkdir(parents=True)
    (etc / "site.toml").write_text("mine")
    (data / "condenser-monitor.db").write_bytes(b"history")
    if told:
        (data / "delete-with-the-program").touch()
    for action in ("remove", "purge"):
        assert (etc / "site.toml").exists()
        assert (data / "condenser-monitor.db").exists()
        subprocess.run(["sh", "-c", script, "postrm", action], check=True, timeout=20)
    assert etc.exists() is data.exists() is plugins.exists() is not told


@pytest.mark.parametrize("name", ["preinst", "postinst", "prerm", "postrm"])
def test_the_maintainer_scripts_parse_and_stop_at_errors(name: str) -> None:
    path = INSTALL / "debian" / name
    subprocess.run(["sh", "-n", path], check=True, timeout=20)
    assert "\nset -e\n" in path.read_text()
