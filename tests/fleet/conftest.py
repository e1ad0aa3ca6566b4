"""Databases for the fleet's tests: SQLite always, PostgreSQL where it is installed."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.fleet.store import Store
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


@pytest.fixture(params=["sqlite", "postgres"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """An empty fleet database of each kind, at the newest version."""
    if request.param == "sqlite":
        url = f"sqlite:///{tmp_path}/fleet.db"
    else:
        url = request.getfixturevalue("postgres").database(f"fleet{next(_numbers)}")
    opened = Store(url)
    opened.migrate()
    yield opened
    opened.close()
