"""What the office finds that no monitor can: held to a season of sound houses, to faults put into it, and to the
database end to end."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.core.records import Severity
from condenser_monitor.monitor.fleet import enroll, inference, queries, tenants
from condenser_monitor.monitor.fleet.days import office_day
from condenser_monitor.monitor.fleet.inference import WORDS, Day, PlanClock
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import cycles, sites, standing, state
from condenser_monitor.monitor.fleet.triage import MEANS, NOT_RUN, POWER_CUT, STOPPED
from condenser_monitor.monitor.fleet.writer import IngestWriter, writer
from condenser_monitor.monitor.limits import FLEET_INFERENCE
from tests.fleet import payloads
from tests.fleet.payloads import NOON, received
from tests.fleet.plan_season import begun, changed_lines, pauses, season
from tests.size import WHOLE

OWNER = Viewer(id=1, login="owner", name="Owner", role=Role.OWNER)
_SITES, _DAYS = (1000, 150) if WHOLE else (150, 50)
_PAST = int(FLEET_INFERENCE.past_days.value)


def test_a_season_of_sound_houses_gives_at_most_one_line_a_week_at_a_thousand_sites() -> None:
    """Set points that move, guests, weekends, trips, sags of the line: changed hours, starts and amps, restarts, and
    units that stopped, counted once each as they would come up on the list."""
    plan = season(_SITES, _DAYS, seed=7)
    runs = [np.array(begun(plan, site, 0, _DAYS, 7)) for site in range(_SITES)]
    lines = changed_lines(plan, _DAYS).total() + len({(site, last) for site, last, _ in pauses(runs, _DAYS)})
    weeks = (_DAYS - _PAST) / 7.0
    assert lines <= 1.0 * weeks * _SITES / 1000.0 + (0 if WHOLE else 1)


@pytest.mark.parametrize(
    ("finding", "hours", "starts", "amps"),
    [
        ("office-hours-up", 9.0, 9.0, 1.0),
        ("office-starts-up", 1.0, 4.0, 1.0),
        ("office-amps-up", 1.0, 1.0, 1.25),
        ("office-amps-down", 1.0, 1.0, 0.75),
    ],
)
def test_what_changes_against_past_and_neighbors_is_found_and_named(
    finding: str, hours: float, starts: float, amps: float
) -> None:
    """On three days running, in weather that makes all of them run more: nobody else is named."""
    plan = season(60, 80, seed=3)
    days, table = plan.rows(80 - _PAST, 80)
    fit = [
        site for site, rows in table.items() if set(days) <= rows.keys() and max(rows[d].hours for d in days[-3:]) < 6
    ]
    busy = min(fit, key=lambda site: sum(table[site][day].hours for day in days[-3:]))
    for place, day in enumerate(days):
        for site, rows in table.items():
            if day in rows:
                row, warm = rows[day], 1.2 if place >= _PAST - 3 else 1.0
                warm *= 0.3 if site == busy else 1.0  # a house that needs little, so that a day is long enough
                more = (hours, starts, amps) if site == busy and place >= _PAST - 3 else (1.0, 1.0, 1.0)
                numbers = min(24.0, row.hours * warm * more[0]), round(row.starts * warm * more[1])
                rows[day] = Day(*numbers, (row.amps or 0.0) * more[2], row.outdoor_c)
    found = inference.changed(days, table)
    assert set(found) == {busy}
    assert finding in dict(found[busy])


@pytest.mark.parametrize(
    ("restarts", "before", "others", "found"),
    [
        ((1, 2, 1), 0, 0, True),
        ((1, 2, 1), 1, 0, False),  # it did so before: a weak line, not a weak compressor
        ((1, 0, 4), 0, 0, False),  # a storm, and one more
        ((1, 1, 1), 0, 0, False),
        ((1, 2, 1), 0, 1, False),  # its neighbors do so too: the grid
    ],
)
def test_a_compressor_that_begins_to_restart_within_calls_is_found(
    restarts: tuple[int, int, int], before: int, others: int, found: bool
) -> None:
    """On each of three days, which the monitor's own rule of two within 90 minutes need not see."""
    days, table = season(20, _PAST, seed=3).rows(0, _PAST)
    for site, rows in table.items():
        for place, day in enumerate(days):
            judged = place - (_PAST - 3)
            number = (restarts[judged] if judged >= 0 else before) if site == 7 else (others if judged >= 0 else 0)
            rows[day] = rows.get(day, Day(2.0, 6))._replace(restarts=number)
    assert inference.restarting(days, table) == ({7: sum(restarts)} if found else {})


