"""Calm: no surface says that all is well when the one function does not.

Every state that forbids calm, from the contract's list, on every surface of one list; the sound unit is calm on all.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import msgspec
import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.records import (
    Alert,
    AlertState,
    CycleState,
    Episode,
    EpisodeState,
    Finding,
    LinkState,
    Severity,
    UnitStatus,
)
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.fleet import enroll, people
from condenser_monitor.monitor.fleet.people import Role
from condenser_monitor.monitor.fleet.setup import Broker, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import sites, slots, snapshots, state
from condenser_monitor.monitor.publishers.messages import UnitMessage, unit_message
from condenser_monitor.monitor.publishers.phone_text import MessageWriter
from condenser_monitor.monitor.report.write import report_html
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.strings.calm import Calm, Reason, calm, short
from condenser_monitor.monitor.terminal import say as terminal
from condenser_monitor.web.app import create_app
from condenser_monitor.web.fleet.app import create_app as create_office
from tests.monitor import units
from tests.web.filled import NOW_S, Hands

SETTINGS = Settings(unit=units.UNIT)


def _sound() -> UnitStatus:
    engine = Engine(SETTINGS, fitted=units.ALL)
    units.events(units.scans((20, units.REST), (60, units.RUN)), engine=engine)
    return msgspec.structs.replace(engine.status(), wall_s=NOW_S)


SOUND = _sound()
STANDS = Finding(
    name="long-run",
    severity=Severity.WATCH,
    since_s=1.0,
    raised_s=1.0,
    raised_wall_s=NOW_S,
    suspects=(),
    evidence={},
    summary="",
)
ALERT = Alert(
    finding="fan-not-running",
    state=AlertState.UNACKED,
    severity=Severity.URGENT,
    active=False,
    since_s=1.0,
    since_wall_s=NOW_S,
    summary="",
    suspects=(),
)

EPISODE = Episode(
    id="episode-1",
    lead="fan-not-running",
    findings=("fan-not-running",),
    severity=Severity.URGENT,
    level=33,
    state=EpisodeState.QUIET,
    since_s=1.0,
    since_wall_s=NOW_S,
)


class Case(NamedTuple):
    """One reason against calm: the status, and what else is the matter."""

    status: UnitStatus | None
    stale: bool = False
    fault: bool = False
    ingest: bool = True
    online: bool = True


def _with(**fields: object) -> UnitStatus:
    return msgspec.structs.replace(SOUND, **fields)


def _links(name: str) -> UnitStatus:
    links = [msgspec.structs.replace(one, state=LinkState.UNKNOWN) if one.name == name else one for one in SOUND.links]
    return _with(links=tuple(links))


CASES: dict[str, Case] = {
    **{
        f"alert-{state.value}": Case(_with(alerts=(msgspec.structs.replace(ALERT, state=state),)))
        for state in AlertState
        if state is not AlertState.NORMAL
    },
    **{
        f"finding-{severity.value}": Case(_with(findings=(msgspec.structs.replace(STANDS, severity=severity),)))
        for severity in Severity
    },
    "never-seen": Case(None),
    "stale": Case(SOUND, stale=True),
    "sensor-silent": Case(_with(findings=(msgspec.structs.replace(STANDS, name="sensor-silent"),))),
    "sensor-distrusted": Case(
        _with(findings=(msgspec.structs.replace(STANDS, name="sensing-disagrees", evidence={"distrusted": ["fan_a"]}),))
    ),
    "sensor-distrusted-later": Case(_with(distrusted=("supply",))),
    "episode-quiet": Case(_with(episodes=(EPISODE,))),
    "episode-said-to-be-repaired": Case(
        _with(episodes=(msgspec.structs.replace(EPISODE, state=EpisodeState.REPAIRED),))
    ),
    "link-unknown": Case(_links("fan")),
    "cycle-unknown": Case(_with(cycle=CycleState.UNKNOWN)),
    "service-mode": Case(_with(service_until_wall_s=NOW_S + 600)),
    "program-fault": Case(SOUND, fault=True),
}
OFFICE_CASES = {
    **CASES,
    "ingest-stopped": Case(SOUND, ingest=False),
    "site-offline": Case(SOUND, online=False),
}


class House:
    """One case as a house: a history that holds the status, with a clock that moves on where the status is stale."""

    def __init__(self, folder: Path, case: Case) -> None:
        self.case, self.hands = case, Hands()
        self.history = History(folder / "history.db", owner=True, clock=self.hands.mono, wall=self.hands.wall)
        if case.status is not None:
            self.history.step(
                now_s=1.0,
                wall_s=NOW_S,
                status=case.status,
                memory=lambda: b"{}",
                scan=next(iter(units.scans((1, units.RUN)))),
            )
        if case.fault:
            self.history.note("engine", "ValueError: a fault")
        if case.stale:
            self.hands.forward(3600.0)

    @property
    def calm(self) -> Calm:
        return calm(self.case.status, stale=self.case.stale, faults=self.case.fault)


def _page(house: House) -> bool:
    body = _client(house).get("/").text
    return 'class="card say good"' in body or "All is well" in body


def _header(house: House) -> bool:
    body = _client(house).get("/alerts").text
    start = body.index('id="part-state"')
    return 'class="chip good"' in body[start : start + 300]


def _client(house: House):  # type: ignore[no-untyped-def]
    app = create_app(house.history, SETTINGS, wall=house.hands.wall)
    app.testing = True
    return app.test_client()


def _status(house: House) -> bool:
    out = io.StringIO()
    code = terminal.status(house.history, SETTINGS, out)
    assert (code == 0) == ("All is well" in out.getvalue())
    return code == 0


def _watch(house: House) -> bool:
    out = io.StringIO()
    code = terminal.watch(house.history, SETTINGS, out, seconds=1.0, sleep=lambda _: None, wall=house.hands.wall)
    assert (code == 0) == ("All is well" in out.getvalue())
    return code == 0


def _report(house: House) -> bool:
    return "All is well" in report_html(house.history, SETTINGS, 1, wall_s=house.hands.wall())


def _phone(house: House) -> bool:
    status, writer = house.case.status, MessageWriter(SETTINGS)
    if status is None or house.case.stale:
        return "All is well" in writer.blind(3600.0).title
    word = writer.life(status, house.history.fault_count())
    assert (word.level == "info") == ("All is well" in word.title)
    return word.level == "info"


def _broker(house: House) -> bool:
    if house.case.status is None or house.case.stale:
        return False  # `availability` is offline then, and `unit` is not sent
    message = unit_message(house.case.status, "o1", {}, faults=house.history.fault_count())
    assert message.calm == ("All is well" in message.headline)
    return message.calm


SURFACES: dict[str, Callable[[House], bool]] = {
    "page": _page,
    "header": _header,
    "status": _status,
    "watch": _watch,
    "report": _report,
    "phone": _phone,
    "broker": _broker,
}


@pytest.mark.parametrize("case", ["sound", *CASES])
def test_no_surface_of_the_house_is_calm_when_the_function_is_not(tmp_path: Path, case: str) -> None:
    """Each surface gives the function's own answer: not calm in every case but that of the sound unit."""
    house = House(tmp_path, CASES.get(case, Case(SOUND)))
    assert house.calm.calm is (case == "sound")
    given = {name: surface(house) for name, surface in SURFACES.items()}
    assert given == dict.fromkeys(SURFACES, case == "sound")
    house.history.close()


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    made = Store(f"sqlite:///{tmp_path_factory.mktemp('office') / 'fleet.db'}")
    made.migrate()
    enroll.enroll(made, "elm-4", broker=Broker(), by="test", now=NOW_S, name="Elm Street 4")
    people.add_user(made, "owner", "Owner", Role.OWNER, "long enough words", by="test", now=NOW_S)
    return made


