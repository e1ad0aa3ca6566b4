"""The Debian package: what is in it, and that a purge keeps the owner's files until it is told otherwise."""

from __future__ import annotations

import itertools
import re
import shutil
import struct
import subprocess
import sys
from email.message import Message
from email.parser import Parser
from importlib.metadata import distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name as plain

from tests.size import FULL, long_one

pytestmark = long_one

INSTALL = Path(__file__).parents[2] / "hardware" / "install"


def _built(folder: Path, *arguments: str) -> Path:
    """The package built by its command, unpacked with its control files; the package itself lies beside it."""
    if shutil.which("dpkg-deb") is None:
        pytest.skip("dpkg-deb is not here")
    command: list[str | Path] = [INSTALL / "build-deb.sh", folder, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=1800, check=False, umask=0o077)
    if done.returncode:  # building fetches what Debian has not
        (pytest.fail if FULL else pytest.skip)(f"cannot build here: {done.stderr[-300:]}")
    made = Path(done.stdout.split()[-1])
    subprocess.run(["dpkg-deb", "--raw-extract", made, folder / "tree"], check=True, timeout=60)
    return folder / "tree"


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package for Debian 13."""
    return _built(tmp_path_factory.mktemp("deb"))


@pytest.fixture(scope="module")
def package_12(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package for a Pi with Debian 12."""
    return _built(tmp_path_factory.mktemp("deb12"), "--debian", "12")


@pytest.fixture(params=["package", "package_12"])
def either(request: pytest.FixtureRequest) -> Path:
    """Each of the two."""
    made: Path = request.getfixturevalue(request.param)
    return made


def _control(package: Path) -> Message:
    return Parser().parsestr((package / "DEBIAN/control").read_text())


def test_the_package_holds_program_and_services(either: Path) -> None:
    """Everybody can read it and only root write it, whatever the mask; nothing says where it was built."""
    package, lib = either, either / "usr/lib/condenser-monitor"
    assert (lib / "condenser_monitor/monitor/cli.py").is_file()
    assert (lib / "adafruit_ads1x15").is_dir()
    assert not [
        path
        for path in lib.rglob("*")
        if path.suffix == ".pyc"
        or (path.name.startswith("libgpiod_pulsein") and not path.suffix)
        or path.name == "direct_url.json"
    ]
    assert not {"bin", "share"} & {path.name for path in lib.iterdir()}
    for path in (package / "usr").rglob("*"):
        mode = path.stat().st_mode & 0o777
        assert mode in ({0o755} if path.is_dir() else {0o644, 0o755}), (path, oct(mode))
    for unit in (package / "usr/lib/systemd/system").iterdir():
        assert "ExecStart=/usr/bin/condenser-monitor " in unit.read_text()
    assert "PROGRAM=/usr/bin/$NAME" in (package / "usr/bin/condenser-monitor-by-hand").read_text()


def test_the_package_for_debian_13_is_for_every_machine(package: Path) -> None:
    """Nothing in it is compiled; what is, comes from Debian."""
    assert not list((package / "usr").rglob("*.so"))
    control = _control(package)
    assert control["Architecture"] == "all"
    assert "python3-msgspec (>= 0.18), python3-paho-mqtt (>= 2.0)" in control["Depends"]


def test_the_package_for_debian_12_is_for_a_pi_with_that_python(package_12: Path, package: Path) -> None:
    """What is compiled is for 64-bit ARM (183: EM_AARCH64, ELF for the Arm 64-bit Architecture), and loads where pages
    have 16 KiB, as on a Pi 5. Debian 12 has Python 3.11 and glibc 2.36. The package for Debian 13 upgrades this one."""
    compiled = {path.relative_to(package_12): path.read_bytes() for path in (package_12 / "usr").rglob("*.so")}
    lib = Path("usr/lib/condenser-monitor")
    modules = {f"{lib}/{name}.cpython-311-aarch64-linux-gnu.so" for name in ("_lgpio", "msgspec/_core", "sysv_ipc")}
    assert {str(path) for path in compiled} == modules
    for body in compiled.values():
        assert body[:5] == b"\x7fELF\x02"
        assert int.from_bytes(body[18:20], "little") == 183
        table, (size, count) = struct.unpack_from("<Q", body, 32)[0], struct.unpack_from("<HH", body, 54)
        segments = [struct.unpack_from("<IIQQQQQQ", body, table + number * size) for number in range(count)]
        assert all(segment[7] % 16384 == 0 for segment in segments if segment[0] == 1)  # PT_LOAD, p_align
    control = _control(package_12)
    assert control["Architecture"] == "arm64"
    depends = control["Depends"].split(", ")
    assert {"python3 (>= 3.11)", "python3 (<< 3.12)", "libc6 (>= 2.34)"} <= set(depends)
    assert control["Recommends"] is None
    lower, higher = control["Version"], _control(package)["Version"]
    subprocess.run(["dpkg", "--compare-versions", lower, "lt", higher], check=True)


# What packages carried along name and this program never asks of them: adapters and pins of other small computers.
UNUSED = {"binho-host-adapter", "pyftdi", "packaging"}
DEBIANS = {"pillow": "pil", "pyyaml": "yaml", "setuptools": "pkg-resources", "apprise": "apprise"}


