"""Stores and brokers for the fleet's tests: SQLite always, PostgreSQL and mosquitto where they are installed."""

from __future__ import annotations

import itertools
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.fleet.store import Store
from tests.fleet.servers import Broker, Postgres, postgres_bin

_numbers = itertools.count(1)


def _need(what: str, present: bool) -> None:
    """A service that is missing skips a test on a developer's machine and fails it in continuous integration."""
    if not present:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{what} is not installed")


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """One private PostgreSQL for the whole run."""
    _need("PostgreSQL", postgres_bin() is not None)
    server = Postgres()
    yield server
    server.close()


@pytest.fixture
def broker() -> Iterator[Broker]:
    """A private mosquitto that lets anyone in."""
    _need("mosquitto", bool(shutil.which("mosquitto") or Path("/usr/sbin/mosquitto").exists()))
    server = Broker()
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