def test_few_neighbors_have_no_weather_to_take_out() -> None:
    """Nothing is concluded from a handful of sites."""
    plan = season(8, _PAST, seed=3)
    days, table = plan.rows(0, _PAST)
    table[0] = {day: Day(row.hours * 9, row.starts, row.amps, row.outdoor_c) for day, row in table[0].items()}
    assert inference.changed(days, table) == {}


def test_the_plan_s_clock_counts_runs() -> None:
    """Against the sum, hour by hour; within an hour evenly; before and after nothing is added."""
    clock = PlanClock({10: 4, 12: 6})
    hours = [clock.at(at * 3600.0) for at in (9, 10, 10.5, 11, 12, 12.5, 13, 99)]
    assert hours == [0.0, 0.0, 2.0, 4.0, 4.0, 7.0, 10.0, 10.0]
    assert clock.runs(10 * 3600.0, 13 * 3600.0, 0.1) == pytest.approx(1.0)


def test_every_name_of_the_office_s_own_is_worded_and_ranked() -> None:
    """And a site may not use one."""
    assert {name for name in MEANS if name.startswith("office-")} == WORDS.keys()


def _filled(store: Store, sites: int, days: int) -> tuple[float, dict[str, list[float]]]:
    """An office whose sites have run for some weeks; the instant after them, and when the runs of each began."""
    plan = season(sites, 40 + days, seed=11)
    end = NOON + days * 86400.0
    runs = {
        f"s{site:02d}": [NOON + at - 40 * 86400.0 for at in begun(plan, site, 40, 40 + days, 11)]
        for site in range(sites)
    }
    to = writer(store)
    for name, times in runs.items():
        enroll.enroll(store, name, broker=Broker(), by="test", now=NOON)
        for seq, at in enumerate(times, 1):
            to.write(received([payloads.cycle(name, seq, wall_s=at)], at + 900.0), at + 900.0) if seq == 1 else None
        batch = [m for seq, at in enumerate(times[1:], 2) for m in received([payloads.cycle(name, seq, wall_s=at)], at)]
        to.write(batch, end)
        to.write(received([(f"condenser/v1/{name}/availability", b"online")], end), end)
    return end, runs


def _within(at: float, day_ends: float) -> bool:
    return day_ends - 86400.0 < at <= day_ends


def _active(store: Store) -> list[tuple[str, str]]:
    query = sa.select(sites.c.site, standing.c.finding).join(standing).where(standing.c.active)
    with store.read() as connection:
        return [tuple(row) for row in connection.execute(query.order_by(sites.c.site))]


def _others_go_on(to: IngestWriter, runs: dict[str, list[float]], end: float, *, but: str) -> float:
    """All but one run on for three days as on the busiest of their last ones; the instant after them."""
    gone = end
    hot = max(
        range(5), key=lambda back: sum(_within(at, end - back * 86400.0) for rows in runs.values() for at in rows)
    )
    for day in range(1, 4):  # the others go on as on the busiest of their last days
        for name, times in runs.items():
            if name != but:
                last = [at for at in times if _within(at, end - hot * 86400.0)]
                seqs = enumerate([at + (day + hot) * 86400.0 for at in last], len(times) + 1 + 1000 * day)
                batch = [m for seq, at in seqs for m in received([payloads.cycle(name, seq, wall_s=at)], at)]
                to.write(batch, end + day * 86400.0)
        gone = end + day * 86400.0
    return gone


