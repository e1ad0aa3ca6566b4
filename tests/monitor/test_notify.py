"""Alerts to the phone: what is told when, in virtual time; and through apprise to a receiver on this machine."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from datetime import datetime
from http.server import BaseHTTPRequestHandler, HTTPServer

import msgspec
import pytest

from monitor.config import Notify, Settings, Site
from monitor.engine import Engine
from monitor.errors import NotifyError
from monitor.kept import Kept
from monitor.notify import PhoneOutlet, send_with
from monitor.records import AlertChange, AlertState, Event, Severity, UnitStatus
from tests.conftest import need
from tests.monitor.units import ALL, RUN, UNIT, but, scans

NO_PULL = but(RUN, load=False, coil_a=0.0, control_v=26.4, compressor_a=0.0, fan_a=0.0)
WEAK = but(RUN, control_v=19.0)
NOON, NIGHT, MORNING = 12, 23, 7


def _at(hour: int, day: int = 14) -> float:
    return datetime(2026, 7, day, hour).timestamp()


class Phone:
    """An outlet on a hand-turned wall clock, and what it sent."""

    def __init__(self, hour: int, **notify: object) -> None:
        self.wall_s = _at(hour)
        self.sent: list[tuple[str, str]] = []
        self.fails = False
        settings = Settings(site=Site(name="Orchard Lane 4"), unit=UNIT, notify=Notify(**notify))
        self.engine = Engine(settings, fitted=ALL)
        self.outlet = PhoneOutlet(settings, send=self._send, wall=lambda: self.wall_s)
        self._t_s = 0.0

    def _send(self, title: str, body: str) -> None:
        if self.fails:
            raise NotifyError("phone", "down", "up")
        self.sent.append((title, body))

    @property
    def status(self) -> UnitStatus:
        return self.engine.status()

    def see(self, seconds: float, readings: dict[str, object]) -> None:
        """Live through readings; what comes of it is delivered."""
        events: list[Event] = []
        for scan in scans((seconds, readings), from_s=self._t_s):
            timed = msgspec.structs.replace(scan, wall_s=self.wall_s)
            events += [*self.engine.take(timed), *self.engine.tick(scan.t_s, self.wall_s)]
        self._t_s += seconds
        for place, event in enumerate(events, 1):
            if isinstance(event, AlertChange):
                row = Kept(
                    place=place,
                    topic="events",
                    seq=place,
                    id=f"x-{place}",
                    run=1,
                    t_s=event.t_s,
                    wall_s=event.wall_s,
                    body=event,
                )
                self.outlet.deliver(row, self.status)

    def wait_until(self, wall_s: float) -> None:
        self.wall_s = wall_s
        self.outlet.idle(self.status)

    @property
    def titles(self) -> list[str]:
        return [title.removeprefix("Orchard Lane 4: ") for title, _ in self.sent]


def test_urgent_alert_says_what_since_when_how_hot_what_is_safe_and_what_to_read_out() -> None:
    """One message, at any hour, with all that the owner needs and nothing to open."""
    phone = Phone(NIGHT)
    phone.see(60, NO_PULL)
    assert phone.titles == ["No cooling or damage under way"]
    body = phone.sent[0][1]
    for part in ("Since 23:00", "Outdoors: ", "Safe to look at: ", "Do not touch: ", "For the technician: "):
        assert part in body


def test_what_can_wait_waits_for_the_end_of_the_quiet_hours() -> None:
    """A `soon` alert at night is told in the morning, once; by day at once."""
    phone = Phone(NIGHT)
    phone.see(60, WEAK)
    assert phone.titles == []
    phone.wait_until(_at(6, 15))
    assert phone.titles == []
    phone.wait_until(_at(MORNING, 15))
    phone.wait_until(_at(MORNING, 15) + 60)
    assert phone.titles == ["Book a visit"]
    by_day = Phone(NOON)
    by_day.see(60, WEAK)
    assert by_day.titles == ["Book a visit"]


def test_urgent_alert_is_repeated_with_growing_pauses_until_acknowledged() -> None:
    """After 4 h, then 8 h, then 16 h; an acknowledgement ends it."""
    from monitor.records import Request, RequestKind

    phone = Phone(NOON)
    phone.see(60, NO_PULL)
    for hours in (3.9, 4.1, 11.9, 12.2, 28.0, 28.4):
        phone.wait_until(_at(NOON) + hours * 3600)
    assert phone.titles == ["No cooling or damage under way", "Still", "Still", "Still"]
    request = Request(id="r", request=RequestKind.ACKNOWLEDGE, by="Sam", finding="call-without-pull-in")
    assert phone.engine.request(request, phone._t_s, phone.wall_s)[0].done
    phone.wait_until(_at(NOON) + 100 * 3600)
    assert len(phone.sent) == 4


def test_all_clear_is_told_once() -> None:
    """When the alert is over, one message says so."""
    phone = Phone(NOON)
    phone.see(60, NO_PULL)
    phone.see(4000, RUN)
    assert phone.titles == ["No cooling or damage under way", "Over"]


def test_daily_word_comes_once_a_day_if_wanted() -> None:
    """Not at the start, not in the quiet hours, then once each day."""
    phone = Phone(NOON, daily_silence_check=True)
    phone.see(10, RUN)
    for day, hour in ((14, 12), (14, 20), (15, 3), (15, 8), (15, 20), (16, 9)):
        phone.wait_until(_at(hour, day))
    assert phone.titles == ["Daily word", "Daily word"]


def test_failing_service_raises_so_that_the_row_is_tried_again() -> None:
    """The outlet's cursor does not move past a message that was not taken."""
    phone = Phone(NOON)
    phone.fails = True
    step = AlertChange(
        t_s=1.0,
        wall_s=phone.wall_s,
        finding="line-supply-lost",
        state_was=AlertState.NORMAL,
        state=AlertState.UNACKED,
        severity=Severity.URGENT,
        tell="alarm",
        summary="",
    )
    row = Kept(place=1, topic="events", seq=1, id="x-1", run=1, t_s=1.0, wall_s=phone.wall_s, body=step)
    with pytest.raises(NotifyError):
        phone.outlet.deliver(row, None)
    phone.fails = False
    phone.outlet.deliver(row, None)
    assert len(phone.sent) == 1


