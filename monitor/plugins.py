"""(edge) What other packages add: publishers, findings and sensors, found by entry points (packaging.python.org, "Entry
points specification").

A package names what it adds in its own pyproject.toml, in one or more of the three groups, under one name:

    [project.entry-points."condenser_monitor.findings"]
    power-factor = "meter_plugin:FINDING"

Only what the site file has a table for is imported and runs; the table's keys are checked as all others are:

    [plugins.power-factor]
    least = 0.7

A finding is installed into the catalogue before the first engine is made, and lives there as one of ours: held, raised,
diagnosed, told and proved repaired by the same rules. A sensor gives readings that the catalogue has (a new *kind* of
reading belongs into the program itself). The name of a publisher's entry point is the one under which the history
keeps how far it has got: it is never used again for another publisher. publishers/conformance.py holds a publisher to
what it promises; tests/examples has a package of each kind.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from importlib.metadata import EntryPoint, entry_points
from typing import Any, NamedTuple, Protocol, TypeVar

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import ID_PATTERN, Settings, convert_tables
from condenser_monitor.monitor.core.errors import SiteError, shown
from condenser_monitor.monitor.core.findings import CATALOGUE, FindingRow, add_finding
from condenser_monitor.monitor.core.readings import FLAGS, READINGS
from condenser_monitor.monitor.core.records import Scan, StartTransient
from condenser_monitor.monitor.diagnosis.predictions import Cause, situation
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import add_situation
from condenser_monitor.monitor.publishers.base import Publisher
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.findings import FindingText
from condenser_monitor.monitor.strings.phone import LockText

PUBLISHERS, FINDINGS, SENSORS = (f"condenser_monitor.{kind}" for kind in ("publishers", "findings", "sensors"))
_OURS = ("mqtt", "discovery", "phone")  # names of publishers that are built in; phones are numbered
_BUILT_IN = frozenset(CATALOGUE)
_log = logging.getLogger(__name__)


class PublisherPlugin(NamedTuple):
    """What an entry point of PUBLISHERS names. `settings` is a frozen msgspec.Struct with a default for each key;
    `make` gets the whole site's settings and that record, and raises SiteError for values that cannot be."""

    settings: type[msgspec.Struct]
    make: Callable[[Settings, Any], Publisher]


class AddedFinding(NamedTuple):
    """A finding with all that belongs to it.

    row: as in core/findings.py, its name that of the entry point; its condition asks the facts, or its `counter` hears
    each scan and answers. hold_s: how long the answer must hold. base: what the readings show then (as in
    diagnosis/predictions). causes: which suspects bring it about, and how usual each is. text, lock: the words on page
    and report, and on a lock screen.
    """

    row: FindingRow
    hold_s: float
    causes: Sequence[Cause]
    text: FindingText
    lock: LockText
    base: Mapping[str, str] = {}


class FindingPlugin(NamedTuple):
    """What an entry point of FINDINGS names; `make` as a publisher's."""

    settings: type[msgspec.Struct]
    make: Callable[[Settings, Any], AddedFinding]


class Sensor(Protocol):
    """Where readings come from that the boards do not take. `readings` are their names, each a row of READINGS."""

    readings: tuple[str, ...]

    def read(self) -> Mapping[str, float | bool | None]:
        """Return the readings of now, None or left out where one cannot be had. It may take its time and may raise:
        it is called in a thread of its own, and what it raises is shown as the reason why the readings are missing."""

    def close(self) -> None:
        """Let go of what it holds."""


class SensorPlugin(NamedTuple):
    """What an entry point of SENSORS names; `make` as a publisher's."""

    settings: type[msgspec.Struct]
    make: Callable[[Settings, Any], Sensor]


_Plugin = TypeVar("_Plugin", PublisherPlugin, FindingPlugin, SensorPlugin)


