"""Branches of one company see only their own; customer, premises and site are three things, and houses change hands."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic import command

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import (
    customers,
    enroll,
    people,
    privacy,
    queries,
    season,
    tenants,
    visits,
    webhooks,
)
from condenser_monitor.monitor.fleet import store as stores
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.retention import coming_months, ensure_months
from condenser_monitor.monitor.fleet.season import SeasonSpan
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import customers as customers_
from condenser_monitor.monitor.fleet.tables import metadata, outbox, sites, tenancies, users
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.web.fleet import guard
from tests.fleet import payloads
from tests.fleet.load import site_name
from tests.fleet.office import NAMES, PASSWORD, Office, about, post
from tests.fleet.payloads import NOON, received

_DAY_S = 86400.0
_WHOLE = Viewer(id=0, login="whole", name="Whole", role=Role.OWNER)
NORTH, SOUTH = "North", "South"


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    """Sites 0 to 2 are North's, the others South's; `nora` dispatches for North, `stan` is South's technician."""
    store = Store(f"sqlite:///{tmp_path_factory.mktemp('branches')}/fleet.db")
    store.migrate()
    made = Office(store)
    with store.write() as connection:
        for number in range(len(NAMES)):
            branch = NORTH if number < 3 else SOUTH
            connection.execute(sa.update(sites).where(sites.c.site == site_name(number)).values(branch=branch))
    for login, role, branch in (("nora", Role.DISPATCHER, NORTH), ("stan", Role.TECHNICIAN, SOUTH)):
        people.add_user(store, login, login.capitalize(), role, PASSWORD, branch=branch, by="test", now=made.now)
    yield made
    store.close()


def _of_south() -> list[str]:
    return [
        words for number in range(3, len(NAMES)) for words in (NAMES[number], site_name(number), f"Customer {number}")
    ]


def _addresses(office: Office) -> Iterator[str]:
    """Every page that can be asked for, of every site and visit."""
    for rule in office.app.url_map.iter_rules():
        if "GET" not in (rule.methods or ()) or rule.endpoint in ("static", "work.feed") or "api" in rule.endpoint:
            continue
        if "name" in rule.arguments:
            yield from (rule.rule.replace("<name>", site_name(number)) for number in range(len(NAMES)))
        elif rule.arguments:
            head = rule.rule.partition("<")[0]
            yield from (f"{head}{key}" for key in office.visits)
        else:
            yield rule.rule


def test_no_page_list_or_file_shows_another_branch(office: Office) -> None:
    """Every address of the office is asked for, as North's dispatcher: nothing of South is in any answer, and South's
    sites and visits are not there. The whole company's dispatcher sees both."""
    nora, whole = office.client("nora"), office.client("dispatcher")
    seen = 0
    for address in _addresses(office):
        answer = nora.get(address)
        text = answer.get_data().decode(errors="replace")
        assert answer.status_code == 404 or not any(site_name(number) in address for number in range(3, len(NAMES)))
        assert not [trace for trace in _of_south() if trace in text], address
        seen += NAMES[0] in text
    assert seen >= 5
    assert nora.get(f"/site/{site_name(4)}").status_code == 404
    assert NAMES[4] in whole.get(f"/site/{site_name(4)}").text
    for number in range(len(NAMES)):
        with office.store.read() as connection:
            customer = about(connection, site_name(number)).customer_id
        assert nora.get(f"/customer/{customer}").status_code == (200 if number < 3 else 404)
        answer = post(nora, "/password", f"/customer/{customer}", customer="", phone="")
        assert answer.status_code == 400
    assert "work.score" in guard.RIGHTS
    assert "1 of 1" not in nora.get("/score").text  # the one visit that was made is South's


