"""(edge) What `condenser-monitor fleet ...` does, as plain functions: settings and words in, words out.

monitor/commands/contractor.py joins these to the command line; the pages are web/fleet/app.py.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path
from typing import Any

import msgspec

from monitor import config
from monitor.errors import CommandError
from monitor.fleet import enroll, people, retention, visits
from monitor.fleet.ingest import Worker
from monitor.fleet.people import Role
from monitor.fleet.setup import FleetSettings
from monitor.fleet.store import Store

SHELL = "the command line"


def opened(settings: FleetSettings) -> Store:
    """The fleet's database, of the right version. Raises DatabaseError."""
    store = Store(settings.database.url)
    store.check()
    return store


def migrate(settings: FleetSettings) -> str:
    """Make the database, or bring it to this version."""
    store = Store(settings.database.url)
    store.migrate()
    retention.ensure_months(store, retention.coming_months(time.time()))
    return f"{store.place} is of the newest version"


def ingest(settings: FleetSettings) -> None:
    """Work as one ingest process until SIGTERM or SIGINT."""
    stops: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda got, _frame: stops.append(got))
    Worker(settings, opened(settings)).run(lambda: bool(stops))


def enroll_site(settings: FleetSettings, site: str, **about: Any) -> str:
    """Enrol a site; what to put on its Pi. Columns of `sites` may be given by name; empty ones are left out."""
    store = opened(settings)
    kept = {key: value for key, value in about.items() if value not in (None, "")}
    if "plan_visit_due" in kept:
        kept["plan_visit_due"] = visits.day(kept["plan_visit_due"])
    made = enroll.enroll(store, site, broker=settings.broker, by=_who(), now=time.time(), **kept)
    return _handed_out(settings, store, made)


def renew_site(settings: FleetSettings, site: str) -> str:
    """A new password for a site."""
    store = opened(settings)
    return _handed_out(settings, store, enroll.renew(store, site, broker=settings.broker, by=_who(), now=time.time()))


def revoke_site(settings: FleetSettings, site: str) -> str:
    """End a site's right to the broker."""
    store = opened(settings)
    enroll.revoke(store, site, by=_who(), now=time.time())
    return f"{site} is revoked. {_broker_files(settings, store)}"


def own_credential(settings: FleetSettings) -> str:
    """A new password for the fleet's own account, written to the password file of the fleet file."""
    if not settings.broker.password_file:
        raise CommandError("broker.password_file", "", "the path of a file to write the password to")
    store = opened(settings)
    path = Path(settings.broker.password_file)
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(enroll.fleet_password(store) + "\n")
    return f"{path} holds the new password of {settings.broker.username}. {_broker_files(settings, store)}"


def broker_files(settings: FleetSettings) -> str:
    """Write the broker's password and ACL files anew."""
    return _broker_files(settings, opened(settings))


def broker_config(settings: FleetSettings) -> str:
    """Lines for mosquitto.conf: who may come in, and that nothing queued is thrown away."""
    return enroll.broker_config(Path(settings.broker.files or "/etc/mosquitto/condenser"))


def nameplate(site_file: str) -> dict[str, Any]:
    """The [unit] table of a site file, as the fleet keeps it."""
    kept: dict[str, Any] = msgspec.to_builtins(config.load(site_file).unit)
    return kept


def add_user(settings: FleetSettings, login: str, name: str, role: str, password: str) -> str:
    """A new person of the office."""
    if role not in list(Role):
        raise CommandError("role", role, " or ".join(Role))
    people.add_user(opened(settings), login, name, Role(role), password, by=_who(), now=time.time())
    return f"{login} may sign in as {role}"


def set_password(settings: FleetSettings, login: str, password: str) -> str:
    """A new password for a person."""
    people.set_password(opened(settings), login, password, by=_who(), now=time.time())
    return f"{login} has a new password and is signed out everywhere"


def tidy(settings: FleetSettings) -> str:
    """Drop what is past its time; the first ingest worker does so every day by itself."""
    gone = retention.tidy(opened(settings), time.time())
    return ", ".join(f"{table}: {count} gone" for table, count in gone.items())


def _handed_out(settings: FleetSettings, store: Store, made: enroll.Enrolment) -> str:
    said = _broker_files(settings, store)
    return (
        f"# {said}\n# The password of {made.site}, shown this once; it belongs into the file named below, mode 600:\n"
        f"# {made.password}\n\n{made.site_file}"
    )


def _broker_files(settings: FleetSettings, store: Store) -> str:
    if not settings.broker.files:
        return "The broker's files are not ours to write: set [broker] files, or copy what `fleet broker-files` prints."
    pid = int(Path(settings.broker.pid_file).read_text()) if settings.broker.pid_file else None
    enroll.write_broker_files(store, Path(settings.broker.files), pid)
    return f"{settings.broker.files} is written" + ("" if pid is None else ", and the broker reads it again")


def _who() -> str:
    return f"{os.environ.get('SUDO_USER') or os.environ.get('USER') or 'somebody'} at {SHELL}"
