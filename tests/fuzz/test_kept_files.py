"""Files that the program keeps and reads again (JSON, CSV, lines), with bytes changed by a bad disk or a curious hand:
calibrations, records of a commissioning, share codes, the page's access file, a phone's plan, what the engine
remembered; lists of customers, weather files, addresses of phones, passwords."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pytest
from hypothesis import given

from condenser_monitor.hardware import calibration, commission
from condenser_monitor.hardware.calibration import CalibrationPoint, calibrate
from condenser_monitor.hardware.uncertainty import by_reading
from condenser_monitor.monitor.core.config import Notify, Settings
from condenser_monitor.monitor.core.readings import NUMBERS
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.fleet import customers
from condenser_monitor.monitor.publishers import phone
from condenser_monitor.monitor.publishers.broker import read_password
from condenser_monitor.monitor.publishers.notification_policy import NotificationPolicy, PolicyMemory
from condenser_monitor.monitor.report.share import Shares, print_codes
from condenser_monitor.sim import weather
from condenser_monitor.web.access import Access
from tests.fuzz.damage import damaged
from tests.fuzz.refusals import fuzzed, soon, tried
from tests.monitor import units

NOW_S = 1_784_052_000.0
_SETTINGS = Settings(unit=units.UNIT)
_DEAD = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)


class Door(NamedTuple):
    """A kind of file: one as it should be, and what is done with it. `use` may raise errors of core/errors.py."""

    good: bytes
    use: Callable[[Path], Any]


def _calibrations() -> bytes:
    rows = [
        calibrate(
            "compressor_a",
            [CalibrationPoint(raw=9.0, meter=9.2), CalibrationPoint(raw=12.0, meter=12.1)],
            by="Ann",
            wall_s=NOW_S,
        ),
        calibrate("outdoor_c", [CalibrationPoint(raw=30.0, meter=31.0)], by="Bo", meter="thermometer"),
    ]
    return msgspec.json.encode(rows)


def _calibrated(path: Path) -> None:
    rows = calibration.load(path)
    calibration.trims(rows)
    about = by_reading(rows)
    for name in NUMBERS:
        for value in (0.0, 0.3, 20.0):
            assert about(name, value) >= 0.0
    assert all(calibration.one_line(row) for row in rows)


def _record() -> bytes:
    seen = {"off": list(units.scans((20, units.REST))), "running": list(units.scans((20, units.RUN)))}
    record = commission.commission(_SETTINGS, seen, by="Ann", wall_s=NOW_S)
    return msgspec.json.encode(record)


def _shares(folder: Path) -> bytes:
    shares = Shares(folder / "h.db")
    shares.make("Bo", wall_s=NOW_S)
    return (folder / "h.db.shares.json").read_bytes()


def _shared(path: Path) -> None:
    shares = Shares(path.with_name("f"))
    path.replace(path.with_name("f.shares.json"))
    print_codes(shares, wall_s=NOW_S + 1, say=lambda text: None)
    shares.check("ABCD-EFGH-JKMN", wall_s=NOW_S + 1)
    shares.make("another", wall_s=NOW_S + 1)


def _access(folder: Path) -> bytes:
    access = Access(folder / "access")
    access.set_password("seven green lanterns")
    access.make_token("t", "read", NOW_S)
    return (folder / "access").read_bytes()


def _entered(path: Path) -> None:
    access = Access(path)
    access.token_right("x")
    access.is_password("seven green lanterns")
    assert access.key


def _memory() -> bytes:
    engine = Engine(_SETTINGS)
    for scan in units.scans((30, units.REST), (200, units.RUN), (30, units.REST), (60, _DEAD)):
        engine.feed(scan)
    assert engine.standing
    return engine.memory()


def _part(name: str) -> Door:
    """One part of what the engine remembers: its bytes changed, the rest as it was."""
    whole = msgspec.json.decode(_memory(), type=dict[str, msgspec.Raw])

    def use(path: Path) -> None:
        _begun_with(msgspec.json.encode(whole | {name: msgspec.Raw(path.read_bytes())}))

    return Door(bytes(whole[name]), use)


def _remembered(path: Path) -> None:
    _begun_with(path.read_bytes())


def _begun_with(memory: bytes) -> None:
    """Whatever was remembered, an engine begins, watches, and can be asked."""
    engine = Engine(_SETTINGS, memory=memory)
    for scan in units.scans((5, units.REST), (30, units.RUN)):
        engine.feed(scan)
    engine.status()
    engine.memory()


def _planned(path: Path) -> None:
    """A plan that cannot be read is begun afresh, and what is due can be asked."""
    target = phone.Target(_SETTINGS, "json://localhost", send=lambda message: None)
    target._place = path
    target._plan = NotificationPolicy(_SETTINGS.notify, target._remembered())
    target._plan.date_undated(NOW_S)
    target._plan.due((), NOW_S)
    target._plan.life_due(NOW_S)


_CSV = b'site,name,plan_visit_due,vulnerability\norchard-1,Orchard,2026-07-14,1\norchard-2,"a, b",,\n'
_TMY3 = b"1,x\nDate,Time,GHI,Dry\n" + b"".join(b"01/01/1988,%02d:00,0,%d\n" % (hour, hour) for hour in range(1, 9))


def _phones(path: Path) -> Any:
    return phone.addresses(Notify(urls_file=str(path)))


def _password(path: Path) -> Any:
    path.chmod(0o600)
    return read_password(str(path))


def doors(folder: Path) -> dict[str, Door]:
    """All kinds of kept files."""
    plan = PolicyMemory(target="0" * 16)
    return {
        "calibration": Door(_calibrations(), _calibrated),
        "commissioning": Door(_record(), commission.read),
        "shares": Door(_shares(folder), _shared),
        "access": Door(_access(folder), _entered),
        "engine-memory": Door(_memory(), _remembered),
        "alerts-memory": _part("alerts"),
        "trends-memory": _part("trends"),
        "phone-plan": Door(msgspec.json.encode(plan), _planned),
        "customers": Door(_CSV, customers.read),
        "weather": Door(_TMY3, weather.typical_year),
        "addresses": Door(b"# mine\njson://localhost\n", _phones),
        "password": Door(b"lantern\n", _password),
    }


_NAMES = (
    *("calibration", "commissioning", "shares", "access", "engine-memory", "alerts-memory", "trends-memory"),
    *("phone-plan", "customers", "weather", "addresses", "password"),
)


@pytest.mark.parametrize("name", _NAMES)
def test_a_damaged_file_is_used_or_refused(name: str, tmp_path: Path) -> None:
    """Bytes changed, put in and taken out: what is taken works, all else is refused in words."""
    door = doors(tmp_path)[name]
    path = tmp_path / "kept"
    path.write_bytes(door.good)
    path.chmod(0o600)
    door.use(path)  # as it should be, it is taken

    @fuzzed(100 if name != "access" else 40)  # scrypt takes its time on purpose
    @given(data=damaged(door.good))
    def run(data: bytes) -> None:
        path.write_bytes(data)
        path.chmod(0o600)
        with soon():
            tried(lambda: door.use(path))

    run()
