"""The notice to whoever is on call: once each, out of hours only, tried again when no service takes it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from condenser_monitor.monitor.core.errors import NotifyError
from condenser_monitor.monitor.core.records import AlertState
from condenser_monitor.monitor.fleet import enroll, on_call
from condenser_monitor.monitor.fleet.setup import Broker, OnCall
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
