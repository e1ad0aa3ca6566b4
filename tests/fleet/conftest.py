"""Databases for the fleet's tests: SQLite always, PostgreSQL where it is installed."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import metadata
from tests.conftest import need
from tests.fleet.servers import Postgres, postgres_bin

_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """One private PostgreSQL for the whole run."""
    need("postgresql", postgres_bin() is not None)
    server = Postgres()
    yield server
    server.close()


@pytest.fixture(scope="session")
def postgres_url(postgres: Postgres) -> str:
    """One migrated database that the tests share, one after the other."""
    url = postgres.database("shared")
    store = Store(url)
    store.migrate()
    store.close()
    return url


@pytest.fixture(params=["sqlite", "postgres"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """An empty fleet database of each kind, at the newest version. Its tables are not to be altered."""
    if request.param == "sqlite":
        opened = Store(f"sqlite:///{tmp_path}/fleet.db")
        opened.migrate()
    else:
        opened = Store(request.getfixturevalue("postgres_url"))
    yield opened
    if opened.postgres:
        with opened.engine.begin() as connection:
            connection.exec_driver_sql(f"TRUNCATE {', '.join(metadata.tables)} RESTART IDENTITY")
    opened.close()


@pytest.fixture(params=["sqlite", "postgres"])
def fresh_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """A database of the test's own of each kind, at the newest version, to do with as it likes."""
    if request.param == "sqlite":
        url = f"sqlite:///{tmp_path}/fleet.db"
    else:
        url = request.getfixturevalue("postgres").database(f"own{next(_numbers)}")
    opened = Store(url)
    opened.migrate()
    yield opened
    opened.close()
