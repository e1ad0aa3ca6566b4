"""The fleet's database: opened from a URL, brought to the version this program knows, used in transactions.

`sqlite:///PATH` needs nothing installed and serves up to a few hundred sites from one machine; `postgresql://...`
serves more, from several processes and machines.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import event

from condenser_monitor.monitor.core.errors import CONTROLS, DatabaseError

_MIGRATIONS = Path(__file__).with_name("migrations")
# s, ms: a server that has vanished is noticed. The encoding is said, as a database of SQL_ASCII (a cluster made under
# the locale C) has none to give and all its text would come as bytes.
_POSTGRES = {"connect_timeout": 5, "tcp_user_timeout": 30_000, "client_encoding": "utf8"}
_BUSY_MS = 20_000  # SQLite: how long a writer waits for another one


# A file that is no database, or a damaged one, comes as a DatabaseError that is none of its kinds.
_USABLE = "a reachable database that this user may write"
_FAILED = (sa.exc.OperationalError, sa.exc.InterfaceError, sa.exc.InternalError)


class Store:
    """A database of the fleet. Raises DatabaseError when the URL cannot be used or the database not be reached."""

    def __init__(self, url: str, *, pool: int = 4) -> None:
        self.url = _url(url)
        self.postgres = self.url.get_backend_name() == "postgresql"
        options: dict[str, Any] = {}
        if self.postgres:
            options = {"pool_size": pool, "max_overflow": 2, "pool_pre_ping": True, "connect_args": _POSTGRES}
        self.engine = sa.create_engine(self.url, **options)
        if not self.postgres:
            _closed(Path(self.url.database or ""))
            event.listen(self.engine, "connect", _sqlite_connect)
            event.listen(self.engine, "begin", _sqlite_begin)

    @contextmanager
    def write(self) -> Iterator[sa.Connection]:
        """One transaction, committed at the end of the block. Database failures become DatabaseError."""
        with self.explained(), self.engine.connect().execution_options(writes=True) as connection, connection.begin():
            yield connection

    @contextmanager
    def read(self) -> Iterator[sa.Connection]:
        """One transaction that sees one instant of the database and changes nothing."""
        options: dict[str, Any] = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
        with self.explained(), self.engine.connect() as raw:
            connection = raw.execution_options(**options) if self.postgres else raw
            with connection.begin():
                yield connection

    @contextmanager
    def explained(self) -> Iterator[None]:
        """Turns a failure of the database itself, not of what was asked of it, into a DatabaseError."""
        try:
            yield
        except sa.exc.DBAPIError as error:
            if not isinstance(error, _FAILED) and type(error) is not sa.exc.DatabaseError:
                raise  # what was asked of it
            reason = str(error.orig).strip().splitlines() or [type(error).__name__]
            raise DatabaseError(self.place, reason[0], _USABLE) from error
        except UnicodeDecodeError as error:  # SQLite's own words about a damaged file, with bytes of the file in them
            if self.postgres:
                raise
            raise DatabaseError(self.place, error.object.decode(errors="replace"), _USABLE) from error

    def migrate(self) -> None:
        """Bring the database to the version this program knows; does nothing when it is there already."""
        with self.explained(), self.engine.begin() as connection:
            if self.postgres:  # two starting at once: the second waits, then finds nothing to do
                connection.exec_driver_sql("SELECT pg_advisory_xact_lock(hashtext('condenser-fleet-migrate'))")
            command.upgrade(_alembic(connection), "head")

    def check(self) -> None:
        """Raises DatabaseError when the database is not of the version this program knows."""
        with self.explained(), self.engine.connect() as connection:
            found = MigrationContext.configure(connection).get_current_revision()
        wanted = ScriptDirectory.from_config(_alembic(None)).get_current_head()
        if found != wanted:
            allowed = f"version {wanted}: run `condenser-monitor fleet migrate`"
            raise DatabaseError(self.place, f"version {found}", allowed)

    @property
    def place(self) -> str:
        """The URL without its password and driver, for messages."""
        return self.url.set(drivername=self.url.get_backend_name()).render_as_string(hide_password=True)

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()


def _url(text: str) -> sa.URL:
    try:
        url = sa.make_url(text)
        backend = "" if CONTROLS.search(text + (url.database or "")) else url.get_backend_name()
    except (sa.exc.ArgumentError, ValueError):  # a ValueError for a port that is no number
        backend = ""
    if backend == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if backend == "sqlite" and url.database not in (None, "", ":memory:") and not (url.host or url.username):
        return url.set(drivername="sqlite+pysqlite")
    raise DatabaseError("fleet database", text, "sqlite:///PATH or postgresql://USER@HOST/DATABASE")


def _closed(path: Path) -> None:
    """Make an SQLite file readable by its owner only from its first byte: it holds people, and hashes of passwords.
    SQLite gives what it makes beside it the same rights. One that cannot be made is for who opens it to say."""
    with suppress(OSError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))


def _alembic(connection: sa.Connection | None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def _sqlite_connect(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None  # transactions begin where _sqlite_begin says, not where the driver guesses
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", f"busy_timeout={_BUSY_MS}"):
        connection.execute(f"PRAGMA {pragma}")


def _sqlite_begin(connection: sa.Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
