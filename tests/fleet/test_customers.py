"""Customer, premises and unit are three things: who is whom, who moves where, and what is left when one is erased."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa
from alembic import command

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import customers as lists
from condenser_monitor.monitor.fleet import enroll, people, privacy, queries, retention, tenants, visits
from condenser_monitor.monitor.fleet import store as stores
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.retention import coming_months, ensure_months
from condenser_monitor.monitor.fleet.setup import Broker, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import audit, customers, metadata, premises, sites, tenancies
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.web.fleet.app import create_app
from tests.fleet import payloads
from tests.fleet.load import site_name
from tests.fleet.office import Office, about, post, raw_bytes
from tests.fleet.payloads import NOON, received

_DAY_S = 86400.0
_ME = Viewer(id=0, login="owner", name="Owner", role=Role.OWNER)


def _take(store: Store, folder: Path, text: str, now: float = NOON) -> tuple[int, int]:
    """Enrolled, changed."""
    (folder / "list.csv").write_text(text, encoding="utf-8")
    made, changed = lists.enroll_rows(store, lists.read(folder / "list.csv"), broker=Broker(), by="test", now=now)
    return len(made), changed


def _count(store: Store, table: sa.Table) -> int:
    with store.read() as connection:
        return connection.scalar(sa.select(sa.func.count()).select_from(table)) or 0


def _everything(store: Store) -> str:
    with store.read() as connection:
        return "\n".join(str(connection.execute(sa.select(table)).all()) for table in metadata.sorted_tables)


HEAD = "site,name,customer,customer_number,phone,premises,address\n"
LIST = HEAD + (
    "mill-east,East,Rowan,17,555-0101,Mill House,4 Mill Lane\n"
    "mill-west,West,Rowan,17,555-0101,Mill House,\n"
    "shop,Shop,Rowan,17,555-0101,,9 High Street\n"
    "oak,Oak,Rowan,23,555-0199,,2 Oak Road\n"  # of the same name, and somebody else
)


def test_a_list_makes_customers_premises_and_units(fresh_store: Store, tmp_path: Path) -> None:
    """Two of one name by their numbers, one house with two units, one customer with two premises; twice is as once, and
    the list that comes out goes in unchanged."""
    assert [_take(fresh_store, tmp_path, LIST) for _ in range(2)] == [(4, 0), (0, 0)]
    assert (_count(fresh_store, customers), _count(fresh_store, premises), _count(fresh_store, tenancies)) == (2, 3, 4)
    with fresh_store.read() as connection:
        page = queries.customers(connection, _ME, "rowan")
        west = about(connection, "mill-west")
    assert [(row.customer_number, [home.sites for home in row.premises]) for row in page.rows] == [
        ("17", [("mill-east", "mill-west"), ("shop",)]),
        ("23", [("oak",)]),
    ]
    assert west.address == "4 Mill Lane"
    assert _take(fresh_store, tmp_path, "".join(lists.lines(fresh_store))) == (0, 0)


def test_a_line_of_a_list_speaks_of_its_unit_and_a_person_of_the_house(fresh_store: Store, tmp_path: Path) -> None:
    """A list that names another customer for one unit of two makes a customer, and joins the second to the same; on the
    page a name, an address and a note are corrected for the whole house, and nothing is left of what nobody has."""
    _take(fresh_store, tmp_path, LIST)
    assert _take(fresh_store, tmp_path, "site,customer,phone\nmill-east,Alder,555-0133\n") == (0, 1)
    with fresh_store.read() as connection:
        rows = {name: about(connection, name).customer for name in ("mill-east", "mill-west", "shop")}
    assert rows == {"mill-east": "Alder", "mill-west": "Rowan", "shop": "Rowan"}
    assert _take(fresh_store, tmp_path, "site,customer,phone\nmill-west,Alder,555-0133\n") == (0, 1)
    assert _count(fresh_store, customers) == 3
    corrected = {"customer": "Alder-Smith", "address": "5 Mill Lane", "vulnerability": 2}
    with fresh_store.write() as connection:
        assert tenants.edit(connection, _ME, "mill-east", corrected, house=True) == 3
    with fresh_store.read() as connection:
        west, shop = about(connection, "mill-west"), about(connection, "shop")
    assert (west.customer, west.address, west.vulnerability) == ("Alder-Smith", "5 Mill Lane", 2)
    assert (shop.customer, shop.address, shop.vulnerability) == ("Rowan", "9 High Street", 0)
    assert _take(fresh_store, tmp_path, "site,customer_number\nmill-east,23\nmill-west,23\n") == (0, 2)
    assert (_count(fresh_store, customers), _count(fresh_store, premises)) == (2, 3)  # nobody is the third any more


@pytest.fixture
def moved(fresh_store: Store, tmp_path: Path) -> Store:
    """Rowan lived in Mill House with runs, a made and a booked visit; Birch lives there now, and Rowan at the former
    home of Ash."""
    ensure_months(fresh_store, coming_months(NOON - 40 * _DAY_S))
    ensure_months(fresh_store, coming_months(NOON))
    start = NOON - 40 * _DAY_S
    _take(fresh_store, tmp_path, LIST + "ash,Ash,Ash,31,555-0144,,8 Ash Walk\n", start)
    to, old = writer(fresh_store), NOON - 20 * _DAY_S
    raws = [
        payloads.finding("mill-east", 1 + at_s, step, "locked-rotor", wall_s=old + at_s)
        for at_s, step in enumerate(("raised", "cleared"))
    ]
    to.write(received([*raws, payloads.cycle("mill-east", 1, wall_s=old)], old), old)
    with fresh_store.write() as connection:
        tenants.edit(connection, _ME, "mill-east", {"vulnerability_note": "dialysis at home"}, house=True)
        booking: dict[str, Any] = {"kind": "repair", "due_day": "2026-06-30", "technician_id": None, "now": old}
        made = visits.book(connection, _ME, "mill-east", **booking, text="")
        visits.finish(connection, _ME, made, was="run-capacitor", used=["45 uF"], text="key under the pot", now=old)
        visits.book(connection, _ME, "mill-west", **{**booking, "kind": "plan"}, text="ask Rowan first")
        now = NOON - 10 * _DAY_S
        new: dict[str, Any] = {"customer": "Birch", "phone": "555-0155", "plan": "gold", "now": now}
        assert tenants.change(connection, _ME, "mill-west", **new) == ["mill-east", "mill-west"]
        again: dict[str, Any] = {"customer": "Rowan", "phone": "555-0101", "plan": "", "number": "17", "now": now}
        assert tenants.change(connection, _ME, "ash", **again) == ["ash"]
        with pytest.raises(CommandError, match="another customer"):
            tenants.change(connection, _ME, "ash", **again)
    new_s = NOON - 5 * _DAY_S
    raws = [payloads.finding("mill-east", 3, "raised", "fan-not-running", wall_s=new_s)]
    to.write(received(raws, new_s), new_s)
    return fresh_store


def _key(store: Store, number: str) -> int:
    with store.read() as connection:
        found = connection.scalar(sa.select(customers.c.id).where(customers.c.number == number))
    assert found is not None
    return int(found)


def test_who_moves_is_the_same_customer_in_another_house(moved: Store) -> None:
    """Their number, phone and past come along; notes on health end; the unit keeps its history; each export holds its
    own time, at all homes."""
    rowan = _key(moved, "17")
    with moved.read() as connection:
        found = queries.customer(connection, _ME, rowan)
        homes = [(row.site, row.to_at) for row in tenants.former_homes(connection, _ME, rowan)]
        former = queries.customers(connection, _ME, "", former=True)
        east = queries.site(connection, _ME, "mill-east")
    assert found is not None
    assert [row.site for row in found.sites] == ["ash", "shop"]
    assert homes == [("mill-east", NOON - 10 * _DAY_S), ("mill-west", NOON - 10 * _DAY_S)]
    assert [row.customer for row in former.rows] == ["Ash"]
    assert east is not None
    assert [one.customer for one in east.tenancies] == ["Birch", "Rowan"]
    assert {row.finding for row in east.history} == {"locked-rotor", "fan-not-running"}
    assert "dialysis" not in _everything(moved)
    held = privacy.export_customer(moved, rowan)
    assert {one["site"] for one in held["tenancies"]} == {"ash", "shop", "mill-east", "mill-west"}
    text = json.dumps(held)
    assert not [trace for trace in ("locked-rotor", "key under the pot", "555-0101") if trace not in text]
    assert not [trace for trace in ("Birch", "fan-not-running", "$7$") if trace in text]


def test_an_erased_customer_leaves_the_unit_its_repairs_and_nothing_of_themselves(moved: Store) -> None:
    """Every table is searched, on SQLite also the bytes of its files. Where nobody else lived the unit is gone, where
    somebody did it stays: shut out where the erased one lived last, untouched where another lives now."""
    rowan, birch = _key(moved, "17"), privacy.export(moved, "mill-east")
    assert privacy.erase_customer(moved, rowan, by="owner", now=NOON) == ["shop", "ash"]
    left = _everything(moved)
    traces = ("555-0101", "9 High Street", "key under the pot", "ask Rowan first", "locked-rotor")
    assert not [trace for trace in traces if trace in left]
    assert left.count("Rowan") == 1  # the other one of that name
    assert privacy.export(moved, "mill-east") == birch
    with moved.read() as connection:
        names = connection.scalars(sa.select(sites.c.site).order_by(sites.c.site)).all()
        east, ash = queries.site(connection, _ME, "mill-east"), queries.site(connection, _ME, "ash")
        last = connection.execute(sa.select(audit).order_by(audit.c.id.desc())).first()
        made = visits.listed(connection, _ME, status="done")
    assert names == ["ash", "mill-east", "mill-west", "oak"]
    assert east is not None
    assert [one.customer for one in east.tenancies] == ["Birch"]
    assert [(row.site, row.was, row.parts, row.note) for row in made] == [
        ("mill-east", "run-capacitor", ("45 uF",), "")
    ]
    assert ash is not None
    assert [one.customer for one in ash.tenancies] == ["", "Ash"]
    assert (ash.about.revoked_at, ash.about.address) == (NOON, "8 Ash Walk")
    assert last is not None
    assert (last.did, last.what) == ("erased", "a customer")
    raw = raw_bytes(moved)
    if raw is not None:
        assert b"Birch" in raw
        assert not [trace for trace in traces if trace.encode() in raw]
    with pytest.raises(CommandError, match="customer"):
        privacy.erase_customer(moved, rowan, by="owner", now=NOON)


def test_who_left_is_forgotten_after_the_time_that_messages_are_kept(moved: Store) -> None:
    """A former customer with no unit; one who lives elsewhere now stays, without the old home."""
    later = NOON + FLEET.events_days.value * _DAY_S
    retention.tidy(moved, later)
    text = _everything(moved)
    assert "555-0144" not in text
    with moved.read() as connection:
        assert tenants.former_homes(connection, _ME, _key(moved, "17")) == []
        assert [row.customer for row in queries.customers(connection, _ME, "").rows] == ["Birch", "Rowan", "Rowan"]


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    """An office whose broker has its files in a folder."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    made = Office(store)
    settings = FleetSettings(broker=Broker(files=str(tmp_path)))
    made.app = create_app(settings, store, wall=lambda: made.now)
    made.app.testing = True
    yield made
    store.close()