def test_a_branch_changes_nothing_of_another(office: Office, tmp_path: Path) -> None:
    """Neither its sites, nor its visits, nor by its technicians; and no site is moved out of the branch."""
    own = office.copy(tmp_path / "own.db")
    nora, south = own.client("nora"), site_name(4)
    with own.store.read() as connection:
        stan = connection.scalar(sa.select(users.c.id).where(users.c.login == "stan"))
        before = connection.execute(sa.select(sites).where(sites.c.site == south)).one()
        of_south = next(row.id for row in visits.listed(connection, _WHOLE, status="done") if row.site == south)
    booking = {"kind": "repair", "due_day": "2026-07-20", "technician": "", "finding": "", "note": ""}
    assert post(nora, "/password", f"/site/{south}/about", name="Ours").status_code == 400
    assert post(nora, "/password", f"/site/{south}/visits", **booking).status_code == 400
    assert post(nora, "/password", f"/site/{south}/tenant", customer="Ours").status_code == 400
    assert post(nora, "/password", f"/visit/{of_south}", outcome="dropped").status_code in (400, 404)
    for_stan = {**booking, "technician": str(stan)}
    assert post(nora, "/password", f"/site/{site_name(1)}/visits", **for_stan).status_code == 400
    assert post(nora, "/password", f"/site/{site_name(1)}/about", name="Elm", branch=SOUTH).status_code == 400
    with own.store.read() as connection:
        assert connection.execute(sa.select(sites).where(sites.c.site == south)).one() == before
    with pytest.raises(CommandError, match="owner"):
        people.add_user(own.store, "x", "X", Role.OWNER, PASSWORD, branch=NORTH, by="test", now=NOON)
    with pytest.raises(CommandError, match="metrics"):
        people.add_token(own.store, "x", ["metrics"], branch=NORTH, by="test", now=NOON)
    own.store.close()


def test_programs_calendars_and_webhooks_of_a_branch_know_only_its_sites(office: Office, tmp_path: Path) -> None:
    """A token, a feed and a receiver of North: every call of the interface, the feed and the outbox are searched."""
    own = office.copy(tmp_path / "own.db")
    secret = people.add_token(own.store, "north", ["read", "write"], branch=NORTH, by="test", now=own.now)
    browser, head = own.app.test_client(), {"Authorization": f"Bearer {secret}"}
    for call in ("sites", "cases", "cases?list=drifting", "customers", "visits", "visits?status=done", "technicians"):
        text = browser.get(f"/api/v1/{call}", headers=head).get_data(as_text=True)
        assert not [trace for trace in (*_of_south(), "stan") if trace in text], call
    found = browser.get("/api/v1/sites", headers=head).get_json()
    assert {row["branch"] for row in found["rows"]} == {NORTH}
    assert found["total"] == 3
    assert browser.get(f"/api/v1/sites/{site_name(4)}", headers=head).status_code == 404
    with own.store.read() as connection:
        nora = connection.execute(sa.select(users).where(users.c.login == "nora")).one()
    me = Viewer(id=nora.id, login="nora", name="Nora", role=Role.DISPATCHER, branch=NORTH)
    feed = own.app.test_client().get(f"/calendar/{people.make_calendar(own.store, me, now=own.now)}.ics").text
    assert NAMES[0] in feed
    assert not [trace for trace in _of_south() if trace in feed]
    webhooks.add(own.store, "north", "https://north.test/", [], branch=NORTH, by="test", now=own.now)
    webhooks.add(own.store, "all", "https://all.test/", [], by="test", now=own.now)
    to = writer(own.store)
    for number in (1, 4):
        raw = payloads.unit(
            site_name(number), wall_s=own.now, findings=("door-open",), origin="new", sent={"events": 0}
        )
        to.write(received([raw], own.now), own.now)
        with own.store.write() as connection:
            visits.book(
                *(connection, _WHOLE, site_name(number)),
                kind="plan",
                due_day="2026-08-01",
                technician_id=None,
                now=own.now,
            )
    with own.store.read() as connection:
        rows = connection.execute(sa.select(outbox.c.webhook, outbox.c.body)).all()
    told = {
        name: {json.loads(body)["data"]["site"] for hook, body in rows if hook == name} for name in ("north", "all")
    }
    assert told == {"north": {site_name(1)}, "all": {site_name(1), site_name(4)}}
    assert "".join(customers.lines(own.store, viewer=me)).count("load-") == 3
    own.store.close()


# ---------------------------------------------------------------- customers, premises, sites; tenants


