"""The service units: what systemd itself says of them, and what they promise."""

from __future__ import annotations

import re
import shutil
import subprocess
from configparser import RawConfigParser
from pathlib import Path

import pytest

from tests.size import FULL

INSTALL = Path(__file__).parents[2] / "hardware" / "install"
UNITS = sorted(INSTALL.glob("*.service"))
MOST_EXPOSURE = 16  # of 100, systemd's words for up to 20 are "OK"; a plain service has over 90
WATCH, PAGE = "condenser-monitor.service", "condenser-monitor-page.service"

# What systemd still counts against the units, and why it stays. Nothing else may be.
_BOTH = {
    "RemoveIPC=": "the live file lies in shared memory and must outlive a restart",
    "RootDirectory=/RootImage=": "the program runs by the system's own Python",
    "RestrictAddressFamilies=~AF_UNIX": "telling systemd, and names by the system's resolver",
    "RestrictAddressFamilies=~AF_(INET|INET6)": "broker, phone and page",
    "PrivateNetwork=": "broker, phone and page",
    "IPAddressDeny=": "a broker, a phone service or a reader may be anywhere",
    "ProcSubset=": "the id of this boot (/proc/sys/kernel/random/boot_id) tells which times are comparable",
    "PrivateUsers=": "there are no capabilities in either; the groups of pins and bus would be lost",
    "DeviceAllow=": "ProtectClock allows the clock to be read; pins and bus of the watch",
}
STAYS = {
    PAGE: _BOTH,
    WATCH: _BOTH
    | {
        "PrivateDevices=": "pins and bus",
        "SupplementaryGroups=": "gpio and i2c, which own pins and bus",
    },
}


class _Lists(dict[str, str]):
    """A key given twice in a unit adds to the first, as in systemd."""

    def __setitem__(self, key: str, value: str) -> None:
        if isinstance(value, list) and key in self:
            value = [*self[key], *value]
        super().__setitem__(key, value)


def _unit(name: str) -> RawConfigParser:
    parser = RawConfigParser(dict_type=_Lists, strict=False)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string((INSTALL / name).read_text())
    return parser


def _values(name: str, key: str) -> list[str]:
    return [line for line in _unit(name).get("Service", key, fallback="").splitlines() if line]


@pytest.fixture
def systemd() -> str:
    program = shutil.which("systemd-analyze")
    if program is None:
        (pytest.fail if FULL else pytest.skip)("systemd is not installed")
    return program


@pytest.fixture
def runnable(tmp_path: Path) -> list[Path]:
    """The units with a program that exists here, as systemd verifies that too."""
    made = []
    for unit in UNITS:
        text = re.sub(r"^ExecStart=\S+", f"ExecStart={shutil.which('true')}", unit.read_text(), flags=re.MULTILINE)
        path = tmp_path / unit.name
        path.write_text(text)
        made.append(path)
    return made


