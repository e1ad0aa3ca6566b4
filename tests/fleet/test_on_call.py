"""The notice to whoever is on call: once each, out of hours only, tried again when no service takes it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from condenser_monitor.monitor.core.errors import CommandError, NotifyError
from condenser_monitor.monitor.core.records import AlertState
from condenser_monitor.monitor.fleet import enroll, health, on_call
from condenser_monitor.monitor.fleet.setup import Broker, Database, FleetSettings, OnCall
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.monitor.publishers.phone import Send
from condenser_monitor.monitor.publishers.phone_text import PhoneMessage
from tests.fleet import payloads
from tests.fleet.payloads import NOON, received

NIGHT = datetime(2026, 7, 14, 23, 0).timestamp()  # a Tuesday, by the office's clock
DAY = datetime(2026, 7, 15, 10, 0).timestamp()
SUNDAY = datetime(2026, 7, 19, 10, 0).timestamp()


@pytest.mark.parametrize(("at", "staffed"), [(NIGHT, False), (DAY, True), (SUNDAY, False)])
def test_office_hours_are_those_of_the_office(at: float, staffed: bool) -> None:
    """By its own clock and week."""
    assert on_call.in_hours(OnCall(), at) is staffed


def test_new_urgent_cases_are_told_once_at_night(tmp_path: Path) -> None:
    """What came by day was seen by day; what is acknowledged is in somebody's hands; a service that refuses is asked
    again; nothing of who lives there goes out."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    for name in ("a", "b", "c"):
        about = {"name": f"House {name}", "vulnerability_note": "oxygen"}
        enroll.enroll(store, name, broker=Broker(), by="test", now=NOON, **about)
    addresses = tmp_path / "urls"
    addresses.write_text("json://phone.test/\n")
    addresses.chmod(0o600)
    settings = OnCall(urls_file=str(addresses))
    sent: list[PhoneMessage] = []
    works = [False]

    def send_to(url: str) -> Send:
        assert url == "json://phone.test/"

        def send(message: PhoneMessage) -> None:
            if not works[0]:
                raise NotifyError("json", "refused", "a service that takes it")
            sent.append(message)

        return send

    to = writer(store)
    to.write(received([payloads.finding("a", 1, "raised")]), NOON)
    assert on_call.notify(store, settings, DAY, send_to=send_to) == 1
    assert sent == []
    to.write(received([payloads.finding("b", 1, "raised", "locked-rotor")]), NOON)
    to.write(received([payloads.finding("c", 1, "raised"), payloads.alert("c", 2, AlertState.ACKED, by="R")]), NOON)
    assert on_call.notify(store, settings, NIGHT, send_to=send_to) == 0
    works[0] = True
    assert on_call.notify(store, settings, NIGHT + 30, send_to=send_to) == 1
    assert on_call.notify(store, settings, NIGHT + 60, send_to=send_to) == 0
    assert [message.title for message in sent] == ["1 new urgent case"]
    assert "House b" in sent[0].body
    assert "oxygen" not in sent[0].body
    for number in range(6):
        enroll.enroll(store, f"dark-{number}", broker=Broker(), by="test", now=NOON, name=f"Dark {number}")
        to.write(received([payloads.finding(f"dark-{number}", 1, "raised", "line-supply-lost")]), NOON)
    to.write(received([payloads.finding("b", 2, "raised")]), NOON)
    assert on_call.notify(store, settings, NIGHT + 90, send_to=send_to) == 7
    assert "House b" in sent[1].body
    assert "6 units lost their line supply" in sent[1].body
    assert "Dark" not in sent[1].body
    assert on_call.notify(store, OnCall(), NIGHT, send_to=send_to) == 0
    store.close()


def _unstaffed(tmp_path: Path) -> tuple[Store, FleetSettings, Path]:
    """An office with one urgent case out of hours, and where its addresses will be."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    enroll.enroll(store, "a", broker=Broker(), by="test", now=NOON, name="House a")
    writer(store).write(received([payloads.finding("a", 1, "raised")]), NOON)
    file = tmp_path / "urls"
    on_call_file = OnCall(urls_file=str(file), days=0)  # never staffed
    return store, FleetSettings(database=Database(url=str(store.url)), on_call=on_call_file), file


def _said(store: Store, settings: FleetSettings, now: float) -> list[str]:
    found = health.health(store, settings, now, ask_broker=False)
    return [problem for problem in found.problems if "on call" in problem]


@pytest.mark.parametrize(
    ("text", "mode", "said"),
    [
        (None, 0, "No such file"),
        ("json://127.0.0.1:1/\n", 0o644, "chmod 600"),
        ("# nobody\n", 0o600, "holds no address"),
    ],
    ids=["missing", "open to all", "empty"],
)
def test_addresses_that_cannot_be_used_end_no_worker_and_check_says_so(
    tmp_path: Path, text: str | None, mode: int, said: str
) -> None:
    """A case at night then leaves `notify` with nobody told, not with an error that would end ingest; `check` names
    the file at once, and the case once it was not told of at three looks."""
    store, settings, file = _unstaffed(tmp_path)
    if text is not None:
        file.write_text(text)
        file.chmod(mode)
    assert on_call.notify(store, settings.on_call, NOON + 1) == 0
    assert [said in problem for problem in _said(store, settings, NOON + 1)] == [True]
    later = _said(store, settings, NOON + 200)
    assert len(later) == 2
    assert "was told of 1 urgent case" in later[1]
    store.close()


def test_a_case_that_no_address_takes_is_a_problem_until_one_does(tmp_path: Path) -> None:
    """Port 1 of this machine takes nothing; in office hours the case counts as seen."""
    store, settings, file = _unstaffed(tmp_path)
    file.write_text("json://127.0.0.1:1/\n")
    file.chmod(0o600)
    assert on_call.notify(store, settings.on_call, NOON + 1) == 0
    assert _said(store, settings, NOON + 1) == []
    assert ["`on-call` says why" in problem for problem in _said(store, settings, NOON + 200)] == [True]
    said: list[object] = []
    assert on_call.try_addresses(settings, said.append) == 1
    assert "not taken" in str(said[-1])
    staffed = OnCall(urls_file=str(file), from_hour=0, to_hour=24, days=7)
    assert on_call.notify(store, staffed, NOON + 201) == 1
    assert _said(store, settings, NOON + 400) == []
    with pytest.raises(CommandError, match="urls_file"):
        on_call.try_addresses(FleetSettings(), said.append)
    store.close()
