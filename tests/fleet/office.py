"""An office with people, sites and something on every page, for tests of the pages."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from condenser_monitor.monitor.fleet import enroll, people, visits
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.setup import Broker, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import ABOUT, HOUSED, customers, premises, sites, tenancies, users
from condenser_monitor.monitor.fleet.tables import visits as visits_made
from condenser_monitor.monitor.fleet.tenants import OF_TENANCY
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.web.fleet.app import create_app
from tests.fleet.load import LoadSite, site_name
from tests.fleet.payloads import NOON, received

PASSWORD = "long enough words"
NAMES = ("Elm Street 4", "Orchard Lane 9", "Hill Road 12", "Mill Close 3", "Quay 7", "Fern Walk 21")
NOTES = {1: (2, "oxygen concentrator in the house"), 3: (1, "infant")}


class Office:
    """People owner, dispatcher, kim and lou (technicians); six sites, the first two kim's; the clock is at `now`."""

    def __init__(self, store: Store) -> None:
        self.store, self.now = store, 0.0
        if self.count() == 0:
            self._fill()
        with store.read() as connection:
            self.now = connection.scalar(sa.select(sa.func.max(visits_made.c.made_at))) or 0.0
            self.visits = list(connection.scalars(sa.select(visits_made.c.id).order_by(visits_made.c.id)))
        self.app: Flask = create_app(FleetSettings(name="Our plan"), store, wall=lambda: self.now)
        self.app.testing = True

    def copy(self, path: Path) -> Office:
        """The same office once more, in a file of its own, to be changed."""
        source = self.store.url.database
        assert source is not None
        with closing(sqlite3.connect(source)) as whole, closing(sqlite3.connect(path)) as copy:
            whole.backup(copy)
        return Office(Store(f"sqlite:///{path}"))

    def _fill(self) -> None:
        self.people = {
            login: people.add_user(self.store, login, login.capitalize(), role, PASSWORD, by="test", now=NOON)
            for login, role in (
                ("owner", Role.OWNER),
                ("dispatcher", Role.DISPATCHER),
                ("kim", Role.TECHNICIAN),
                ("lou", Role.TECHNICIAN),
            )
        }
        self._enroll()
        self._speak()
        self._book()

    def _enroll(self) -> None:
        for number, name in enumerate(NAMES):
            level, note = NOTES.get(number, (0, ""))
            about: dict[str, Any] = {"name": name, "customer": f"Customer {number}", "address": name, "plan": "gold"}
            about |= {"phone": f"555-01{number:02d}", "vulnerability": level, "vulnerability_note": note}
            about |= {"technician_id": self.people["kim" if number < 2 else "lou"], "plan_visit_due": "2026-05-20"}
            about["unit"] = {"compressor_rla_a": 14.1, "compressor_lra_a": 73.0, "contactor_poles": 1 + number % 2}
            enroll.enroll(self.store, site_name(number), broker=Broker(), by="test", now=NOON, **about)

    def _speak(self) -> None:
        """Each site tells two days, and ends with something standing where its story has it."""
        to = writer(self.store)
        for number in range(len(NAMES)):
            site = LoadSite(number)
            last = 1 + number * 7 % 25  # a cycle during which the site's first finding stands
            self.now = max(self.now, site.begins_at(last) + 1200.0)
            for cycle in range(1, last + 1):
                to.write(received(list(site.burst(cycle)), site.begins_at(cycle) + 900.0), self.now)
            online = (f"condenser/v1/{site.name}/availability", b"offline" if number == 5 else b"online")
            to.write(received([online], site.begins_at(last)), self.now)
        to.write(received([("condenser/v1/load-000000/events", b"<script>alert(1)</script>")], self.now), self.now)

    def _book(self) -> None:
        me = Viewer(id=self.people["owner"], login="owner", name="Owner", role=Role.OWNER)
        made = []
        with self.store.write() as connection:
            for number, login in ((0, "kim"), (2, "kim"), (4, "lou")):
                made.append(
                    visits.book(
                        *(connection, me, site_name(number)),
                        kind="repair",
                        due_day="2026-05-17",
                        technician_id=self.people[login],
                        finding="locked-rotor",
                        suspects=("run-capacitor", "compressor-locked"),
                        now=self.now,
                    )
                )
            visits.finish(connection, me, made[2], was="run-capacitor", used=["capacitor"], text="", now=self.now)

    def client(self, login: str | None) -> FlaskClient:
        """A browser, signed in."""
        browser = self.app.test_client()
        if login is not None:
            answer = post(browser, "/login", "/login", login=login, password=PASSWORD)
            assert answer.status_code == 302
        return browser

    def count(self, table: sa.Table = users) -> int:
        with self.store.read() as connection:
            return connection.scalar(sa.select(sa.func.count()).select_from(table)) or 0

    def site(self, number: int) -> Any:
        with self.store.read() as connection:
            return about(connection, site_name(number))


def about(connection: sa.Connection, site: str) -> Any:
    """What the office knows of a site."""
    return connection.execute(sa.select(*ABOUT.values()).select_from(HOUSED).where(sites.c.site == site)).one()


def put_sites(connection: sa.Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Sites with an `id`, each with premises and a customer of its own, straight into the tables."""
    tables: dict[sa.Table, list[dict[str, Any]]] = {}
    for row in rows:
        known = {"customer": "", "phone": "", "address": "", "premises": "", **row}
        people = {"id": row["id"], "name": known["customer"], "phone": known["phone"]}
        tables.setdefault(customers, []).append(people)
        home = {"id": row["id"], "name": known["premises"], "address": known["address"]}
        tables.setdefault(premises, []).append(home)
        own = {name: value for name, value in row.items() if name in sites.c}
        tables.setdefault(sites, []).append(own | {"premises_id": row["id"]})
        living = {name: row[name] for name in OF_TENANCY if name in row}
        lives = {"site_id": row["id"], "customer_id": row["id"], "from_at": row["enrolled_at"], **living}
        tables.setdefault(tenancies, []).append(lives)
    for table, found in tables.items():
        connection.execute(sa.insert(table), found)
        if connection.dialect.name == "postgresql" and table in (customers, premises):  # the next number is above these
            highest = sa.select(sa.func.max(table.c.id)).scalar_subquery()
            connection.execute(sa.select(sa.func.setval(sa.func.pg_get_serial_sequence(table.name, "id"), highest)))


def raw_bytes(store: Store) -> bytes | None:
    """All that the files of a database hold, unused pages and journals too; None of a server's."""
    if store.postgres:
        return None
    path = Path(store.url.database or "")
    return b"".join(file.read_bytes() for file in path.parent.glob(f"{path.name}*"))


def token(browser: FlaskClient, page: str) -> str:
    """The token in the forms of a page."""
    found = re.search(r'name="csrf" value="([^"]+)"', browser.get(page).text)
    assert found is not None
    return found[1]


def post(browser: FlaskClient, page: str, to: str, **fields: str) -> TestResponse:
    """Fill the form of a page in and send it."""
    return browser.post(to, data={"csrf": token(browser, page), **fields})
