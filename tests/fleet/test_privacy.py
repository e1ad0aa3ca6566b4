"""What is held of a customer can be handed out whole and erased for good; notes on health stand in one place only."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import RequestKind
from condenser_monitor.monitor.fleet import enroll, people, privacy, resend, visits
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.retention import coming_months, ensure_months
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import audit, metadata
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.monitor.publishers.messages import PersonsRequest
from tests.fleet import payloads
from tests.fleet.office import Office, post, raw_bytes
from tests.fleet.payloads import NOON, received

_ABOUT = {
    "name": "Rosewood Cottage",
    "customer": "Quillfeather household",
    "address": "77 Larkspur Bend",
    "phone": "555-0177",
    "vulnerability": 2,
    "vulnerability_note": "dialysis at home",
}
_TRACES = ("rosewood-77", *(str(value) for value in _ABOUT.values() if isinstance(value, str)), "ask her brother first")


def _lived_in(store: Store) -> None:
    """Two sites, one with a trace in every table that knows sites."""
    ensure_months(store, coming_months(NOON))
    me = people.add_user(store, "owner", "Owner", Role.OWNER, "long enough words", by="test", now=NOON)
    viewer = Viewer(id=me, login="owner", name="Owner", role=Role.OWNER)
    enroll.enroll(store, "rosewood-77", broker=Broker(), by="test", now=NOON, **_ABOUT)
    enroll.enroll(store, "neighbor", broker=Broker(), by="test", now=NOON, name="Neighbor House")
    to = writer(store)
    for name in ("rosewood-77", "neighbor"):
        raws = [payloads.finding(name, 1, "raised"), payloads.cycle(name, 1), payloads.unit(name)]
        to.write(received([*raws, (f"condenser/v1/{name}/events", b"{")]), NOON)
    with store.write() as connection:
        booking: dict[str, Any] = {
            "kind": "repair",
            "due_day": "2026-07-15",
            "technician_id": None,
            "text": "ask her brother first",
        }
        visits.book(connection, viewer, "rosewood-77", **booking, now=NOON)
        ask = PersonsRequest(id="r1", request=RequestKind.RESUME, by="ask her brother first")
        resend.put(connection, 1, ask, NOON)


def _everything(store: Store) -> str:
    with store.read() as connection:
        tables = [str(connection.execute(sa.select(table)).all()) for table in metadata.sorted_tables]
    return "\n".join(tables)


def test_an_erased_customer_is_nowhere_in_the_database_or_the_log(fresh_store: Store) -> None:
    """Every table is searched, on SQLite also the bytes of its files; the neighbor keeps everything."""
    _lived_in(fresh_store)
    before = _everything(fresh_store)
    assert not [trace for trace in _TRACES if trace not in before]
    assert privacy.erase(fresh_store, "rosewood-77", by="owner", now=NOON + 5) >= 8
    after = _everything(fresh_store)
    assert not [trace for trace in _TRACES if trace in after]
    assert "Neighbor House" in after
    assert "neighbor/events" in after
    with fresh_store.read() as connection:
        last = connection.execute(sa.select(audit).order_by(audit.c.id.desc())).first()
    assert last is not None
    assert (last.who, last.did, last.what) == ("owner", "erased", "a site")
    raw = raw_bytes(fresh_store)
    if raw is not None:
        assert b"Neighbor House" in raw
        assert not [trace for trace in _TRACES if trace.encode() in raw]
    with pytest.raises(CommandError, match="enrolled or revoked"):
        privacy.erase(fresh_store, "rosewood-77", by="owner", now=NOON)


def test_an_export_holds_what_is_known_and_no_secret(fresh_store: Store) -> None:
    """As JSON: the person's data, messages, visits and the log's lines; not the password's hash, and nobody else."""
    _lived_in(fresh_store)
    text = json.dumps(privacy.export(fresh_store, "rosewood-77"))
    assert not [trace for trace in _TRACES if trace not in text]
    assert "$7$" not in text
    assert "Neighbor" not in text
    assert {"events", "cycles", "site_days", "standing", "snapshots", "visits", "asks"} <= json.loads(text).keys()


def test_notes_on_health_are_never_in_the_log(tmp_path: Path) -> None:
    """Neither from the page nor from a list of customers: the log says that they were changed."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    office = Office(store)
    browser = office.client("dispatcher")
    site = office.site(0).site
    about = {"name": "Elm", "vulnerability": "2", "vulnerability_note": "dialysis at home"}
    assert post(browser, "/password", f"/site/{site}/about", **about).status_code == 302
    with store.read() as connection:
        log = str(connection.execute(sa.select(audit)).all())
    assert office.site(0).vulnerability_note == "dialysis at home"
    assert "dialysis" not in log
    assert "(changed)" in log
    store.close()