@pytest.fixture
def house(fresh_store: Store) -> Store:
    """One house with two units, and another of the same customer; a year of the old tenant, then a new one."""
    ensure_months(fresh_store, coming_months(NOON - 40 * _DAY_S))
    ensure_months(fresh_store, coming_months(NOON))
    for name, premises in (("east", "Mill House"), ("west", "Mill House"), ("shop", "The Shop")):
        about: dict[str, Any] = {
            "name": f"{name} unit",
            "customer": "Old Tenant",
            "phone": "555-0100",
            "premises": premises,
        }
        about |= {"vulnerability": 2, "vulnerability_note": "dialysis at home"}
        enroll.enroll(fresh_store, name, broker=Broker(), by="test", now=NOON - 40 * _DAY_S, **about)
    to, old = writer(fresh_store), NOON - 20 * _DAY_S
    raws = [payloads.finding("east", 1, "raised", "locked-rotor", wall_s=old), payloads.cycle("east", 1, wall_s=old)]
    to.write(received([*raws, payloads.finding("east", 2, "cleared", "locked-rotor", wall_s=old + 60)], old), old)
    with fresh_store.write() as connection:
        booking: dict[str, Any] = {"kind": "plan", "due_day": "2026-06-30", "technician_id": None}
        visits.book(connection, _WHOLE, "west", **booking, text="key under the old pot", now=old)
        changed = tenants.change(
            *(connection, _WHOLE, "east"), customer="New Tenant", phone="555-0199", plan="gold", now=NOON - 10 * _DAY_S
        )
    assert changed == ["east", "west"]  # the units of one house together; the same customer's shop stays theirs
    new = NOON - 5 * _DAY_S
    raws = [payloads.finding("east", 3, "raised", "fan-not-running", wall_s=new), payloads.cycle("east", 2, wall_s=new)]
    to.write(received(raws, new), new)
    return fresh_store


_OF_OLD = ("Old Tenant", "555-0100", "key under the old pot", "locked-rotor")
_OF_NEW = ("New Tenant", "555-0199", "fan-not-running")


def test_a_new_tenant_gets_nothing_of_the_old_ones_and_each_export_holds_its_own(house: Store) -> None:
    """Export and season report of both; what was noted of the old tenant's health is gone at once."""
    exports = {
        tenant: "".join(json.dumps(privacy.export(house, name, tenant)) for name in ("east", "west"))
        for tenant in (None,)
    }
    assert not [trace for trace in _OF_OLD if trace in exports[None]]
    assert not [trace for trace in _OF_NEW if trace not in exports[None]]
    with house.read() as connection:
        keys = {row.site: row.id for row in connection.execute(sa.select(sites))}
        former = {
            name: next(one.number for one in tenants.of_site(connection, keys[name]) if one.number is not None)
            for name in ("east", "west")
        }
        everything = "\n".join(str(connection.execute(sa.select(table)).all()) for table in metadata.sorted_tables)
        shop = queries.site(connection, _WHOLE, "shop")
        found = queries.customers(connection, _WHOLE, "")
    assert everything.count("dialysis") == 1  # the shop is still the old customer's
    assert shop is not None
    assert (shop.about.customer, shop.beside) == ("Old Tenant", ())
    assert {row.customer: len(row.sites) for row in found.rows} == {"New Tenant": 2, "Old Tenant": 1}
    old = "".join(json.dumps(privacy.export(house, name, number)) for name, number in former.items())
    assert not [trace for trace in _OF_OLD if trace not in old]
    assert not [trace for trace in _OF_NEW if trace in old]
    reports = {}
    with house.read() as connection:
        for tenant in (None, former["east"]):
            about: dict[str, Any] = {"company": "Plan", "scale": "F", "now": NOON, "tenant": tenant}
            span = SeasonSpan("2026-06-01", "2026-07-14")
            reports[tenant] = str(season.customer_document(connection, _WHOLE, "east", span, **about))
    assert "New Tenant" in reports[None]
    assert "It cooled 1 times" in reports[None]
    assert "Old Tenant" not in reports[None]
    assert "Old Tenant" in reports[former["east"]]
    assert "It cooled 1 times" in reports[former["east"]]
    with pytest.raises(CommandError, match="nobody lived there before"):
        privacy.export(house, "shop", 1)


