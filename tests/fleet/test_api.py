"""The office's JSON interface says what the pages say, to programs whose token has the scope, and to nobody else."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from flask import Flask
from werkzeug.test import TestResponse

from condenser_monitor.monitor.fleet import enroll, people
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.setup import Broker, FleetSettings
from condenser_monitor.monitor.fleet.slots import Slots
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import audit
from condenser_monitor.web.fleet import guard
from condenser_monitor.web.fleet.api import ROUTES
from condenser_monitor.web.fleet.app import create_app
from tests.fleet.load import site_name
from tests.fleet.office import NAMES, NOTES, PASSWORD, Office
from tests.fleet.payloads import NOON

SITE = site_name(0)


class Program:
    """A program that asks an office, with a token of these scopes."""

    def __init__(self, app: Flask, store: Store, *scopes: str) -> None:
        self.token = people.add_token(store, " ".join(scopes), scopes, by="test", now=NOON)
        self.client = app.test_client()

    def json(self, path: str) -> Any:
        """What the answer to a GET says."""
        return self.get(path).get_json()

    def get(self, path: str) -> TestResponse:
        return self.client.get(f"/api/v1{path}", headers={"Authorization": f"Bearer {self.token}"})

    def post(self, path: str, **body: Any) -> TestResponse:
        return self.client.post(f"/api/v1{path}", json=body, headers={"Authorization": f"Bearer {self.token}"})

    def done(self, path: str, **body: Any) -> Any:
        """What a change that is taken gives back."""
        answer = self.post(path, **body)
        assert answer.status_code == 200, answer.text
        return answer.json


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    """An office of the test's own."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    yield Office(store)
    store.close()


def test_every_call_wants_the_scope_that_the_guard_names(office: Office) -> None:
    """No token, a wrong one, one of another scope; a person's session opens none of them; each refusal is JSON."""
    read, write = Program(office.app, office.store, "read"), Program(office.app, office.store, "write")
    owner = office.client("owner")
    for route in ROUTES:
        path = "/api/v1" + route.path.replace("{name}", SITE).replace("{key}", "1")
        scope = "read" if route.method == "GET" else "write"
        assert guard.SCOPED[f"api.{route.name}"] == scope
        other = write if scope == "read" else read
        for headers, status in (
            ({}, 401),
            ({"Authorization": "Bearer wrong"}, 401),
            ({"Authorization": f"Bearer {other.token}"}, 403),
        ):
            answer = office.app.test_client().open(path, method=route.method, headers=headers)
            assert answer.status_code == status, (path, headers)
            assert set(answer.json or {}) == {"error", "why"}
        assert owner.open(path, method=route.method).status_code == 401
    assert read.get("/nothing").status_code == 404


def test_sites_customers_and_cases_are_those_of_the_pages(office: Office) -> None:
    """Found by words, in the order of the morning list; a list is not to be trusted while no ingest lives."""
    program = Program(office.app, office.store, "read")
    found = program.json("/sites")
    assert found["total"] == len(NAMES)
    assert {row["name"] for row in found["rows"]} == set(NAMES)
    assert not any(row["calm"] for row in found["rows"])  # no ingest worker lives
    assert found["trusted"] is False
    assert [row["site"] for row in program.json("/sites?q=elm")["rows"]] == [SITE]
    assert program.json("/sites?from=2")["rows"][0] == found["rows"][2]
    customers = program.json("/customers?q=customer 3")
    assert [(row["customer"], [site["site"] for site in row["sites"]]) for row in customers["rows"]] == [
        ("Customer 3", [site_name(3)])
    ]
    cases = program.json("/cases")["rows"]
    text = office.client("owner").get("/").text
    places = [text.index(f"/site/{row['site']}") for row in cases]
    assert len(cases) >= 2
    assert places == sorted(places)
    one = program.json(f"/sites/{cases[0]['site']}")
    assert cases[0]["finding"] in [row["finding"] for row in one["stands"]]
    assert one["unit"]["compressor_rla_a"] == 14.1
    assert program.get("/sites/nobody").status_code == 404
    with Slots(office.store) as slots:
        slots.beat([0], office.now, {}, office.now)
        assert program.json("/cases")["trusted"] is True


