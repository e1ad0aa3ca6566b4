"""Enrolment: a site gets a password, an entry in the broker's password and ACL files, and its part of the site file.

The broker's two files are written whole from the database, so that they always say the same as it does. They are in
mosquitto's format: passwords as `$7$` PBKDF2-HMAC-SHA512 hashes (mosquitto_passwd(1)), ACL entries by pattern
(mosquitto.conf(5), acl_file). A site may write its own topics and read its own requests and what the broker keeps of
its own `unit`, nothing else.
"""

from __future__ import annotations

import base64
import hashlib
import os
import secrets
import signal
import tempfile
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa

from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.config import ID_PATTERN
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import tenants
from condenser_monitor.monitor.fleet.messages import READERS
from condenser_monitor.monitor.fleet.people import note
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import settings, sites, state
from condenser_monitor.monitor.private_file import write_private
from condenser_monitor.monitor.publishers.messages import ROOT

FLEET_USER = "fleet_ingest"  # the underscore keeps it out of reach of any site's name
SITE_WRITES = (*READERS, "readings")
SITE_CA = "/etc/condenser-monitor/fleet-ca.crt"  # where a site keeps the authority of the broker's certificate
_ITERATIONS = 101  # mosquitto's own; a random password of 160 bits needs no more
_CREDENTIAL = "fleet-credential"
_PID_BYTES_MOST = 64


class Enrolment(msgspec.Struct, frozen=True, kw_only=True):
    """What a site is handed, once: the password is kept nowhere but in the broker's hash."""

    site: str
    password: str
    site_file: str


def enroll(store: Store, site: str, *, broker: Broker, by: str, now: float, **about: Any) -> Enrolment:
    """Enrol a new site; `about` is what is known of it (name, customer, address, unit, ...; see tables.ABOUT).

    Raises CommandError for a name that cannot be in a topic, or one that is enrolled already.
    """
    if not ID_PATTERN.fullmatch(site):
        raise CommandError("site", site, "1 to 64 letters, digits and inner hyphens")
    password, credential = new_credential()
    row = {"name": site, **about, "site": site, "credential": credential, "enrolled_at": now}
    with store.write() as connection:
        if connection.scalar(sa.select(sites.c.id).where(sites.c.site == site)) is not None:
            raise CommandError("site", site, "a site not enrolled yet; `renew` gives an enrolled one a new password")
        site_id = tenants.enter(connection, row)
        connection.execute(sa.insert(state).values(site_id=site_id, books="{}"))
        note(connection, now, by, "enrolled", site)
    return Enrolment(site=site, password=password, site_file=site_file(site, str(row["name"]), broker))


def renew(store: Store, site: str, *, broker: Broker, by: str, now: float) -> Enrolment:
    """A new password for an enrolled or revoked site; the old one ends with the next writing of the broker's files."""
    password, credential = new_credential()
    change = sa.update(sites).where(sites.c.site == site).values(credential=credential, revoked_at=None)
    with store.write() as connection:
        name = connection.execute(change.returning(sites.c.name)).scalar()
        if name is None:
            raise CommandError("site", site, "an enrolled site")
        note(connection, now, by, "renewed the password of", site)
    return Enrolment(site=site, password=password, site_file=site_file(site, name, broker))


def revoke(store: Store, site: str, *, by: str, now: float) -> None:
    """End a site's right to the broker; its history stays. What it still sends is set aside."""
    change = sa.update(sites).where(sites.c.site == site, sites.c.revoked_at.is_(None))
    with store.write() as connection:
        if not connection.execute(change.values(revoked_at=now, credential="")).rowcount:
            raise CommandError("site", site, "a site that is enrolled")
        note(connection, now, by, "revoked", site)


_FIRST_PROCESS = Path("/proc/1/comm")  # its name (proc(5))


def new_credential() -> tuple[str, str]:
    """A fresh random password of 160 bits, and its line for the broker's password file."""
    password = secrets.token_urlsafe(20)
    return password, hash_for_broker(password, secrets.token_bytes(12))


def hash_for_broker(password: str, salt: bytes) -> str:
    """The hash as mosquitto 2 writes it: `$7$ITERATIONS$SALT$HASH`, base64."""
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ITERATIONS, 64)
    return f"$7${_ITERATIONS}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"


def site_file(site: str, name: str, broker: Broker) -> str:
    """The part of the site file that joins a site to this fleet."""
    lines = {
        "host": broker.host,
        "port": broker.port,
        "username": site,
        "password_file": f"/etc/condenser-monitor/{site}.password",
        "tls": broker.tls,
        "ca_file": SITE_CA if broker.ca_file else "",
    }
    values = [f"{key} = {msgspec.json.encode(value).decode()}" for key, value in lines.items() if value != ""]
    quoted = msgspec.json.encode(name).decode()  # a JSON string is a TOML basic string
    return "\n".join(
        ["[site]", f"id = {msgspec.json.encode(site).decode()}", f"name = {quoted}", "", "[mqtt]", *values, ""]
    )


# ---------------------------------------------------------------- the fleet's own account, and the broker's files


