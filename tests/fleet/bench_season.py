"""Parts of the fleet's bench: how long the office's pages take with thousands of sites and a season of data.

The season is made by the database itself from series, so that it is there in minutes: each site has so many cycles a
day, four events every third day, a row of sums a day; findings stand at 4 % of the sites. Times are medians of whole
requests through the app, signed in; beside them stands the sign-in page, which asks the database for nothing.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import NamedTuple

import sqlalchemy as sa
from flask.testing import FlaskClient

from condenser_monitor.monitor.fleet import people
from condenser_monitor.monitor.fleet.people import Role
from condenser_monitor.monitor.fleet.retention import Month, ensure_months
from condenser_monitor.monitor.fleet.setup import FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.web.fleet import guard
from condenser_monitor.web.fleet.app import create_app
from tests.fleet.bench import make_sites
from tests.fleet.load import FAULTS, SEASON_BEGINS, LoadSite
from tests.fleet.office import PASSWORD, post
from tests.fleet.servers import Postgres

_REQUESTS = 15
PAGES = (
    *("/login", "/", "/?from=100", "/drifting", "/silent", "/due"),
    *("/sites?q=site+77", "/site/load-000074", "/site/load-000074/cycles", "/visits"),
)


def fill(store: Store, sites: int, days: int, cycles: int) -> None:
    """Sites, what stands, and a season."""
    months = [Month.of(SEASON_BEGINS)]
    while months[-1].next.begins_at <= SEASON_BEGINS + days * 86400:
        months.append(months[-1].next)
    ensure_months(store, months)
    make_sites(
        store,
        sites,
        about=lambda n: {
            "customer": f"Customer {n}",
            "address": f"{n % 300} Street {n % 71}",
            "phone": f"555-{n:05d}",
            "vulnerability": int(n % 50 == 0) + int(n % 100 == 0),
            "plan_visit_due": "2026-09-01" if n % 20 == 0 else "2027-01-01",
            "unit": {"compressor_rla_a": 14.1, "compressor_lra_a": 73.0},
        },
    )
    with store.write() as connection:
        body = LoadSite(3).unit(30, running=True)[1].decode()
        connection.execute(sa.text("INSERT INTO snapshots SELECT id, :body FROM sites"), {"body": body})
        for statement in _statements(days, cycles):
            connection.connection.cursor().execute(statement)
    with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("VACUUM ANALYZE")


def _statements(days: int, cycles: int) -> Iterator[str]:
    """What makes the season, in SQL."""
    begin, end = SEASON_BEGINS, SEASON_BEGINS + days * 86400
    every_day = f"FROM sites s, generate_series(0, {days - 1}) d"
    yield f"UPDATE state SET heard_at = {end} - 60, online = true, outdoor_c = 20 + site_id % 25, cycle = 'idle'"
    at = f"{begin} + d * 86400 + c * {86400 // (cycles + 1)} + s.id % 3000"
    numbers = "900, .02, .1, 8 + s.id % 9, 12, 1.1, 26.4, .2, 20 + (s.id + d + c) % 20, 1, .19"
    series = f"{every_day}, generate_series(1, {cycles}) c"
    yield f"INSERT INTO cycles SELECT s.id, {at}, 'o', d * {cycles} + c, {numbers} {series}"
    day = f"to_char(to_timestamp({begin} + d * 86400) AT TIME ZONE 'UTC', 'YYYY-MM-DD')"
    run_s = cycles * 900
    yield (
        f"INSERT INTO site_days SELECT s.id, {day}, {cycles}, {cycles}, {run_s},"
        f" (9 + s.id % 5 + d % 7 * .1) * {run_s}, (27 + d % 9) * {run_s}, {run_s}, 36 {every_day}"
    )
    steps = "(VALUES (1, 'finding', 'raised'), (2, 'alert', 'x'), (3, 'finding', 'cleared'), (4, 'alert', 'y'))"
    yield (
        f"INSERT INTO events SELECT s.id, {begin} + d * 86400 + e.n * 600, 'o', d * 4 + e.n, e.kind, 'locked-rotor',"
        f" e.step, 'urgent', 0, repeat('x', 400)"
        f" FROM sites s, generate_series(0, {days - 1}, 3) d, {steps} e (n, kind, step)"
    )
    names = ", ".join(f"'{name}'" for name, _ in FAULTS)
    severity = f"CASE WHEN 1 + id % {len(FAULTS)} IN (4, 6, 8, 10) THEN 'soon' ELSE 'urgent' END"
    yield (
        f"INSERT INTO standing SELECT id, (ARRAY[{names}])[1 + id % {len(FAULTS)}], id % 25 = 0, {severity},"
        f" {end} - id, {end} - id, '[\"run-capacitor\", \"coil-open\"]', '{{}}', 'A summary.', 1, NULL, '', '', 0"
        " FROM sites"
    )


def times(browser: FlaskClient, path: str) -> list[float]:
    """Seconds of so many requests, after one that warms up."""
    taken = []
    for _ in range(_REQUESTS + 1):
        began = time.perf_counter()
        answer = browser.get(path)
        _ = answer.data
        taken.append(time.perf_counter() - began)
        assert answer.status_code in (200, 302), (path, answer.status_code)
    return taken[1:]


class Season(NamedTuple):
    """The pages' times in seconds, one list a path, the season report of the plan among them; bytes of one row, with
    its share of the indexes, by table; and how many cycles there were."""

    times: dict[str, list[float]]
    row_bytes: dict[str, float]
    cycles: int


def measure(sites: int, days: int, cycles: int) -> Season:
    """Fill a private database, and ask for the pages."""
    database = Postgres(options=("shared_buffers=512MB", "max_wal_size=8GB"))
    try:
        store = Store(database.database("season"))
        store.migrate()
        fill(store, sites, days, cycles)
        found = _asked(store, SEASON_BEGINS + days * 86400)
        sizes = _row_bytes(store)
        store.close()
    finally:
        database.close()
    return Season(found, sizes, sites * days * cycles)


def _asked(store: Store, now: float) -> dict[str, list[float]]:
    most, guard._PER_MIN = guard._PER_MIN, 10**9
    people.add_user(store, "dispatcher", "", Role.DISPATCHER, PASSWORD, by="bench", now=now)
    app = create_app(FleetSettings(), store, wall=lambda: now)
    browser = app.test_client()
    post(browser, "/login", "/login", login="dispatcher", password=PASSWORD)
    found = {path: times(browser, path) for path in PAGES}
    began = time.perf_counter()
    assert len(browser.get("/plan.csv?from=2026-05-01&to=2026-12-31").data) > 1000
    found["/plan.csv"] = [time.perf_counter() - began]
    guard._PER_MIN = most
    return found


def _row_bytes(store: Store) -> dict[str, float]:
    """Bytes on the disk of one row, indexes and partitions included."""
    whole = {"events": "events", "cycles": "cycles", "site_days": "site_days", "state": "state"}
    query = "SELECT sum(pg_total_relation_size(relid)) FROM pg_partition_tree('{0}') "  # a plain table is its own tree
    plain = "SELECT pg_total_relation_size('{0}')"
    found: dict[str, float] = {}
    with store.read() as connection:
        for name in whole:
            count = connection.exec_driver_sql(f"SELECT count(*) FROM {name}").scalar() or 1
            size = connection.exec_driver_sql(query.format(name)).scalar()
            size = size or connection.exec_driver_sql(plain.format(name)).scalar()
            found[name] = float(size or 0) / count
    return found