def test_a_unit_that_stopped_stands_on_the_list_until_it_runs_again(store: Store) -> None:
    """From cycles in the database to the morning list: urgent in heat; nothing is said of a monitor that is silent; a
    `unit` message of the site does not clear what the office found, a run does."""
    end, runs = _filled(store, 16, 30)
    to = writer(store)
    busiest = max(runs, key=lambda name: len([at for at in runs[name] if at > end - 10 * 86400.0]))
    assert inference.infer(to, end) == 0
    gone = _others_go_on(to, runs, end, but=busiest)
    with store.write() as connection:
        connection.execute(
            sa.update(state).values(hole_since=None, heard_at=gone, outdoor_c=37.0, unit_received_at=gone)
        )
    inference.infer(to, gone)
    assert _active(store) == [(busiest, NOT_RUN)]
    with store.read() as connection:
        assert queries.morning(connection, OWNER, gone).total == queries.drifting(connection, OWNER, gone).total == 0
        (asked,) = queries.to_ask(connection, OWNER, gone).rows
    assert (asked.site, asked.severity, asked.cooling) == (busiest, Severity.WATCH, "not known")
    for away, at in ((office_day(gone + 3 * 86400.0), gone + 10), (None, gone + 20)):  # nobody home, as they told us
        with store.write() as connection:
            tenants.edit(connection, tenants.WHOLE, busiest, {"away_until": away})
        inference.infer(to, at)
        assert ((busiest, NOT_RUN) in _active(store)) is (away is None)
    with store.write() as connection:  # somebody is home: a case at once, which the next look leaves one
        key = queries.site_id(connection, OWNER, busiest)
        assert inference.answer(to, connection, key, gone + 30, home=True)
        assert not inference.answer(to, connection, key, gone + 30, home=True)
    for at in (gone + 30, gone + 40):
        assert _active(store) == [(busiest, STOPPED)]
        with store.read() as connection:
            (case,) = queries.morning(connection, OWNER, at).rows
        assert (case.site, case.severity, case.cooling) == (busiest, Severity.URGENT, "probably no cooling")
        assert "neighbors" in case.summary
        inference.infer(to, at)
    to.write(received([payloads.unit(busiest, wall_s=gone + 5)], gone + 5), gone + 5)
    with store.write() as connection:
        off = {"online": False, "online_at": gone - 7200.0}
        connection.execute(sa.update(state).values(**off))
    assert inference.infer(to, gone + 60) == 0
    assert (busiest, STOPPED) in _active(store)
    with store.write() as connection:
        connection.execute(sa.update(state).values(online=True, hole_since=None))
    to.write(received([payloads.cycle(busiest, 90_000, wall_s=gone + 60)], gone + 70), gone + 70)
    with store.write() as connection:
        connection.execute(sa.update(state).values(hole_since=None))
    inference.infer(to, gone + 120)
    assert (busiest, STOPPED) not in _active(store)
    page: Any
    with store.read() as connection:
        page = queries.site(connection, OWNER, busiest)
    turns = [(row.finding, row.step) for row in page.history][:3]
    assert turns[0] == (STOPPED, "cleared")
    assert set(turns[1:]) == {(STOPPED, "raised"), (NOT_RUN, "cleared")}


@pytest.fixture(scope="module")
def stopped_plan(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float, str]:
    """An office one unit of which has not run for three days while fifteen others do: its database, the instant, and
    which unit that is."""
    path = tmp_path_factory.mktemp("plan") / "fleet.db"
    store = Store(f"sqlite:///{path}")
    store.migrate()
    end, runs = _filled(store, 16, 30)
    name = max(runs, key=lambda site: len([at for at in runs[site] if at > end - 10 * 86400.0]))
    end = _others_go_on(writer(store), runs, end, but=name)
    with store.write() as connection:
        connection.execute(sa.update(state).values(hole_since=None, heard_at=end, unit_received_at=end, outdoor_c=30.0))
    store.close()
    return path, end, name


@pytest.fixture
def plan(stopped_plan: tuple[Path, float, str], tmp_path: Path) -> Iterator[tuple[Store, float, str]]:
    """A copy of that office, to be changed."""
    whole, end, name = stopped_plan
    store = Store(f"sqlite:///{shutil.copy(whole, tmp_path)}")
    yield store, end, name
    store.close()


@pytest.mark.parametrize(
    ("days", "trouble", "about", "expected"),
    [
        (3, "", {}, (NOT_RUN, "nobody home")),
        (15, "", {}, (STOPPED, "seldom away")),
        (3, "", {"vulnerability": 1}, (STOPPED, "Heat is hard")),
        (3, "", {"premises": "The house", "address": "Elm 1", "beside": ("s04", "s05")}, (STOPPED, "Another unit")),
        (3, "locked-rotor", {}, (STOPPED, "locked-rotor")),
        (3, "overdue-call", {}, (NOT_RUN, "nobody home")),  # a house switched off is not called for either
        (3, "line-supply-lost", {}, (NOT_RUN, "nobody home")),
    ],
)
def test_what_else_speaks_for_a_stop_makes_a_case_of_the_question(
    plan: tuple[Store, float, str], days: float, trouble: str, about: dict[str, Any], expected: tuple[str, str]
) -> None:
    """By its pause alone a house that was switched off looks the same."""
    store, end, name = plan
    last, to = end - days * 86400.0, writer(store)
    if trouble:
        to.write(received([payloads.finding(name, 1, "raised", trouble, wall_s=last - 3600.0)], end), end)
    with store.write() as connection:
        key = queries.site_id(connection, OWNER, name)
        connection.execute(sa.delete(cycles).where(cycles.c.site_id == key, cycles.c.at > last))
        connection.execute(sa.update(state).values(hole_since=None))
        about = dict(about)
        for other in (name, *about.pop("beside", ())):
            tenants.edit(connection, tenants.WHOLE, other, about)
    inference.infer(to, end)
    assert [finding for site, finding in _active(store) if site == name and finding in WORDS] == [expected[0]]
    with store.read() as connection:
        row = standing.c
        words = connection.scalar(sa.select(row.summary).where(row.site_id == key, row.finding == expected[0]))
    assert expected[1] in (words or "")


