"""What the office concludes from its units' own past and their neighbors, on both sides of each border.

The plans are made by hand: sites that do the same each day, and one that differs by a known factor.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.core.records import Severity
from condenser_monitor.monitor.fleet import enroll, inference, tenants
from condenser_monitor.monitor.fleet.days import later, office_day
from condenser_monitor.monitor.fleet.inference import Day, PlanClock
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import cycles, site_days, sites, standing, state
from condenser_monitor.monitor.fleet.triage import NOT_RUN, STOPPED
from condenser_monitor.monitor.fleet.writer import writer
from tests.fleet.payloads import NOON, received

OWNER = Viewer(id=1, login="owner", name="Owner", role=Role.OWNER)
DAYS = [f"2026-07-{day:02d}" for day in range(1, 29)]
USUAL = Day(4.0, 8, 10.0, 30.0)


def plan(count: int = 20) -> dict[int, dict[str, Day]]:
    """Sites that do the same each day."""
    return {site: dict.fromkeys(DAYS, USUAL) for site in range(count)}


# ---------------------------------------------------------------- changed, and restarting

CHANGED = [
    # number, the last days, what is told of them
    ("hours_spread", [USUAL._replace(hours=8.0, starts=16)] * 3, ""),  # twice as long: guests
    ("hours_spread", [USUAL._replace(hours=14.0, starts=28)] * 3, "office-hours-up"),
    ("starts_spread", [USUAL._replace(starts=13)] * 3, ""),
    ("starts_spread", [USUAL._replace(starts=26)] * 3, "office-starts-up"),  # three for one
    ("amps_spread", [USUAL._replace(amps=10.6)] * 3, ""),  # what a class 3 clamp may drift by, twice
    ("amps_spread", [USUAL._replace(amps=11.5)] * 3, "office-amps-up"),
    ("judged_days", [USUAL._replace(hours=14.0, starts=28)] * 2, ""),  # a party
]


@pytest.mark.parametrize(("number", "last", "told"), CHANGED)
def test_a_unit_that_does_otherwise_than_its_neighbors_is_told_from_there(
    number: str, last: list[Day], told: str
) -> None:
    """`number`, of FLEET_INFERENCE; score_bound is held by each of the three measures."""
    table = plan()
    table[7] |= dict(zip(DAYS[-len(last) :], last, strict=True))
    assert [name for name, _ in inference.changed(DAYS, table).get(7, [])] == [told] * bool(told), number


@pytest.mark.parametrize(("past", "told"), [(10, False), (20, True)])
def test_a_unit_is_judged_by_two_weeks_of_its_own(past: int, told: bool) -> None:
    """FLEET_INFERENCE.past_least_days: ten days of past are too few for a spread, twenty enough."""
    table = plan()
    table[7] = dict.fromkeys(DAYS[-3 - past :], USUAL) | dict.fromkeys(DAYS[-3:], USUAL._replace(hours=14.0, starts=28))
    assert (7 in inference.changed(DAYS, table)) is told


@pytest.mark.parametrize(("count", "told"), [(9, False), (14, True)])
def test_a_dozen_neighbors_have_a_common_weather(count: int, told: bool) -> None:
    """FLEET_INFERENCE.neighbors_least."""
    table = plan(count)
    table[7] |= dict.fromkeys(DAYS[-3:], USUAL._replace(hours=14.0, starts=28))
    assert (7 in inference.changed(DAYS, table)) is told


RESTARTING = [
    # number, sites, restarts on the last three days, on the three before them, others that restart too; whether told
    ("restarts_least", 20, (1, 1, 1), (0, 0, 0), 0, False),
    ("restarts_least", 20, (1, 2, 2), (0, 0, 0), 0, True),
    ("restarts_factor", 20, (1, 2, 1), (1, 1, 1), 0, False),
    ("restarts_factor", 20, (2, 2, 1), (1, 1, 0), 0, True),
    ("restarts_share", 18, (1, 2, 1), (0, 0, 0), 0, True),
    ("restarts_share", 20, (1, 2, 1), (0, 0, 0), 2, False),  # three of twenty on one day: the grid
]


@pytest.mark.parametrize(("number", "count", "last", "before", "others", "told"), RESTARTING)
def test_a_compressor_that_begins_to_restart_is_told_from_there(
    *, number: str, count: int, last: tuple[int, ...], before: tuple[int, ...], others: int, told: bool
) -> None:
    """`number`, of FLEET_INFERENCE."""
    table = plan(count)
    for site in (7, *range(others)):
        table[site] |= {day: USUAL._replace(restarts=n) for day, n in zip(DAYS[-6:], before + last, strict=True)}
    assert (7 in inference.restarting(DAYS, table)) is told, number


# ---------------------------------------------------------------- stopped

HOUR_S = 3600.0
STOPS = [
    # number, runs of the unit, hours of its longest pause, hours since its last run, neighbors' runs since of the usual
    ("runs_least", 40, 1, 20, 1.1, False),
    ("runs_least", 80, 1, 20, 1.1, True),
    ("gap_runs", 100, 1, 9, 1.1, False),
    ("gap_runs", 100, 1, 18, 1.1, True),
    ("gap_factor", 100, 4, 14, 1.1, False),
    ("gap_factor", 100, 4, 26, 1.1, True),
    ("busy_share", 100, 1, 30, 0.7, False),  # milder weather
]


@pytest.mark.parametrize(("number", "runs", "pause_h", "since_h", "busy", "told"), STOPS)
def test_a_unit_has_stopped_from_there(
    *, number: str, runs: int, pause_h: int, since_h: int, busy: float, told: bool
) -> None:
    """`number`, of FLEET_INFERENCE. A run an hour, a pause in the middle, and nothing since; twenty neighbors."""
    begun = [3600.0 * (at if at < runs // 2 else at + pause_h - 1) for at in range(runs)]
    last = int(begun[-1] / HOUR_S)
    clock = PlanClock({hour: round(100 * (1.0 if hour <= last else busy)) for hour in range(last + since_h + 1)})
    assert (inference.stopped(clock, begun, begun[-1] + since_h * HOUR_S) is not None) is told, number


# ---------------------------------------------------------------- in the database


@pytest.fixture
def office(tmp_path: Any) -> Iterator[tuple[Store, dict[str, int]]]:
    """Fourteen sites whose units have run eight times a day for four weeks, and their keys."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    to = writer(store)
    for name in map("s{:02d}".format, range(14)):
        enroll.enroll(store, name, broker=Broker(), by="test", now=NOON - 40 * 86400.0)
        to.write(received([(f"condenser/v1/{name}/availability", b"online")], NOON), NOON)
    with store.write() as connection:
        keys = {row.site: row.id for row in connection.execute(sa.select(sites.c.site, sites.c.id))}
        connection.execute(sa.update(state).values(hole_since=None, heard_at=NOON, unit_received_at=NOON))
        for key in keys.values():
            _runs(connection, key, NOON - 29 * 86400.0, NOON)
    yield store, keys
    store.close()