def fleet_password(store: Store) -> str:
    """A new password for the fleet's own account on the broker; the old one ends."""
    password, credential = new_credential()
    with store.write() as connection:
        connection.execute(sa.delete(settings).where(settings.c.key == _CREDENTIAL))
        connection.execute(sa.insert(settings).values(key=_CREDENTIAL, value=credential))
    return password


def write_own_password(store: Store, path: Path) -> None:
    """A new password for the fleet's own account, written to a file that only its owner may read."""
    try:
        write_private(path, f"{fleet_password(store)}\n".encode())
    except OSError as error:
        raise CommandError(
            "broker.password_file", str(path), f"a file that can be written ({error.strerror})"
        ) from None


def broker_files(store: Store) -> tuple[str, str]:
    """The whole text of the broker's password file and of its ACL file."""
    with store.read() as connection:
        own = connection.scalar(sa.select(settings.c.value).where(settings.c.key == _CREDENTIAL))
        query = sa.select(sites.c.site, sites.c.credential).where(
            sites.c.revoked_at.is_(None), sites.c.credential != ""
        )
        rows = [(site, credential) for site, credential in connection.execute(query.order_by(sites.c.site))]
    fleet = [(FLEET_USER, own)] if own else []
    passwords = "".join(f"{user}:{credential}\n" for user, credential in [*fleet, *rows])
    return passwords, "\n".join([_fleet_entry(), _site_patterns()])


def _site_patterns() -> str:
    """One entry for all sites, by pattern: a site's name is its account's, and the file does not grow with them. The
    fleet's own account has a name that no topic of a site can have, so that nothing is opened to it."""
    writes = [f"pattern write {ROOT}/%u/{name}" for name in SITE_WRITES]
    reads = [f"pattern read {ROOT}/%u/{name}" for name in ("requests", "unit")]
    return "\n".join([*writes, *reads, ""])


def _fleet_entry() -> str:
    reads = [f"topic read {ROOT}/+/{name}" for name in SITE_WRITES]
    return "\n".join([f"user {FLEET_USER}", *reads, f"topic write {ROOT}/+/requests", ""])


def broker_config(directory: Path) -> str:
    """Lines for mosquitto.conf that this fleet counts on.

    Queues without a bound in number, because an office that is down for a day must find everything; bound them in bytes
    (max_queued_bytes) where memory is short: what then falls out is asked of the sites again.
    """
    lines = (
        "allow_anonymous false",
        f"password_file {directory}/passwords",
        f"acl_file {directory}/acl",
        "persistence true",
        "autosave_interval 60",
        "max_queued_messages 0",
        "max_inflight_messages 0",
        "persistent_client_expiration 14d",
    )
    return "\n".join(lines)


def write_broker_files(store: Store, directory: Path, broker_pid: int | None = None) -> None:
    """Write `passwords` and `acl` into `directory`, each in one step, and have the broker of that process id read
    them again; it then disconnects whoever may no longer be there. Raises CommandError when they cannot be written."""
    passwords, acl = broker_files(store)
    try:
        for name, text in (("passwords", passwords), ("acl", acl)):
            _replace(directory / name, text)
    except OSError as error:
        raise CommandError("broker.files", str(directory), f"a folder to write to ({error.strerror})") from None
    if broker_pid is not None:
        os.kill(broker_pid, signal.SIGHUP)


def update_broker(store: Store, broker: Broker, *, reload: bool = True) -> str:
    """Write the broker's files, where the fleet file names their folder, and have it read them again; what came of it,
    in words."""
    if not broker.files:
        return "The broker's files are not written: name their folder as `files` under [broker] in the fleet file."
    write_broker_files(store, Path(broker.files))
    told = reload_broker(broker.pid_file) if reload and broker.pid_file else ""
    return f"{broker.files} is written{told}"


def reload_broker(pid_file: str) -> str:
    """Have the broker read its files again; what came of it, in words."""
    try:
        pid = int(untrusted_input.read_text(pid_file, _PID_BYTES_MOST))
        # For the system 0 and below mean many processes at once; the first is the broker in a container of its own.
        if pid < 1 or (pid == 1 and _FIRST_PROCESS.read_text().strip() != "mosquitto"):
            raise ValueError(f"{pid} in {pid_file}")
        os.kill(pid, signal.SIGHUP)
    except (FileNotFoundError, ProcessLookupError):
        return "; the broker is not running, and reads it when it starts"
    except (OSError, ValueError, OverflowError) as error:
        return f"; the broker could not be told ({error}): have it read its files again"
    return ", and the broker reads it again"


def _replace(path: Path, text: str) -> None:
    mode, owner = (path.stat().st_mode, path.stat()) if path.exists() else (0o640, None)
    with tempfile.NamedTemporaryFile("w", dir=path.parent, delete=False, encoding="utf-8") as new:
        new.write(text)
    os.chmod(new.name, mode & 0o777)
    if owner is not None and os.geteuid() == 0:  # the broker's own user keeps its right to read
        os.chown(new.name, owner.st_uid, owner.st_gid)
    os.replace(new.name, path)
