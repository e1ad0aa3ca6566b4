"""The site file (contract.md, Site file): TOML in, typed settings out; nothing is guessed.

An unknown key, a wrong type or a value out of range is a SiteError that names the file, the key, what was given and
what is allowed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.errors import SiteError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.limits import Limit

ID_PATTERN = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,62}[A-Za-z0-9])?")
_TEXT_MOST = 2000  # characters of one text; names, paths and addresses are far shorter
_CONTROLS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")  # a tab or a line break may stand in a text of several lines
_Kind = TypeVar("_Kind", bound=msgspec.Struct)
DISCOVERY = ("homie", "json")
OUTDOOR_SENSES = ("call", "control_v", "coil_a", "supply", "load", "compressor_a", "fan_a", "outdoor_c")


class Site(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who this is. `id` is used in topics: letters, digits and hyphen."""

    name: str = "Unnamed unit"
    id: str = "unit-1"


class Unit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, dict=True):
    """The nameplate and what the unit does by design. Currents in A RMS, delays in s.

    `fan_control`: "board" where a board lets the fan run on or cycles it in the cold. `delay_on_make_s` and
    `delay_on_break_s` hold the contactor off after the call comes and after a stop. `load_shed`: the utility may cut
    the call for a while. `delay_learned`: a delay that shows in every cycle is learned and offered. `call_tap`: where
    `call` and `control_v` are taken; at the "coil" the unit's own pressure switches and boards are ahead of them.
    `profile`: kinds of equipment (PROFILES) whose values stand where this table gives none. `not_by_design`: what was
    offered and is not so (OFFERED); it is neither offered again nor excused.
    `run_capacitor_uf` and `capacitor_volts_ratio` (volts across the running capacitor over line volts, measured at
    commissioning) of 0 are not known.
    """

    line_hz: int = 60
    contactor_poles: int = 1
    compressor_rla_a: float = 16.7
    compressor_lra_a: float = 79.0
    fan_fla_a: float = 1.2
    delay_on_make_s: float = 0.0
    heat_pump: bool = False
    kind: str = "single-stage"
    fan_control: str = "contactor"
    delay_on_break_s: float = 0.0
    load_shed: bool = False
    delay_learned: bool = True
    call_tap: str = "y-terminal"
    start_kit: bool = False
    line_v: float = 240.0
    run_capacitor_uf: float = 0.0
    run_capacitor_tolerance_pct: float = 6.0
    capacitor_volts_ratio: float = 0.0
    metering: str = "unknown"
    refrigerant: str = ""
    profile: tuple[str, ...] = ()
    not_by_design: tuple[str, ...] = ()

    @property
    def locked_a(self) -> float:
        """The compressor's current, A, from which its rotor is taken not to turn."""
        return self.compressor_lra_a * limits.LOCKED_RATIO.value

    @property
    def compressor_on_a(self) -> float:
        """The compressor's current, A RMS, from which it is taken to run."""
        return self.compressor_rla_a * limits.RUNNING_ON_RATIO.value

    @property
    def fan_on_a(self) -> float:
        """The fan's current, A RMS, from which it is taken to run; at its slowest a cycled one draws less."""
        return self.fan_fla_a * limits.FAN_ON_RATIO.value

    @cached_property
    def fan_by_board(self) -> bool:
        """Whether a board, and not the contactor, lets the fan run."""
        return self.fan_control == "board" or self.kind == "variable-speed"


class SensorSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which readings are fitted; None means not said: the outdoor set live, the columns present in a replay."""

    fitted: tuple[str, ...] | None = None


class Mqtt(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The broker; an empty host means none. The password is read from `password_file`, never from the site file.

    `version` is the protocol's: "5", or "3.1.1" for a broker that knows no newer one. `discovery`: the conventions in
    which home automation is told of the unit (publishers/discovery.py), none for an empty list; `discovery_prefix` is
    where a hub looks for JSON discovery."""

    host: str = ""
    port: int = 1883
    username: str = ""
    password_file: str = ""
    tls: bool = False
    ca_file: str = ""
    keepalive_s: int = 30
    readings_s: float = 10.0
    version: str = "5"
    discovery: tuple[str, ...] = ("homie", "json")
    discovery_prefix: str = "homeassistant"