@pytest.mark.parametrize("case", ["sound", *OFFICE_CASES])
def test_the_office_is_not_calm_when_the_function_is_not(store: Store, case: str) -> None:
    """List of sites and page of the site: the site's own answer, and none while the office may have missed news."""
    given = OFFICE_CASES.get(case, Case(SOUND))
    with store.write() as connection:
        key = connection.scalar(sa.select(sites.c.id))
        for table in (snapshots, slots):
            connection.execute(sa.delete(table))
        heard = {"heard_at": NOW_S - (200_000 if given.stale else 5), "online": given.online}
        connection.execute(sa.update(state).values(site_id=key, **heard))
        if given.status is not None:
            body = msgspec.json.encode(unit_message(given.status, "o1", {}, faults=int(given.fault))).decode()
            connection.execute(sa.insert(snapshots).values(site_id=key, body=body))
        connection.execute(sa.insert(slots).values(slot=1, holder="x", used_at=NOW_S - (0 if given.ingest else 3600)))
    app = create_office(FleetSettings(name="Our plan"), store, wall=lambda: NOW_S)
    app.testing = True
    client = app.test_client()
    token = client.get("/login").text.split('name="csrf" value="')[1].split('"')[0]
    client.post("/login", data={"csrf": token, "login": "owner", "password": "long enough words"})
    for address in ("/sites", "/site/elm-4"):
        body = client.get(address).text
        assert "Elm Street 4" in body
        assert ('class="chip good"' in body) is (case == "sound"), address


def test_a_message_of_an_older_monitor_is_not_calm() -> None:
    """What says nothing of calm is not taken for it."""
    fields = json.loads(msgspec.json.encode(unit_message(SOUND, "o1", {})))
    for name in ("calm", "reason", "headline", "open"):
        del fields[name]
    assert not msgspec.convert(fields, UnitMessage).calm


def test_the_worst_is_the_headline() -> None:
    """Not of now before all else; then by severity; among equals a standing finding first."""
    urgent = msgspec.structs.replace(STANDS, name="locked-rotor", severity=Severity.URGENT)
    everything = _with(findings=(STANDS, urgent), alerts=(ALERT,), cycle=CycleState.UNKNOWN)
    found = calm(everything, faults=1)
    assert (found.reason, found.finding, found.open) == (Reason.FINDING, "locked-rotor", 5)
    assert short(found) == "active problem (5 open)"
    assert calm(everything, stale=True).reason is Reason.STALE
    assert calm(_with(findings=(STANDS,), alerts=(ALERT,))).reason is Reason.QUIET