def test_milder_weather_or_time_alone_repairs_nothing(plan: tuple[Store, float, str]) -> None:
    """What was asked or is a case stands until the unit runs: also when its past is older than what is compared, and
    when the neighbors run less; where they hardly run at all there is nothing to compare with, and it goes."""
    store, end, name = plan
    to = writer(store)
    inference.infer(to, end)
    assert _active(store) == [(name, NOT_RUN)]
    with store.write() as connection:
        key = queries.site_id(connection, OWNER, name)
        inference.answer(to, connection, key, end + 1.0, home=True)
    later = end + 40 * 86400.0
    for share, stands in ((1.0, True), (0.4, True), (0.02, False)):
        with store.write() as connection:
            connection.execute(sa.delete(cycles).where(cycles.c.at > end + 1.0))
            others = connection.execute(sa.select(sites.c.id).where(sites.c.id != key)).scalars().all()
            empty = dict.fromkeys(cycles.columns.keys(), 0.0) | {"origin": "o1"}
            rows = [
                empty | {"site_id": other, "at": at, "seq": 10**6 + number}
                for other in others
                for number, at in enumerate(np.arange(later - 28 * 86400.0, later, 86400.0 / (5 * share)).tolist())
            ]
            connection.execute(sa.insert(cycles), rows)
            connection.execute(sa.update(state).values(hole_since=None, heard_at=later, unit_received_at=later))
        inference.infer(to, later)
        assert ((name, STOPPED) in _active(store)) is stands


def test_a_site_cannot_speak_in_the_office_s_name(tmp_path: Path) -> None:
    """An event with a finding of the office's own is set aside."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    enroll.enroll(store, "a", broker=Broker(), by="test", now=NOON)
    done = writer(store).write(received([payloads.finding("a", 1, "raised", STOPPED)]), NOON)
    assert len(done.asides) == 1
    assert _active(store) == []
    store.close()


def test_monitors_and_units_out_together_are_one_event(tmp_path: Path) -> None:
    """Seven silent within two minutes and two that lost their line supply are one event with its sites, each once; two
    alone, hours apart, are none. Those without power among many stand last on the morning list."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    off = {f"s{number}": NOON + 15.0 * number for number in range(7)} | {"x": NOON - 9000.0, "y": NOON + 9000.0}
    to = writer(store)
    for name, at in off.items():
        enroll.enroll(store, name, broker=Broker(), by="test", now=NOON - 86400.0, name=name.upper())
        to.write(received([(f"condenser/v1/{name}/availability", b"offline")], at), at)
    dark = {f"d{number}": NOON + 10.0 * number for number in range(5)} | {"alone": NOON + 15_000.0}
    for name, at in dark.items():
        enroll.enroll(store, name, broker=Broker(), by="test", now=NOON - 86400.0)
        to.write(received([payloads.finding(name, 1, "raised", "line-supply-lost", wall_s=at)], at), at)
    with store.read() as connection:
        found = inference.outages(connection, OWNER, NOON + 20_000.0)
        rows = queries.morning(connection, OWNER, NOON + 20_000.0).rows
    assert [(one.from_at, one.to_at, len(one.sites), one.unpowered) for one in found] == [(NOON, NOON + 90.0, 12, 5)]
    assert msgspec.to_builtins(found[0].sites[0])[1] == "S0"
    assert "7 monitors" in found[0].words
    assert [(row.site, row.stage) for row in rows] == [("alone", 0), *((f"d{n}", POWER_CUT) for n in range(5))]
    store.close()