def publishers(settings: Settings, place: str = "site file") -> list[Publisher]:
    """Make the publishers that the site file has tables for, in its order.

    Raises SiteError for a name that no package has installed, one that cannot be imported, and for keys and values.
    """
    found = []
    for name, made in _made(settings, PUBLISHERS, PublisherPlugin, place):
        if made.name != name:
            raise SiteError(_at(place, name), made.name, "a publisher that is called as its entry point")
        found.append(made)
    return found


def install_findings(settings: Settings, place: str = "site file") -> None:
    """Put the findings that the site file has tables for into the catalogue, before an engine is made.

    Raises SiteError as `publishers` does, and for a finding that does not fit into the catalogue.
    """
    for name, made in _made(settings, FINDINGS, FindingPlugin, place):
        _check_finding(made, name, _at(place, name))
        hold = limits.Limit(made.hold_s, "s", 0, 86400, "ours", f"the package of {name}")
        numbers = type(name.upper().replace("-", "_"), (limits.FindingLimits,), {"hold_s": hold})
        add_finding(made.row, numbers)
        add_situation(name, situation(made.base, *made.causes))
        texts.add_finding(name, made.text, made.lock)


def sensors(settings: Settings, place: str = "site file") -> list[Sensor]:
    """Make the sensors that the site file has tables for. Raises SiteError as `publishers` does, and for a reading that
    does not exist, is not installed here or has two sensors."""
    made = dict(_made(settings, SENSORS, SensorPlugin, place))
    taken: dict[str, str] = {}
    for name, sensor in made.items():
        for reading in sensor.readings:
            if reading not in settings.fitted:
                raise SiteError(_at(place, name), reading, "a reading that senses.fitted names")
            if reading in taken:
                raise SiteError(_at(place, name), reading, f"a reading that {taken[reading]} does not give already")
            taken[reading] = name
    return list(made.values())


def _at(place: str, name: str) -> str:
    return f"{place}: plugins.{name}"


def _made(settings: Settings, group: str, kind: type[_Plugin], place: str) -> Iterable[tuple[str, Any]]:
    """Make what a group has for the tables of a site file, each with its name. A name that no group has is refused."""
    if not settings.plugins:
        return
    installed = {
        one: {found.name: found for found in entry_points(group=one)} for one in (PUBLISHERS, FINDINGS, SENSORS)
    }
    known = {name for found in installed.values() for name in found}
    for name, table in settings.plugins.items():
        if name.partition("-")[0] in _OURS or not ID_PATTERN.fullmatch(name):
            allowed = "a name of letters, digits and hyphens that no built-in publisher has"
            raise SiteError(f"{place}: plugins", name, allowed)
        if name not in known:
            allowed = f"one that is installed: {', '.join(sorted(known)) or 'there is none'}"
            raise SiteError(f"{place}: plugins", name, allowed)
        if name in installed[group]:
            plugin = _loaded(installed[group][name], kind, _at(place, name))
            yield name, plugin.make(settings, convert_tables(table, plugin.settings, _at(place, name)))


def _loaded(found: EntryPoint, kind: type[_Plugin], place: str) -> _Plugin:
    try:
        plugin = found.load()
    except Exception as error:  # whatever another package does when it is imported
        raise SiteError(place, f"{type(error).__name__}: {error}", "a package that can be imported") from error
    if not isinstance(plugin, kind):
        raise SiteError(place, found.value, f"the place of a {kind.__name__}")
    return plugin


def _check_finding(made: AddedFinding, name: str, place: str) -> None:
    row = made.row
    if row.name != name or name in _BUILT_IN:
        raise SiteError(place, row.name, "a finding that is called as its entry point, and that is not built in")
    if (row.condition is None) is (row.counter is None) or row.pattern is not (row.counter is not None):
        raise SiteError(place, name, "a finding with either a condition, or a counter and pattern=True")
    for what, given, known in (
        ("parents", row.parents, CATALOGUE),
        ("evidence", row.evidence, READINGS),
        ("causes", [cause.suspect for cause in made.causes], SUSPECTS),
    ):
        for one in given:
            if one not in known:
                raise SiteError(f"{place}: {what}", one, "one of " + ", ".join(known))
    if not made.causes or not 0 <= made.hold_s <= 86400:
        raise SiteError(place, name, "a finding with causes that is held for 0 to 86400 s")