def _runs(connection: sa.Connection, key: int, from_at: float, to_at: float, every_s: float = 86400.0 / 8) -> None:
    empty = dict.fromkeys(cycles.columns.keys(), 0.0) | {"origin": "o1", "site_id": key}
    times = [from_at + every_s * number for number in range(int((to_at - from_at) / every_s))]
    connection.execute(sa.insert(cycles), [empty | {"at": at, "seq": int(at)} for at in times])


def _active(store: Store) -> set[tuple[int, str, str]]:
    query = sa.select(standing.c.site_id, standing.c.finding, standing.c.severity).where(standing.c.active)
    with store.read() as connection:
        return {(row[0], row[1], row[2]) for row in connection.execute(query)}


PAUSES = [
    # number, days without a run, outdoor °C, runs of the unit beside it since; what it is, and how urgent
    ("away_days", 10, 30.0, None, NOT_RUN, Severity.WATCH),  # a holiday
    ("away_days", 18, 30.0, None, STOPPED, Severity.SOON),
    ("urgent_c", 18, 33.0, None, STOPPED, Severity.SOON),
    ("urgent_c", 18, 38.0, None, STOPPED, Severity.URGENT),  # danger from 39.4 °C by the heat index
    ("beside_runs", 4, 30.0, 2, NOT_RUN, Severity.WATCH),  # somebody looked in
    ("beside_runs", 4, 30.0, 4, STOPPED, Severity.SOON),
]


@pytest.mark.parametrize(("number", "days", "outdoor_c", "beside", "finding", "severity"), PAUSES)
def test_a_pause_is_a_question_or_a_case_from_there(
    office: tuple[Store, dict[str, int]],
    *,
    number: str,
    days: int,
    outdoor_c: float,
    beside: int | None,
    finding: str,
    severity: Severity,
) -> None:
    """`number`, of FLEET_INFERENCE."""
    store, keys = office
    key, since = keys["s03"], NOON - days * 86400.0
    with store.write() as connection:
        connection.execute(sa.update(state).values(outdoor_c=outdoor_c))
        connection.execute(sa.delete(cycles).where(cycles.c.site_id == key, cycles.c.at > since))
        if beside is not None:
            other = keys["s04"]
            connection.execute(sa.delete(cycles).where(cycles.c.site_id == other, cycles.c.at > since))
            _runs(connection, other, since + 3600.0, since + 3600.0 * (beside + 1), 3600.0)
            for name in ("s03", "s04"):
                tenants.edit(connection, tenants.WHOLE, name, {"premises": "The house", "address": "Elm 1"})
    inference.infer(writer(store), NOON)
    assert (key, finding, severity.value) in _active(store), number


def test_four_weeks_of_a_site_are_looked_at(office: tuple[Store, dict[str, int]]) -> None:
    """FLEET_INFERENCE.past_days: with half of them no site would have the two weeks of past that judging takes."""
    store, keys = office
    today = office_day(NOON)
    rows = [
        {"site_id": key, "day": later(today, -back), "cycles": 8, "starts": 8, "amp_s": 0.0, "degree_s": 0.0}
        | {"measured_s": 0.0, "run_s": 3600.0 * (14.0 if name == "s03" and back <= 3 else 4.0)}
        for name, key in keys.items()
        for back in range(1, 29)
    ]
    with store.write() as connection:
        connection.execute(sa.insert(site_days), rows)
    inference.infer(writer(store), NOON)
    assert (keys["s03"], "office-hours-up", Severity.WATCH.value) in _active(store)


@pytest.mark.parametrize(
    ("number", "count", "apart_s", "together"),
    [
        ("together_least", 4, 10.0, False),
        ("together_least", 6, 10.0, True),
        ("together_s", 6, 200.0, True),  # a broker's keep-alive and its grace are a minute or two
        ("together_s", 6, 450.0, False),
    ],
)
def test_monitors_that_fall_silent_are_one_event_from_there(
    office: tuple[Store, dict[str, int]], number: str, count: int, apart_s: float, together: bool
) -> None:
    """`number`, of FLEET_INFERENCE: one after the other, so far apart."""
    store, _ = office
    to = writer(store)
    for site in range(count):
        at = NOON + 60.0 + site * apart_s
        to.write(received([(f"condenser/v1/s{site:02d}/availability", b"offline")], at), at)
    with store.read() as connection:
        assert bool(inference.outages(connection, OWNER, NOON + 20_000.0)) is together, number