def test_a_customer_is_found_changed_handed_out_and_erased_on_their_page(office: Office, tmp_path: Path) -> None:
    """By the owner; a dispatcher finds and changes. The name must be typed, and the monitor loses its account."""
    owner, desk = office.client("owner"), office.client("dispatcher")
    with office.store.read() as connection:
        key = about(connection, site_name(3)).customer_id
    page = f"/customer/{key}"
    assert page in desk.get("/customers?q=customer 3").text
    assert f"/site/{site_name(3)}" in desk.get(page).text
    form = {"customer": "Willow", "phone": "555-0177", "customer_number": "99"}
    assert post(desk, "/password", page, **form).status_code == 302
    assert post(desk, "/password", page, **{**form, "customer": " "}).status_code == 400
    text = desk.get(page).text
    assert not [word for word in form.values() if word not in text]
    assert "Erase" not in text
    assert desk.get(f"{page}/export.json").status_code == 403
    assert post(desk, "/password", f"{page}/erase", name="Willow").status_code == 403
    held = owner.get(f"{page}/export.json")
    assert held.get_json()["customers"][0]["name"] == "Willow"
    assert "infant" in held.text  # what is known of their health is theirs to have
    assert post(owner, "/password", f"{page}/erase", name="willow").status_code == 400
    assert post(owner, "/password", f"{page}/erase", name="Willow").status_code == 302
    assert owner.get(page).status_code == 404
    assert owner.get(f"/site/{site_name(3)}").status_code == 404
    assert "Willow" not in _everything(office.store)
    accounts = (tmp_path / "passwords").read_text()
    assert site_name(3) not in accounts
    assert site_name(2) in accounts