# ---------------------------------------------------------------- through apprise


class _Box(BaseHTTPRequestHandler):
    got: list[dict[str, object]]
    refuse = False

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        type(self).got.append(json.loads(body))
        self.send_response(500 if self.refuse else 200)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        """Quiet."""


@pytest.fixture
def box() -> Iterator[tuple[type[_Box], int]]:
    handler = type("Box", (_Box,), {"got": []})
    server = HTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield handler, server.server_port
    server.shutdown()
    server.server_close()
    thread.join()


def test_message_reaches_a_receiver_through_apprise(box: tuple[type[_Box], int]) -> None:
    """The real library, in its own process, to a receiver on the loopback; a refusal is an error."""
    import importlib.util

    need("apprise", importlib.util.find_spec("apprise") is not None)
    handler, port = box
    send = send_with((f"json://127.0.0.1:{port}/",), 60.0)
    send("Title", "Body\nin two lines")
    assert [(got["title"], got["message"]) for got in handler.got] == [("Title", "Body\nin two lines")]
    handler.refuse = True
    with pytest.raises(NotifyError, match="refused"):
        send("Title", "Body")


def test_address_nobody_understands_and_a_hanging_service_are_errors() -> None:
    """Said in words; the addresses, which hold secrets, are not repeated."""
    import importlib.util

    need("apprise", importlib.util.find_spec("apprise") is not None)
    with pytest.raises(NotifyError, match="not understood") as caught:
        send_with(("nonsense-secret",), 60.0)("Title", "Body")
    assert "secret" not in str(caught.value)
    with pytest.raises(NotifyError, match="no answer within"):
        send_with(("json://127.0.0.1:9/",), 0.001)("Title", "Body")