def test_all_that_is_needed_is_carried_along_or_asked_of_debian(either: Path) -> None:
    """By the packages' own metadata, for a Pi: new enough in the package, or from Debian from a version on that is."""
    carried = {
        plain(one.metadata["Name"]): one for one in distributions(path=[str(either / "usr/lib/condenser-monitor")])
    }
    control = _control(either)
    wanted = f"{control['Depends']}, {control['Recommends'] or ''}"
    asked = {match[1]: match[2] for match in re.finditer(r"([a-z0-9.-]+)(?: \(>= ([^)]*)\))?", wanted)}
    machine = {"sys_platform": "linux", "platform_machine": "aarch64", "platform_system": "Linux"}
    python = {"python_version": "3.11", "python_full_version": "3.11.2"}
    missing = []
    for package in carried.values():
        extras = ["", "web", "phone", "report"] if package.metadata["Name"] == "condenser-monitor" else [""]
        for need in map(Requirement, package.requires or ()):
            name = plain(need.name)
            fits = [need.marker is None or need.marker.evaluate(machine | python | {"extra": one}) for one in extras]
            if not any(fits) or name in UNUSED:
                continue
            debians = DEBIANS.get(name, name)
            lowest = asked.get(debians if debians == "apprise" else f"python3-{debians}", "absent")
            if name in carried:
                met = carried[name].version in need.specifier
            else:
                met = lowest != "absent" and (not need.specifier or (lowest or "0") in need.specifier)
            if not met:
                missing.append(f"{package.metadata['Name']} needs {need}")
    assert not missing


def test_the_licence_of_whatever_is_carried_along_is_in_the_copyright_file(either: Path) -> None:
    """Verbatim, as Debian's policy asks (12.5), from each package's own files, in the form of copyright-format 1.0."""
    text = (either / "usr/share/doc/condenser-monitor/copyright").read_text()
    stanzas = [Parser().parsestr(one) for one in text.split("\n\n")]
    lines = {line.strip() for line in text.splitlines()}
    infos = set((either / "usr/lib/condenser-monitor").glob("*.dist-info"))
    infos -= set((either / "usr/lib/condenser-monitor").glob("condenser_monitor-*"))
    assert len(infos) > 10
    for info in infos:
        named = [path for path in info.rglob("*") if path.is_file() and "LICEN" in path.name.upper()]
        texts = named or [path for path in info.rglob("*") if path.name.upper().startswith("COPYING")]
        assert texts, info
        written = texts[0].read_text().expandtabs().splitlines()
        assert {line.strip() for line in written if line.strip()} <= lines, info
        (own,) = [one for one in stanzas if f"/{info.name}/*" in (one["Files"] or "")]
        assert own["Copyright"]
        assert " " not in own["License"].splitlines()[0]
    fonts = [path for path in (either / "usr/lib").rglob("*") if path.suffix in {".pfb", ".ttf"}]
    assert {path.parent.parent.name for path in fonts} <= {"gpiozero"}  # reportlab's are not free to pass on


def test_a_package_without_a_licence_stops_the_build(tmp_path: Path) -> None:
    """By name; nobody could tell whether it may be passed on."""
    info = tmp_path / "lib/orchard_pin-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: orchard-pin\nVersion: 1.0\n")
    (info / "RECORD").write_text("orchard_pin.py,,\norchard_pin-1.0.dist-info/METADATA,,\n")
    place = [str(tmp_path / "lib"), str(tmp_path)]
    command = [sys.executable, str(INSTALL / "build-licences.py"), "copyright", *place]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (1, "orchard-pin brings no licence\n")


@pytest.mark.skipif(shutil.which("lintian") is None and not FULL, reason="lintian is not here")
def test_lintian_finds_no_error_and_no_warning(either: Path) -> None:
    """Debian's own judge of packages; what is overridden says why in the overrides."""
    (deb,) = either.parent.glob("*.deb")
    done = subprocess.run(
        ["lintian", "--fail-on", "error,warning", deb], capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "into which folder?"),
        (["--debian", "12"], "into which folder?"),
        (["out", "--debian", "11"], "--debian 11: there is a package for Debian 12 and one for 13"),
        (["out", "--debian"], "--debian needs a value"),
        (["out", "--debian", "12", "--machine", "armv7l"], "--machine armv7l: allowed are aarch64 and x86_64"),
        (["out", "--machine", "aarch64"], "--machine and --builds go with --debian 12"),
        (["out", "--debian", "12", "--builds", "nowhere"], "--builds nowhere: no such directory"),
        (["out", "--from", "nothing.whl"], "--from nothing.whl: no such file"),
        (["out", "--form", "x.whl"], "unknown argument: --form (allowed: --from WHEEL, --debian 12|13,"),
    ],
)
def test_wrong_arguments_are_refused_before_anything_is_made(tmp_path: Path, arguments: list[str], said: str) -> None:
    """With what was given and what is allowed."""
    command = [str(INSTALL / "build-deb.sh"), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, cwd=tmp_path)
    assert done.returncode == 1
    assert done.stderr.startswith(f"build-deb.sh: {said}"), done.stderr
    assert not list(tmp_path.iterdir())


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