def test_a_former_tenant_can_be_erased_alone(house: Store) -> None:
    """Their rows go; the new tenant's export is the same before and after."""
    before = privacy.export(house, "east")
    with house.read() as connection:
        former = sa.select(tenancies).where(tenancies.c.to_at.is_not(None))
        numbers = {row.site_id: row.id for row in connection.execute(former)}
        keys = {row.site: row.id for row in connection.execute(sa.select(sites))}
    for name in ("east", "west"):
        assert privacy.erase_tenant(house, name, numbers[keys[name]], by="owner", now=NOON) >= 1
    assert privacy.export(house, "east") == before
    with house.read() as connection:
        left = "\n".join(str(connection.execute(sa.select(table)).all()) for table in metadata.sorted_tables)
        shop = str(connection.execute(sa.select(customers_).where(customers_.c.name == "Old Tenant")).all())
    assert not [trace for trace in _OF_OLD if trace in left.replace(shop.strip("[]"), "")]


def test_units_of_one_house_are_shown_beside_each_other(house: Store) -> None:
    """The page of one leads to the other, and says who lived there."""
    with house.read() as connection:
        page = queries.site(connection, _WHOLE, "east")
    assert page is not None
    assert page.beside == (("west", "west unit"),)
    assert [one.customer for one in page.tenancies] == ["New Tenant", "Old Tenant"]


def test_a_database_of_the_version_before_is_brought_over_with_its_rows(
    tmp_path: Path, request: pytest.FixtureRequest, kind: str
) -> None:
    """People, sites and receivers made before there were branches see and are seen as ever."""
    url = f"sqlite:///{tmp_path}/old.db"
    if kind == "postgres":
        url = request.getfixturevalue("postgres").database("before_branches")
    store = Store(url)
    with store.engine.begin() as connection:
        command.upgrade(stores._alembic(connection), "0004")
        connection.exec_driver_sql(
            "INSERT INTO sites (id, site, name, enrolled_at) VALUES (1, 'old-site', 'Old Site', 1.0)"
        )
        connection.exec_driver_sql("INSERT INTO state (site_id) VALUES (1)")
        connection.exec_driver_sql(
            "INSERT INTO users (id, login, name, role, password_hash, active, made_at)"
            " VALUES (1, 'ann', 'Ann', 'dispatcher', 'x', true, 1.0)"
        )
    store.migrate()
    store.check()
    with closing(store.engine.connect()) as connection:
        row = connection.execute(sa.select(users)).one()
        me = Viewer(id=row.id, login=row.login, name=row.name, role=Role(row.role), branch=row.branch)
        page = queries.site(connection, me, "old-site")
    assert page is not None
    assert (page.about.branch, page.about.premises, [one.number for one in page.tenancies]) == ("", "", [None])
    store.close()


@pytest.fixture(params=["sqlite", "postgres"])
def kind(request: pytest.FixtureRequest) -> str:
    """Each kind of database."""
    return str(request.param)


def test_a_house_changes_hands_on_the_page_and_by_a_program(office: Office, tmp_path: Path) -> None:
    """Both name the new customer, keep the old one's time apart and link their report; nobody's name is not taken."""
    own = office.copy(tmp_path / "own.db")
    secret = people.add_token(own.store, "writer", ["read", "write"], by="test", now=own.now)
    browser, head = own.app.test_client(), {"Authorization": f"Bearer {secret}"}
    address = f"/api/v1/sites/{site_name(1)}/tenant"
    answer = browser.post(address, headers=head, json={"customer": "Next Person", "phone": "555-0199"})
    assert (answer.status_code, answer.get_json()["customer"]) == (200, "Next Person")
    assert browser.post(address, headers=head, json={"customer": " "}).status_code == 400
    assert browser.post("/api/v1/sites/nowhere/tenant", headers=head, json={"customer": "X"}).status_code == 404
    own.now += _DAY_S
    desk, page = own.client("dispatcher"), f"/site/{site_name(1)}"
    assert post(desk, "/password", f"{page}/tenant", customer="Third Person").status_code == 302
    text = desk.get(page).text
    places = [text.index(f"<li>{name}, ") for name in ("Third Person", "Next Person", "Customer 1")]
    assert places == sorted(places)
    assert text.count("their season report") == 2
    own.store.close()
