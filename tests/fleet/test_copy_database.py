"""Moving to another database: everything comes along, and work goes on there."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import copy_database, enroll, people
from condenser_monitor.monitor.fleet.people import Role
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import metadata
from tests.fleet.office import PASSWORD, Office
from tests.size import long_one

pytestmark = long_one


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    """An office on SQLite with something in every table that grows."""
    store = Store(f"sqlite:///{tmp_path}/old.db")
    store.migrate()
    yield Office(store)
    store.close()


def _text(row: sa.Row[Any]) -> str:
    """A row as text; PostgreSQL keeps the keys of its JSON in an order of its own."""
    return json.dumps(list(row), sort_keys=True, default=repr)


def _rows(store: Store) -> dict[str, list[str]]:
    with store.read() as connection:
        return {
            table.name: sorted(_text(row) for row in connection.execute(sa.select(table)))
            for table in metadata.sorted_tables
        }


def test_everything_comes_along_and_work_goes_on(store: Store, office: Office) -> None:
    """Every row of every table is the same on both databases; new rows get numbers of their own; sign-in works."""
    copied = copy_database.copy(office.store, store)
    before = _rows(office.store)
    assert _rows(store) == before
    assert copied == {name: len(rows) for name, rows in before.items()}
    assert copied["cycles"] > 50
    enroll.enroll(store, "new-site", broker=Broker(), by="test", now=office.now)
    people.add_user(store, "new", "New", Role.TECHNICIAN, PASSWORD, by="test", now=office.now)
    assert people.sign_in(store, "kim", PASSWORD, address="", now=office.now) is not None


def test_a_database_with_something_in_it_is_not_touched(store: Store, office: Office) -> None:
    """Refused, and the same as before."""
    enroll.enroll(store, "mine", broker=Broker(), by="test", now=1.0)
    before = _rows(store)
    with pytest.raises(CommandError, match="empty"):
        copy_database.copy(office.store, store)
    assert _rows(store) == before