def test_a_program_reads_and_changes_a_customer(office: Office) -> None:
    """One, and former ones; a number that another has is refused, and one of nobody is none."""
    token = people.add_token(office.store, "crm", ["read", "write"], by="test", now=office.now)
    client, head = office.app.test_client(), {"Authorization": f"Bearer {token}"}

    def call(path: str, **body: Any) -> tuple[int, Any]:
        at = f"/api/v1{path}"
        answer = client.post(at, headers=head, json=body) if body else client.get(at, headers=head)
        return answer.status_code, answer.get_json()

    status, site = call(f"/sites/{site_name(1)}")
    key = site["customer_id"]
    assert call(f"/customers/{key}", customer_number="17", phone="555-0188")[0] == 200
    status, one = call(f"/customers/{key}")
    assert (status, one["customer"], one["customer_number"], one["phone"]) == (200, "Customer 1", "17", "555-0188")
    assert [home["sites"] for home in one["premises"]] == [[site_name(1)]]
    other = call(f"/sites/{site_name(2)}")[1]["customer_id"]
    assert call(f"/customers/{other}", customer_number="17")[0] == 400
    assert call("/customers/999", phone="1")[0] == 404
    assert call("/customers/999")[0] == 404
    assert call(f"/sites/{site_name(2)}/tenant", customer="Customer 1", customer_number="17")[0] == 200
    assert [home["sites"] for home in call(f"/customers/{key}")[1]["premises"]] == [[site_name(1)], [site_name(2)]]
    assert [row["customer"] for row in call("/customers?list=former")[1]["rows"]] == ["Customer 2"]


