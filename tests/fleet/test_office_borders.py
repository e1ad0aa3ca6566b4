"""The office's own limits on both sides of each border: what a person signed in, a site that was away and a customer
who asks how long things are kept would notice."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.fleet import enroll, load_list, messages, people, queries, resend, retention
from condenser_monitor.monitor.fleet.days import office_day
from condenser_monitor.monitor.fleet.people import Role, TooManyTries, Viewer
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import audit, cycles, site_days, sites, state
from condenser_monitor.monitor.fleet.writer import writer
from tests.fleet import payloads
from tests.fleet.payloads import NOON

OWNER = Viewer(id=1, login="owner", name="Owner", role=Role.OWNER)
HOUR, DAY = 3600.0, 86400.0
YEAR = 365.25 * DAY
PASSWORD = "correct horse battery"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An office with one site and one dispatcher."""
    opened = Store(f"sqlite:///{tmp_path}/fleet.db")
    opened.migrate()
    enroll.enroll(opened, "a", broker=Broker(), by="test", now=NOON - YEAR)
    yield opened
    opened.close()


def _sign_in(store: Store, password: str = PASSWORD) -> str | None:
    return people.sign_in(store, "robin", password, address="192.0.2.1", now=NOON)


@pytest.mark.parametrize(
    ("number", "uses_h", "open_at_the_last"),
    [
        ("session_idle_s", [0.0, 8.0], True),  # a working day in the field, between two looks
        ("session_idle_s", [0.0, 16.0], False),  # left open overnight
        ("session_most_s", [8.0 * at for at in range(5 * 3)], True),  # five days in a row
        ("session_most_s", [8.0 * at for at in range(11 * 3)], False),
    ],
)
def test_a_session_lasts_the_working_day_and_the_week(
    store: Store, number: str, uses_h: list[float], open_at_the_last: bool
) -> None:
    """`number`, of FLEET: used at these hours after signing in."""
    people.add_user(store, "robin", "", Role.DISPATCHER, PASSWORD, by="test", now=NOON)
    token = _sign_in(store)
    assert token is not None
    found = [people.session(store, token, NOON + at * HOUR) is not None for at in uses_h]
    assert found[-1] is open_at_the_last, number


@pytest.mark.parametrize(("wrong", "let_in"), [(3, True), (8, False)])
def test_a_few_slips_of_the_fingers_lock_nobody_out(store: Store, wrong: int, let_in: bool) -> None:
    """FLEET.login_tries."""
    people.add_user(store, "robin", "", Role.DISPATCHER, PASSWORD, by="test", now=NOON)
    try:
        for _ in range(wrong):
            _sign_in(store, "wrong")
        opened = _sign_in(store) is not None
    except TooManyTries:
        opened = False
    assert opened is let_in


@pytest.mark.parametrize(
    ("number", "online", "since_s", "silent"),
    [
        ("unheard_s", True, 24 * HOUR, False),  # a working monitor says something at least once a day
        ("unheard_s", True, 40 * HOUR, True),
        ("silent_s", False, 480.0, False),  # an update, or a Pi that starts again after a power cut
        ("silent_s", False, 900.0, True),
    ],
)
def test_a_monitor_is_silent_from_there(store: Store, number: str, online: bool, since_s: float, silent: bool) -> None:
    """`number`, of FLEET."""
    with store.write() as connection:
        at = NOON - since_s
        connection.execute(sa.update(state).values(online=online, online_at=at, heard_at=at if online else NOON))
    with store.read() as connection:
        assert bool(queries.silent(connection, OWNER, NOON).total) is silent, number


@pytest.mark.parametrize(("back_s", "believed"), [(4.9 * YEAR, True), (0.0, True), (-10 * 60.0, False)])
def test_a_site_that_was_away_is_believed_its_own_dates(back_s: float, believed: bool) -> None:
    """FLEET.clock_behind_s: a site keeps five years of events and may send all of them; a clock well ahead is wrong."""
    assert (messages.placed_at(NOON - back_s, NOON) == NOON - back_s) is believed


def test_a_site_that_does_not_answer_is_asked_for_a_week_and_given_up_within_a_month(store: Store) -> None:
    """FLEET.asks_most: what was lost on the way is asked for again over a holiday, and not for ever."""
    to, now = writer(store), NOON
    to.write(payloads.received([payloads.finding("a", 5, "raised")]), now)
    while now < NOON + 31 * DAY:
        now += 600.0 if now < NOON + 10 * HOUR else 6 * HOUR
        resend.sweep(to, now)
        with store.read() as connection:
            if connection.scalar(sa.select(state.c.hole_since)) is None:
                break
    assert 7 * DAY < now - NOON < 31 * DAY


KEPT = [
    # number, what, age in years; whether it is there after tidying
    ("events_days", "site_days", 4.8, True),  # five years, as README.md of the fleet tells the customer
    ("events_days", "site_days", 5.2, False),
    ("audit_days", "audit", 4.8, True),
    ("audit_days", "audit", 5.2, False),
    ("cycles_days", "cycles", 1.9, True),  # two seasons side by side
    ("cycles_days", "cycles", 2.1, False),
]


@pytest.mark.parametrize(("number", "table", "years", "there"), KEPT)
def test_rows_are_kept_as_long_as_is_said(store: Store, number: str, table: str, years: float, there: bool) -> None:
    """`number`, of FLEET. NOON is in July: a month's partition does not matter in SQLite."""
    rows = {"site_days": site_days, "audit": audit, "cycles": cycles}[table]
    at = NOON - years * YEAR
    day = {"day": office_day(at)} if table == "site_days" else {"at": at}
    with store.write() as connection:
        connection.execute(sa.delete(rows))
        key = connection.scalar(sa.select(sites.c.id))
        empty = {c.name: "0" if isinstance(c.type, sa.Text) else 0 for c in rows.columns if not c.nullable}
        empty.pop("id", None)
        has_site = {"site_id": key} if "site_id" in rows.columns else {}
        connection.execute(sa.insert(rows).values(**empty | has_site | day))
    retention.tidy(store, NOON)
    with store.read() as connection:
        assert bool(connection.scalar(sa.select(sa.func.count()).select_from(rows))) is there, number


def test_the_truck_is_loaded_for_the_first_three() -> None:
    """FLEET.suspects_loaded: the cause is one of the first three in three of four broken units (accuracy report)."""
    suspects = ["run-capacitor", "coil-open", "fan-motor", "time-delay", "float-switch"]
    first, besides = load_list.loads(suspects, None)
    assert first == load_list.load(suspects[:3], None)
    assert besides