def test_visits_are_listed_by_status(office: Office) -> None:
    """Two booked, one done; people who can be sent are the technicians."""
    program = Program(office.app, office.store, "read")
    booked, done = program.json("/visits"), program.json("/visits?status=done")
    assert [row["technician"] for row in booked["rows"]] == ["Kim", "Kim"]
    assert (done["total"], done["rows"][0]["was"]) == (1, "run-capacitor")
    assert program.json(f"/visits/{office.visits[0]}") == booked["rows"][0]
    assert [row["login"] for row in program.json("/technicians")] == ["kim", "lou"]
    assert program.get("/visits?status=lost").status_code == 400


def test_notes_on_health_are_handed_to_no_program(office: Office) -> None:
    """Whatever is asked; how vulnerable somebody is may be known, by number."""
    program = Program(office.app, office.store, "read")
    paths = ["/sites", "/cases", "/cases?list=drifting", "/customers", "/visits", "/visits?status=done"]
    text = "".join(program.get(path).text for path in [*paths, *(f"/sites/{site_name(n)}" for n in range(len(NAMES)))])
    assert not [note for _, note in NOTES.values() if note in text]
    assert program.json(f"/sites/{site_name(1)}")["vulnerability"] == 2


def test_a_program_books_moves_and_closes_a_visit(office: Office) -> None:
    """As the pages do: the suspects of the day are kept, nobody is booked twice, the log names the program."""
    program, reader = Program(office.app, office.store, "write"), Program(office.app, office.store, "read")
    free = next(row for row in reader.json("/cases")["rows"] if row["booked_day"] is None)
    body = {"site": free["site"], "due_day": "2026-05-20", "technician": "lou", "finding": free["finding"]}
    made = program.done("/visits", **body)
    assert (made["suspects"], made["technician"], made["status"]) == (free["suspects"], "Lou", "booked")
    assert program.post("/visits", **body).status_code == 409
    where = f"/visits/{made['id']}"
    moved = program.done(f"{where}/move", due_day="2026-05-21")
    assert (moved["due_day"], moved["technician"]) == ("2026-05-21", "Lou")
    assert program.done(f"{where}/move", due_day="2026-05-21", technician=None)["technician"] is None
    closed = program.done(f"{where}/outcome", status="done", was="not-found", parts=["fuse"])
    assert (closed["status"], closed["was"], closed["parts"]) == ("done", "not-found", ["fuse"])
    assert program.post(f"{where}/outcome", status="dropped", was="").status_code == 409
    for wrong, status in (
        ({**body, "site": "nobody"}, 404),
        ({**body, "technician": "owner"}, 404),
        ({**body, "due_day": "soon"}, 400),
        ({**body, "more": 1}, 400),
    ):
        assert program.post("/visits", **wrong).status_code == status
    with office.store.read() as connection:
        lines = connection.execute(sa.select(audit.c.who, audit.c.did)).all()
    assert ("program write", "booked a visit to") in [tuple(line) for line in lines]


def test_both_databases_answer_alike(store: Store) -> None:
    """Every call that reads, a booking and a calendar, on SQLite and on PostgreSQL."""
    for name, customer in (("elm", "Rowan"), ("oak", "Rowan"), ("ash", "Alder")):
        enroll.enroll(store, name, broker=Broker(), by="test", now=NOON, customer=customer)
    me = people.add_user(store, "kim", "Kim", Role.TECHNICIAN, PASSWORD, by="test", now=NOON)
    program = Program(create_app(FleetSettings(), store, wall=lambda: NOON), store, "read", "write")
    made = program.done("/visits", site="elm", due_day="2026-05-20", technician="kim")
    assert program.json(f"/visits/{made['id']}") == made == program.json("/visits")["rows"][0]
    found = program.json("/customers")
    assert [(row["customer"], [site["site"] for site in row["sites"]]) for row in found["rows"]] == [
        ("Alder", ["ash"]),
        ("Rowan", ["elm", "oak"]),
    ]
    for path in ("/sites", "/sites/elm", "/cases", "/cases?list=drifting", "/visits?status=done", "/technicians"):
        assert program.get(path).status_code == 200, path
    viewer = Viewer(id=me, login="kim", name="Kim", role=Role.TECHNICIAN)
    secret = people.make_calendar(store, viewer, now=NOON)
    assert b"DTSTART;VALUE=DATE:20260520" in program.client.get(f"/calendar/{secret}.ics").data