def test_systemd_finds_no_fault_in_the_units(systemd: str, runnable: list[Path]) -> None:
    """systemd-analyze verify: not one complaint."""
    done = subprocess.run([systemd, "verify", *runnable], capture_output=True, text=True, timeout=60, check=False)
    ours = [line for line in done.stderr.splitlines() if "condenser-monitor" in line]
    assert (done.returncode, ours) == (0, [])


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_systemd_judges_the_exposure_low(systemd: str, unit: Path) -> None:
    """systemd-analyze security, offline, with a threshold: least privilege is measured, not claimed."""
    command: list[str | Path] = [
        systemd,
        "security",
        "--offline=true",
        "--no-pager",
        f"--threshold={MOST_EXPOSURE}",
        unit,
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout[-300:]


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_every_exposure_that_is_left_has_a_reason(systemd: str, unit: Path) -> None:
    """Whatever systemd marks as open is in the table above; a protection that is dropped, or a kind of exposure that a
    newer systemd knows of, fails."""
    command: list[str | Path] = [systemd, "security", "--offline=true", "--no-pager", unit]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    marked = {line.split()[1] for line in done.stdout.splitlines() if line.lstrip().startswith("✗")}
    assert marked
    assert marked - STAYS[unit.name].keys() == set()


def test_a_looser_unit_would_be_judged_too_exposed(systemd: str, tmp_path: Path) -> None:
    """The threshold bites: the same unit without its protections fails it."""
    loose = tmp_path / WATCH
    kept = [line for line in (INSTALL / WATCH).read_text().splitlines() if not line.startswith(("Protect", "Restrict"))]
    loose.write_text("\n".join(kept))
    command: list[str | Path] = [
        systemd,
        "security",
        "--offline=true",
        "--no-pager",
        f"--threshold={MOST_EXPOSURE}",
        loose,
    ]
    assert subprocess.run(command, capture_output=True, timeout=60, check=False).returncode != 0


@pytest.mark.parametrize(("unit", "command"), [(WATCH, "run"), (PAGE, "page")])
def test_each_unit_runs_its_command_with_the_site_file(unit: str, command: str) -> None:
    """The agreed command lines, from the version in force."""
    program = "/opt/condenser-monitor/current/bin/condenser-monitor"
    assert _values(unit, "ExecStart") == [f"{program} {command} --site /etc/condenser-monitor/site.toml"]


def test_the_watch_is_guarded_and_restarts_for_ever() -> None:
    """Watchdog, restart always, no limit of starts."""
    assert _values(WATCH, "Type") == ["notify"]
    assert 10 <= int(_values(WATCH, "WatchdogSec")[0]) <= 60
    assert _values(WATCH, "Restart") == ["always"]
    assert _unit(WATCH)["Unit"]["StartLimitIntervalSec"] == "0"


@pytest.mark.parametrize("unit", [WATCH, PAGE])
def test_nothing_waits_for_network_or_clock(unit: str) -> None:
    """A unit in a yard without network after a power cut must be watched all the same."""
    order = " ".join(_unit(unit)["Unit"].values())
    assert "network" not in order
    assert "time-sync" not in order


def test_the_page_does_not_hang_on_the_watch_nor_the_watch_on_the_page() -> None:
    """Either may fail alone: no Requires, BindsTo or PartOf."""
    for unit in (WATCH, PAGE):
        keys = set(_unit(unit)["Unit"])
        assert not keys & {"Requires", "BindsTo", "PartOf", "Requisite", "Upholds"}


@pytest.mark.parametrize("unit", [WATCH, PAGE])
def test_only_the_state_and_run_directories_can_be_written(unit: str) -> None:
    """ProtectSystem=strict, and no ReadWritePaths beside the directories systemd makes for the service."""
    assert _values(unit, "ProtectSystem") == ["strict"]
    assert not _values(unit, "ReadWritePaths")
    assert _values(unit, "StateDirectory") == ["condenser-monitor"]
    assert _values(unit, "WorkingDirectory") == ["/var/lib/condenser-monitor"]
    assert _values(unit, "User") == ["condenser-monitor"]


def test_the_watch_may_touch_pins_and_bus_only_and_the_page_neither() -> None:
    """Device rules: GPIO and I2C for the one, nothing for the other."""
    assert _values(WATCH, "DeviceAllow") == ["char-gpiochip rw", "char-i2c rw"]
    assert _values(WATCH, "DevicePolicy") == ["closed"]
    assert not _values(PAGE, "DeviceAllow")
    assert _values(PAGE, "PrivateDevices") == ["yes"]


def test_the_pin_librarys_pipe_lies_in_memory() -> None:
    """lgpio makes a named pipe where LG_WD points; it must be writable and is best not on the card."""
    assert "LG_WD=/run/condenser-monitor" in _values(WATCH, "Environment")
    assert _values(WATCH, "RuntimeDirectory") == ["condenser-monitor"]


def test_the_shipped_site_file_is_valid_and_says_the_defaults() -> None:
    """What a fresh install writes is accepted, and its nameplate is the program's own default."""
    from condenser_monitor.monitor.core.config import Unit, load

    settings = load(INSTALL / "site.toml")
    assert settings.unit == Unit()
    assert set(settings.fitted) >= {"call", "compressor_a"}


def test_the_shipped_site_file_shows_how_people_are_told() -> None:
    """Its commented tables, taken in as they stand, are accepted: [notify], a second person, the page for phones."""
    from condenser_monitor.monitor.core.config import parse

    text = (INSTALL / "site.toml").read_text()
    notify = parse(re.sub(r"(?m)^# (?=\[|[a-z_]+ = )", "", text)).notify
    assert notify.urls
    assert notify.page_url
    assert [person.role for person in notify.people] == ["second"]
    assert "cannot be known" in text