class Person(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Somebody who is told: addresses as in [notify], own hours and language. A "second" person hears of what nobody
    has answered for `delay_h` (4 h if not given); a "contractor" reads a technician's words."""

    name: str = ""
    role: str = "homeowner"
    urls: tuple[str, ...] = ()
    urls_file: str = ""
    least: str = "soon"
    quiet_from: str = "22:00"
    quiet_to: str = "07:00"
    delay_h: float = -1.0
    language: str = "en"


class Notify(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Phone alerts: `urls` in apprise's form, or one a line in `urls_file`, as they hold secrets; more people, each
    with a role, in `[[notify.people]]`. `least` is the least severity told. `quiet` hours, local time, are for what is
    not urgent (both the same: none). An urgent one that nobody answers is brought up again after `repeat_h`, then
    daily, between `remind_from` and `remind_to`. `proof_of_life` ("weekly", "daily", "off") says at `silence_check_at`
    (on `proof_day`) how the unit is. `page_url` is where the page is reached from a phone, for links."""

    urls: tuple[str, ...] = ()
    urls_file: str = ""
    least: str = "soon"
    quiet_from: str = "22:00"
    quiet_to: str = "07:00"
    repeat_h: float = 4.0
    daily_silence_check: bool = False
    silence_check_at: str = "09:00"
    remind_from: str = "08:00"
    remind_to: str = "20:00"
    proof_of_life: str = "weekly"
    proof_day: str = "sunday"
    language: str = "en"
    page_url: str = ""
    contractor_name: str = ""
    contractor_phone: str = ""
    people: tuple[Person, ...] = ()

    def owner(self) -> Person:
        """Return whoever the addresses of [notify] itself belong to."""
        return Person(
            urls=self.urls,
            urls_file=self.urls_file,
            least=self.least,
            quiet_from=self.quiet_from,
            quiet_to=self.quiet_to,
            delay_h=0.0,
            language=self.language,
        )

    def everybody(self) -> tuple[Person, ...]:
        """Return all who are told, with the delay of their role where none is given."""
        usual = {"second": limits.NOTIFY.second_h.value}
        people = (
            msgspec.structs.replace(one, delay_h=usual.get(one.role, 0.0)) if one.delay_h < 0 else one
            for one in self.people
        )
        return (self.owner(), *people)


class Web(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The page: where it listens; how it shows things. `proxy`: it stands behind a reverse proxy, which speaks TLS and
    names the caller in X-Forwarded-For; then nobody is taken to be on this machine. `setup`: what is set on the page
    counts, before this file. `language` "auto" is the browser's; `clock` shows 12 or 24 hours."""

    host: str = "127.0.0.1"
    port: int = 8124
    temperature: str = "F"
    proxy: bool = False
    setup: bool = True
    language: str = "auto"
    clock: str = "12"


class HistorySettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The history file and how long each kind is kept, in days; `live_dir` is where the live file is put, best on a
    file system in memory ("" chooses one)."""

    file: str = "condenser-monitor.db"
    live_dir: str = ""
    readings_days: float = 30.0
    events_days: float = 1826.0


class BoardSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How the boards hang on the Pi; [boards.channels] overrides single channels (see hardware/boards.py).

    build: "boards", or "ready-made" for input modules and transformers of 333 mV in their place."""

    build: str = "boards"
    scan_s: float = 1.0
    i2c_bus: int = 1
    channels: dict[str, dict[str, Any]] = {}


class Settings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The whole site file. `plugins` are the tables of what other packages add, each held to its own record by
    monitor/plugins.py."""

    site: Site = Site()
    unit: Unit = Unit()
    senses: SensorSettings = SensorSettings()
    limits: dict[str, dict[str, float]] = {}
    boards: BoardSettings = BoardSettings()
    mqtt: Mqtt = Mqtt()
    notify: Notify = Notify()
    web: Web = Web()
    history: HistorySettings = HistorySettings()
    plugins: dict[str, dict[str, Any]] = {}

    @property
    def fitted(self) -> tuple[str, ...]:
        """The fitted readings, in the contract's order."""
        named = OUTDOOR_SENSES if self.senses.fitted is None else self.senses.fitted
        return tuple(name for name in READINGS if name in named)

    @property
    def stale_s(self) -> float:
        """From what age on a status is not believed, s."""
        return max(limits.WEB.stale_s.value, self.boards.scan_s * limits.WEB.stale_scans.value)

    def limit(self, limit: Limit) -> float:
        """Return the number in force for a finding's limit: the site's, else the default."""
        return self.limits.get(limit.group, {}).get(limit.key, limit.value) if self.limits else limit.value


# key -> (low, high) for numbers; bounds are ours unless a nameplate cannot hold such a value
BOUNDS: dict[str, tuple[float, float]] = {
    "unit.compressor_rla_a": (0.05, 200),
    "unit.compressor_lra_a": (0.2, 1000),
    "unit.fan_fla_a": (0.01, 20),
    "unit.delay_on_make_s": (0, 3600),
    "unit.delay_on_break_s": (0, 3600),
    "unit.line_v": (100, 480),
    "unit.run_capacitor_uf": (0, 200),
    "unit.run_capacitor_tolerance_pct": (1, 20),
    "unit.capacitor_volts_ratio": (0, 3),
    "mqtt.port": (1, 65535),
    "mqtt.keepalive_s": (5, 3600),
    "mqtt.readings_s": (0.5, 86400),
    "notify.repeat_h": (0.1, 168),
    "web.port": (0, 65535),
    "history.readings_days": (1, 3650),
    "history.events_days": (1, 36500),
    "boards.scan_s": (0.1, 60),
    "boards.i2c_bus": (0, 255),
}
_CHOICES: dict[str, tuple[object, ...]] = {
    "unit.line_hz": (50, 60),
    "unit.contactor_poles": (1, 2),
    "unit.kind": ("single-stage", "two-stage", "variable-speed"),
    "unit.fan_control": ("contactor", "board"),
    "unit.call_tap": ("y-terminal", "coil"),
    "boards.build": ("boards", "ready-made"),
    "unit.metering": ("fixed", "txv", "unknown"),
    "mqtt.version": ("5", "3.1.1"),
    "web.temperature": ("F", "C"),
    "web.language": ("auto", "en", "es"),
    "web.clock": ("12", "24"),
    "notify.least": ("urgent", "soon", "watch"),
    "notify.language": ("en", "es"),
    "notify.proof_of_life": ("weekly", "daily", "off"),
    "notify.proof_day": ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"),
}
# What a unit may seem to do by design, for a person to confirm or to deny: the setting, or the value that it would get
# -> what is asked; `lasted` is in the unit that follows it.
OFFERED = {
    "delay_on_make_s": "It looks as if a timer holds this unit off for {lasted} s after each call. Is that so?",
    "delay_on_break_s": "It looks as if a timer holds this unit off for {lasted} s after each stop. Is that so?",
    "load_shed": "It looks as if the utility cuts this unit's call for {lasted} minutes at a time. Is that so?",
    "variable-speed": "It looks as if a board sets this unit's speed (an inverter). Is that so?",
    "board": "It looks as if a board lets the fan run on for {lasted} s after each stop. Is that so?",
    "heat_pump": "It looks as if this unit heats in the cold, as a heat pump does. Is that so?",
    "two-stage": "It looks as if this unit runs at two stages, a low and a high one. Is that so?",
}
_PERSON_CHOICES = {
    "role": ("homeowner", "second", "contractor"),
    "least": ("urgent", "soon", "watch"),
    "language": ("en", "es"),
}


# Units that are refused at the start, each with the reason in a plain sentence.
NOT_WATCHED: dict[str, str] = {
    "communicating": "it is called over a data bus and has no 24 V call, so there is nothing to sense",
    "modulating": "it has no 24 V call to start from and no contactor, so there is nothing to compare its current with",
    "three-phase": "the line board senses one phase only, and a lost phase would not be seen",
}


_CALLED = "single-stage, two-stage or variable-speed with a 24 V call"


def _unwatched(kind: str) -> str:
    return f"a {kind} unit cannot be watched: {NOT_WATCHED[kind]}"


# Kinds of equipment, each with what it does by design: `[unit] profile = ["heat-pump", "two-stage", "start-kit"]`.
PROFILES: dict[str, dict[str, Any]] = {
    "heat-pump": {"heat_pump": True, "fan_control": "board"},
    "two-stage": {"kind": "two-stage"},
    "variable-speed": {"kind": "variable-speed"},
    "start-kit": {"start_kit": True},
    "soft-starter": {"start_kit": True},
}


def load(path: str | Path) -> Settings:
    """Read a site file. Raises SiteError when it cannot be read or used."""
    return parse(text_of(path), str(path))


def text_of(path: str | Path) -> str:
    """The text of a file of settings. Raises SiteError when it cannot be read."""
    try:
        return untrusted_input.read_text(path)
    except (OSError, UnicodeDecodeError) as error:
        raise SiteError(str(Path(path)), untrusted_input.why(error), "a readable TOML file in UTF-8") from None


def parse(text: str, place: str = "site file") -> Settings:
    """Turn the text of a site file into Settings. Raises SiteError naming `place` and the key."""
    settings = convert(text, Settings, place)
    _check(settings, place)
    return settings


def checked(settings: Settings, place: str = "settings") -> Settings:
    """Settings made in code, held to the bounds of a site file. Raises SiteError naming `place` and the key."""
    _check(settings, place)
    return settings


def convert(text: str, kind: type[_Kind], place: str) -> _Kind:
    """TOML into a record of nested Structs, types and texts checked, other values not. Raises SiteError naming `place`
    and the key."""
    try:
        tables = untrusted_input.from_toml(text)
    except ValueError as error:
        raise SiteError(place, str(error), "TOML 1.0") from None
    return convert_tables(tables, kind, place)


def convert_tables(tables: dict[str, Any], kind: type[_Kind], place: str) -> _Kind:
    """As `convert`, from tables already read."""
    _refuse_unknown(tables, kind, place, "")
    try:
        _refuse_texts(tables, place)
        tables = _profiled(tables, place)
        return msgspec.convert(tables, kind, strict=True)
    except msgspec.ValidationError as error:
        raise _explain(error, tables, place) from None
    except RecursionError:
        raise SiteError(place, "tables nested too deep", "TOML 1.0, as the keys are described") from None


def _profiled(tables: dict[str, Any], place: str) -> dict[str, Any]:
    """Return tables in which the values of the unit's profiles stand where its own table gives none."""
    unit = tables.get("unit")
    names = unit.get("profile", ()) if isinstance(unit, dict) else ()
    if not isinstance(names, list | tuple) or not all(isinstance(name, str) for name in names):
        return tables  # refused with the other values of a wrong type
    found: dict[str, Any] = {}
    for name in names:
        if name in NOT_WATCHED:
            raise SiteError(f"{place}: unit.profile", name, f"{_CALLED}; {_unwatched(name)}")
        if name not in PROFILES:
            raise SiteError(f"{place}: unit.profile", name, "a list of any of " + ", ".join(PROFILES))
        for key, value in PROFILES[name].items():
            if found.setdefault(key, value) != value:
                raise SiteError(f"{place}: unit.profile", list(names), "profiles that do not contradict each other")
    return {**tables, "unit": {**found, **unit}} if found and isinstance(unit, dict) else tables


def _refuse_texts(tables: dict[str, Any], place: str) -> None:
    for key, words in _texts(tables, ""):
        if len(words) > _TEXT_MOST or _CONTROLS.search(words):
            raise SiteError(f"{place}: {key}", words, f"at most {_TEXT_MOST} characters, none of them a control")


def _texts(value: Any, place: str) -> Iterator[tuple[str, str]]:
    """Every text of nested tables, with its place."""
    if isinstance(value, str):
        yield place, value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _texts(inner, f"{place}.{key}" if place else key)
    elif isinstance(value, list):
        for at, inner in enumerate(value):
            yield from _texts(inner, f"{place}[{at}]")


def _refuse_unknown(table: dict[str, Any], kind: Any, place: str, above: str) -> None:
    hints = get_type_hints(kind)
    for key, value in table.items():
        if key not in hints:
            raise SiteError(f"{place}: {above}{key}", "an unknown key", "one of " + ", ".join(sorted(hints)))
        inner = hints[key]
        if isinstance(inner, type) and issubclass(inner, msgspec.Struct) and isinstance(value, dict):
            _refuse_unknown(value, inner, place, f"{above}{key}.")


def _explain(error: msgspec.ValidationError, tables: dict[str, Any], place: str) -> SiteError:
    """msgspec's `Expected X, got Y - at `$.a.b`` in the program's own three parts."""
    text = str(error)
    found = re.search(r"at `\$\.?([^`]*)`", text)
    path = found[1] if found else ""
    given: Any = tables
    for part in re.findall(r"[^.\[\]]+", path):
        if isinstance(given, dict) and part in given:
            given = given[part]
        elif isinstance(given, list) and part.isdigit():
            given = given[int(part)]
        elif part == "..." and isinstance(given, dict):
            given = next(iter(given.values()), given)
    wanted = re.sub(r"^Expected `([^`]*)`.*$", r"a value of type \1", text.split(" - at ", maxsplit=1)[0])
    wanted = wanted.replace("Number out of range", "a number that 64 bits hold")
    return SiteError(f"{place}: {path}", given, wanted)


def _check(settings: Settings, place: str) -> None:
    kind = settings.unit.kind
    if kind in NOT_WATCHED:
        raise SiteError(f"{place}: unit.kind", kind, f"{_CALLED}; {_unwatched(kind)}")
    for path, (low, high) in BOUNDS.items():
        value = _dig(settings, path)
        if not low <= value <= high:
            raise SiteError(f"{place}: {path}", value, f"{low:g} to {high:g}")
    for path, choices in _CHOICES.items():
        value = _dig(settings, path)
        if value not in choices:
            raise SiteError(f"{place}: {path}", value, " or ".join(str(c) for c in choices))
    if not ID_PATTERN.fullmatch(settings.site.id):
        raise SiteError(f"{place}: site.id", settings.site.id, "1 to 64 letters, digits and inner hyphens")
    if Path(settings.history.file).name in ("", ".."):
        raise SiteError(f"{place}: history.file", settings.history.file, "the path of a file")
    _check_unit(settings.unit, place)
    _check_senses(settings.senses, place)
    _check_limits(settings.limits, place)
    _check_discovery(settings.mqtt, place)
    _check_notify(settings.notify, place)


def _check_notify(notify: Notify, place: str) -> None:
    for key in ("quiet_from", "quiet_to", "silence_check_at", "remind_from", "remind_to"):
        _check_clock(f"{place}: notify.{key}", getattr(notify, key))
    for number, person in enumerate(notify.people):
        where = f"{place}: notify.people[{number}]"
        for key in ("quiet_from", "quiet_to"):
            _check_clock(f"{where}.{key}", getattr(person, key))
        for key, choices in _PERSON_CHOICES.items():
            if getattr(person, key) not in choices:
                raise SiteError(f"{where}.{key}", getattr(person, key), " or ".join(choices))
        if not -1 <= person.delay_h <= 48:
            raise SiteError(f"{where}.delay_h", person.delay_h, "0 to 48 hours")
    if notify.page_url and not re.fullmatch(r"https?://[^\s/?#]+/?", notify.page_url):
        raise SiteError(f"{place}: notify.page_url", notify.page_url, "http:// or https:// and a host, no path")
    if notify.contractor_phone and not re.fullmatch(r"\+?[0-9 ()./-]{3,30}", notify.contractor_phone):
        raise SiteError(f"{place}: notify.contractor_phone", notify.contractor_phone, "a telephone number")


def _check_clock(place: str, text: str) -> None:
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text):
        raise SiteError(place, text, "a time of day as HH:MM")


def _check_discovery(mqtt: Mqtt, place: str) -> None:
    for convention in mqtt.discovery:
        if convention not in DISCOVERY:
            raise SiteError(f"{place}: mqtt.discovery", convention, "a list of any of " + ", ".join(DISCOVERY))
    if not re.fullmatch(r"[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*", mqtt.discovery_prefix):
        raise SiteError(f"{place}: mqtt.discovery_prefix", mqtt.discovery_prefix, "a topic without wildcards")


def _check_unit(unit: Unit, place: str) -> None:
    if unit.compressor_lra_a <= 1.5 * unit.compressor_rla_a:
        allowed = f"more than 1.5 times compressor_rla_a ({unit.compressor_rla_a:g} A); usual is 4 to 7 times"
        raise SiteError(f"{place}: unit.compressor_lra_a", unit.compressor_lra_a, allowed)
    for name in unit.not_by_design:
        if name not in OFFERED:
            raise SiteError(f"{place}: unit.not_by_design", name, "a list of any of " + ", ".join(OFFERED))


def _check_senses(senses: SensorSettings, place: str) -> None:
    for name in senses.fitted or ():
        if name not in READINGS:
            raise SiteError(f"{place}: senses.fitted", name, "any of " + ", ".join(READINGS))
    if senses.fitted is not None and len(set(senses.fitted)) != len(senses.fitted):
        raise SiteError(f"{place}: senses.fitted", list(senses.fitted), "each reading once")


def _check_limits(tables: dict[str, dict[str, float]], place: str) -> None:
    for finding, table in tables.items():
        if finding not in limits.FINDINGS:
            raise SiteError(f"{place}: limits.{finding}", "an unknown finding", "one of " + ", ".join(limits.FINDINGS))
        for key, value in table.items():
            rows = limits.FINDINGS[finding].rows()
            if key not in rows:
                raise SiteError(f"{place}: limits.{finding}.{key}", "an unknown key", "one of " + ", ".join(rows))
            if not rows[key].low <= value <= rows[key].high:
                raise SiteError(
                    f"{place}: limits.{finding}.{key}",
                    value,
                    f"{rows[key].low:g} to {rows[key].high:g} {rows[key].unit}",
                )


def _dig(settings: Settings, path: str) -> Any:
    value: Any = settings
    for part in path.split("."):
        value = getattr(value, part)
    return value