@pytest.mark.parametrize("kind", ["sqlite", "postgres"])
def test_what_the_columns_of_sites_said_becomes_customers_and_premises(
    kind: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """A database of the version before: a house of two units, one customer with another one, a former tenant under the
    number they had, somebody of the same name with another phone, and a site of which nothing is known."""
    url = f"sqlite:///{tmp_path}/old.db"
    if kind == "postgres":
        url = request.getfixturevalue("postgres").database("before_people")
    store = Store(url)
    rows = [
        (1, "east", "Rowan", "1", "4 Mill Lane", "Mill House", 2, "dialysis", 50.0, "2026-08-01"),
        (2, "west", "Rowan", "1", "", "Mill House", 2, "dialysis", 50.0, None),
        (3, "shop", "Rowan", "1", "9 High Street", "", 0, "", None, None),
        (4, "oak", "Rowan", "2", "2 Oak Road", "", 0, "", None, None),
        (5, "bare", "", "", "", "", 0, "", None, None),
    ]
    names = ("id", "site", "customer", "phone", "address", "premises", "vulnerability", "vulnerability_note")
    old = sa.table("sites", *map(sa.column, (*names, "tenant_since", "away_until", "name", "enrolled_at", "plan")))
    with store.engine.begin() as connection:
        command.upgrade(stores._alembic(connection), "0008")
        for row in rows:
            values = dict(zip((*names, "tenant_since", "away_until"), row, strict=True))
            connection.execute(sa.insert(old).values(**values, name=row[1], enrolled_at=10.0, plan="gold"))
            connection.execute(sa.text("INSERT INTO state (site_id) VALUES (:id)"), {"id": row[0]})
        if kind == "postgres":
            connection.exec_driver_sql("SELECT setval('sites_id_seq', 5)")
        connection.exec_driver_sql(
            "INSERT INTO former_tenants (id, site_id, customer, phone, plan, from_at, to_at)"
            " VALUES (7, 1, 'Ash', '3', 'basic', 10.0, 50.0)"
        )
    store.migrate()
    store.check()
    with closing(store.engine.connect()) as connection:
        page = queries.customers(connection, _ME, "")
        east, west, bare = (about(connection, name) for name in ("east", "west", "bare"))
        lived = tenants.of_site(connection, 1)
    assert [(row.customer, row.phone, [home.sites for home in row.premises]) for row in page.rows] == [
        ("Rowan", "1", [("east", "west"), ("shop",)]),
        ("Rowan", "2", [("oak",)]),
    ]
    assert (west.address, west.plan, west.vulnerability_note) == ("4 Mill Lane", "gold", "dialysis")
    assert (east.away_until, bare.customer, bare.address) == ("2026-08-01", "", "")
    assert [(one.customer, one.number, one.from_at, one.to_at) for one in lived] == [
        ("Rowan", None, 50.0, None),
        ("Ash", 7, 10.0, 50.0),
    ]
    enroll.enroll(store, "new", broker=Broker(), by="test", now=NOON, customer="Elder", address="1 New Street")
    with closing(store.engine.connect()) as connection:  # the numbers given out go on above those taken over
        assert about(connection, "new").customer == "Elder"
    assert msgspec.json.encode(privacy.export(store, "east", 7)).count(b"Rowan") == 0
    store.close()