# ---------------------------------------------------------------- sensors beside the boards


class _Polled:
    """One sensor, read again and again in a thread of its own, so that a slow one delays no scan."""

    def __init__(self, sensor: Sensor, every_s: float, clock: Callable[[], float]) -> None:
        self.sensor = sensor
        self.fault = "not read yet"
        self._every_s, self._clock = every_s, clock
        self._read: tuple[float, Mapping[str, float | bool | None]] = (0.0, {})
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"sensor {type(sensor).__name__}", daemon=True)
        self._thread.start()

    def latest(self) -> tuple[Mapping[str, float | bool | None], str]:
        """Return what was read last, as long as it speaks for now, and why there is nothing."""
        at_s, values = self._read
        age_s = self._clock() - at_s
        if values and age_s > limits.STALE_S.value + self._every_s:
            return {}, self.fault or f"last read {age_s:.0f} s ago"
        return values, self.fault

    def close(self) -> None:
        self._stop.set()
        self._thread.join(limits.STALE_S.value)
        self.sensor.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                values = dict(self.sensor.read())
                self._read, self.fault = (self._clock(), values), ""
            except Exception as error:  # whatever another package does must not end the thread
                words = shown(f"{type(error).__name__}: {error}")
                if words != self.fault:
                    _log.warning("sensor %s: %s", type(self.sensor).__name__, words, exc_info=error)
                self._read, self.fault = (0.0, {}), words
            self._stop.wait(self._every_s)


class BoardsAndSensors:
    """The boards' scans with the readings of other packages' sensors put in; a BoardReader of its own.

    A value that its reading cannot have is missing, and `faults` says why.
    """

    def __init__(
        self, boards: Any, found: Sequence[Sensor], every_s: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._boards = boards
        self._polled = [_Polled(sensor, every_s, clock) for sensor in found]
        self._faults: dict[str, str] = {}

    def scan(self) -> Scan:
        """Return one set of readings of both."""
        scan: Scan = self._boards.scan()
        values, self._faults = self._values()
        return msgspec.structs.replace(scan, **values)

    def changes(self) -> list[Scan]:
        """Return the boards' quick scans, with the flags of the sensors as they were last read."""
        flags = {name: value for name, value in self._values()[0].items() if name in FLAGS}
        return [msgspec.structs.replace(scan, **flags) for scan in self._boards.changes()]

    def starts(self) -> list[StartTransient]:
        """Return the boards' captures."""
        found: list[StartTransient] = self._boards.starts()
        return found

    def faults(self) -> dict[str, str]:
        """Return why a reading is missing."""
        return {**self._boards.faults(), **self._faults}

    def idle(self, seconds: float, stop: Callable[[], bool] = lambda: False) -> None:
        """Wait as the boards do."""
        self._boards.idle(seconds, stop)

    def close(self) -> None:
        """Close the sensors, then the boards."""
        for polled in self._polled:
            polled.close()
        self._boards.close()

    def _values(self) -> tuple[dict[str, Any], dict[str, str]]:
        values: dict[str, Any] = {}
        faults: dict[str, str] = {}
        for polled in self._polled:
            read, why = polled.latest()
            for name in polled.sensor.readings:
                value = read.get(name)
                if value is None:
                    faults[name] = why or "the sensor has no value"
                elif (wrong := _wrong(name, value)) is None:
                    values[name] = value if name in FLAGS else READINGS[name].taken(float(value))
                else:
                    faults[name] = wrong
        return values, faults


def _wrong(name: str, value: object) -> str | None:
    """Say why a reading cannot have a value; None where it can."""
    row = READINGS[name]
    if row.kind == "flag":
        fits = isinstance(value, bool)
    else:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        fits = number and row.least <= row.taken(float(value)) <= row.most  # type: ignore[arg-type]
    return None if fits else f"got {shown(repr(value))}; allowed: {row.allowed}"
