"""The fleet file (TOML): where the database and the broker are, and where the pages listen.

    [database]
    url = "sqlite:////var/lib/condenser-monitor/fleet.db"

    [broker]
    host = "broker.example"
    port = 8883
    tls = true
    password_file = "/etc/condenser-monitor/fleet.password"

Read as strictly as a site file: an unknown key or a wrong type is a SiteError, and the program does not start.
"""

from __future__ import annotations

import zoneinfo
from pathlib import Path

import msgspec

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import SiteError


class Database(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`sqlite:///PATH` or `postgresql://USER@HOST/DATABASE`; a password belongs in PostgreSQL's own ~/.pgpass."""

    url: str = "sqlite:///fleet.db"


class Broker(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The broker that the sites write to. `files` is the directory of its password and ACL files, if they are ours
    to write; `pid_file` names its process, to have it read them again."""

    host: str = "127.0.0.1"
    port: int = 1883
    username: str = "fleet_ingest"
    password_file: str = ""
    tls: bool = False
    ca_file: str = ""
    keepalive_s: int = 30
    files: str = ""
    pid_file: str = ""


class Pages(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the pages listen. `https` marks the cookies as secure: set it when a proxy speaks TLS in front.

    `proxies` is how many proxies in front set X-Forwarded-For; 0 believes none.
    """

    host: str = "127.0.0.1"
    port: int = 8126
    https: bool = False
    proxies: int = 0
    temperature: str = "F"


class OnCall(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who is told of new urgent cases out of office hours: addresses in apprise's form, one a line in `urls_file`,
    which only its owner may read. The office is staffed from `from_hour` to `to_hour`, on the first `days` of the
    week."""

    urls_file: str = ""
    from_hour: int = 7
    to_hour: int = 17
    days: int = 5


class Dispatch(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the sites are: a list of places (places.py), and the area of it from which the trucks leave."""

    places_file: str = ""
    start: str = ""


class FleetSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The whole fleet file. `time_zone` is a name of the tz database; empty: the machine's own."""

    name: str = "Maintenance plan"
    database: Database = Database()
    broker: Broker = Broker()
    pages: Pages = Pages()
    on_call: OnCall = OnCall()
    dispatch: Dispatch = Dispatch()
    time_zone: str = ""


def load(path: str | Path) -> FleetSettings:
    """Read a fleet file. Raises SiteError when it cannot be read or used."""
    return parse(config.text_of(path), str(path))


def parse(text: str, place: str = "fleet file") -> FleetSettings:
    """Turn the text of a fleet file into settings. Raises SiteError naming `place` and the key."""
    settings = config.convert(text, FleetSettings, place)
    for key, value in (("broker.port", settings.broker.port), ("pages.port", settings.pages.port)):
        if not 0 <= value <= 65535:
            raise SiteError(f"{place}: {key}", value, "0 to 65535")
    try:
        zoneinfo.ZoneInfo(settings.time_zone or "UTC")
    except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
        raise SiteError(f"{place}: time_zone", settings.time_zone, "a zone such as America/Chicago") from None
    hours = settings.on_call
    if not (0 <= hours.from_hour <= 24 and 0 <= hours.to_hour <= 24 and 0 <= hours.days <= 7):
        raise SiteError(
            f"{place}: on_call", f"{hours.from_hour} to {hours.to_hour}, {hours.days} days", "0 to 24, 0 to 7"
        )
    if settings.pages.temperature not in ("F", "C"):
        raise SiteError(f"{place}: pages.temperature", settings.pages.temperature, "F or C")
    return settings
