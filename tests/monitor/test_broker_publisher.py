"""The broker's publisher on a real socket to a broker played by hand (tests/simulation/broker.py), in virtual time."""

from __future__ import annotations

import random
import socket
from collections.abc import Iterator, Sequence
from typing import Any
from unittest.mock import patch

import msgspec
import paho.mqtt.client as paho
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import HistorySettings, Mqtt, Settings, Site
from condenser_monitor.monitor.core.errors import BrokerError
from condenser_monitor.monitor.core.records import Answer, Event
from condenser_monitor.monitor.publishers.broker import BrokerPublisher, tls_context
from condenser_monitor.monitor.storage.history import History
from tests.monitor.edge_tools import MEMORY, WALL_S, Hand, change, cycle, status
from tests.simulation.broker import CONNECT, SUBSCRIBE, Broker, Line, Message, Packet
from tests.simulation.stepped_publishers import SteppedBroker

REQUESTS = "condenser/v1/house/requests"
ROWS = ("events", "cycles")


class Recorder(Broker):
    """A broker that keeps the packets of a connection's beginning as they came."""

    def __init__(self, clock: Hand) -> None:
        super().__init__(clock, random.Random(1), lambda text: None)
        self.began: list[Packet] = []
        self.published: list[bytes] = []

    def _on_connect(self, line: Line, one: Packet) -> None:
        self.began.append(one)
        super()._on_connect(line, one)

    def _on_publish(self, line: Line, one: Packet) -> None:
        self.published.append(one.body)
        super()._on_publish(line, one)

    def _on_subscribe(self, line: Line, one: Packet) -> None:
        self.began.append(one)
        super()._on_subscribe(line, one)


class Desk:
    """A history with its publisher, and what the office hears."""

    def __init__(self, keep: HistorySettings) -> None:
        self.clock = Hand()
        self.clock.sleep(100.0)
        self.broker = Recorder(self.clock)
        self.history = History(keep.file, owner=True, keep=keep, clock=self.clock, wall=lambda: WALL_S + self.clock())
        self.settings = Settings(site=Site(id="house"), mqtt=Mqtt(host="played", readings_s=10.0))
        self.publisher = SteppedBroker(self.settings, self.clock, self.broker)
        self.publisher.start(self.history)

    def step(self, *events: Event, offered: bool = True, **more: Any) -> None:
        """A step of the engine; `offered`: the publisher hears of it."""
        t_s = self.clock()
        now = status(t_s, **more)
        self.history.step(now_s=t_s, wall_s=WALL_S + t_s, status=now, memory=lambda: MEMORY, events=events)
        if offered:
            self.publisher.offer(events, now)

    def wait(self, seconds: float) -> None:
        """Time passes, in quarters of a second."""
        for _ in range(round(seconds * 4)):
            self.clock.sleep(0.25)
            self.publisher.move()
            self.broker.pump(self.clock())

    def heard(self, *channels: str) -> list[Message]:
        """What came on these channels, in order."""
        return [one for one in self.broker.heard if one.channel in channels]

    def ids(self, *channels: str) -> list[str]:
        """The ids of what came on them."""
        return [msgspec.json.decode(one.payload)["id"] for one in self.heard(*channels)]

    def asked(self, **order: Any) -> dict[str, Any]:
        """The answer to a request of the office."""
        before = len(self.heard("answers"))
        self.broker.ask("t", REQUESTS, msgspec.json.encode({"id": "again", **order}))
        self.wait(3.0)
        (answer,) = self.heard("answers")[before:]
        return dict(msgspec.json.decode(answer.payload))


@pytest.fixture
def desk(keep: HistorySettings, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    """Four events and a cycle, told."""
    made = Desk(keep)
    monkeypatch.setattr(paho, "time_func", made.clock)  # when it thinks a sign of life is due
    made.step(change(), change(), cycle())
    made.wait(5.0)
    made.step(change(), change())
    made.wait(5.0)
    yield made
    made.publisher.close()
    made.broker.cut()
    made.history.close()


def resend(desk: Desk, first: int, last: int, **more: Any) -> tuple[dict[str, Any], Sequence[str]]:
    """The answer to asking for old events, and the ids that came again."""
    before = len(desk.heard(*ROWS))
    answer = desk.asked(request="resend", topic="events", from_seq=first, to_seq=last, **more)
    return answer, desk.ids(*ROWS)[before:]


def test_rows_come_once_in_order_and_how_far_numbers_go_comes_before_them(desk: Desk) -> None:
    """A monitor that a disk has robbed of its last rows can ask the broker how far it had come."""
    origin = desk.history.origin
    assert desk.ids(*ROWS) == [f"{origin}-1", f"{origin}-2", f"{origin}:1", f"{origin}-3", f"{origin}-4"]
    told: dict[str, int] = {}
    for one in desk.heard("unit", *ROWS):
        body = msgspec.json.decode(one.payload)
        if one.channel == "unit":
            told = body["numbered"]
        else:
            assert body["seq"] <= told[one.channel]
    assert desk.history.outbox("mqtt", begin=True) == []


def test_a_connection_begins_as_it_was_promised(desk: Desk) -> None:
    """MQTT 5, 3.1.2.11: the session lasts, packets are bounded; 3.8.3.1: requests at least once (QoS 1)."""
    connect = next(one.body for one in desk.broker.began if one.kind == CONNECT)
    session_s = int(limits.PUBLISHERS.session_s.value)
    assert b"\x11" + session_s.to_bytes(4, "big") in connect
    assert b"\x27" + (65536).to_bytes(4, "big") in connect
    assert [one.body[-1] & 3 for one in desk.broker.began if one.kind == SUBSCRIBE] == [1, 1]


def test_each_message_says_what_kind_of_text_it_is(desk: Desk) -> None:
    """MQTT 5, 3.3.2.3.9: property 3 is the content type, a string behind its length in two bytes."""
    kinds = {"events": b"application/json", "unit": b"application/json", "readings": b"application/senml+json"}
    for channel, kind in kinds.items():
        bodies = [body for body in desk.broker.published if f"/house/{channel}".encode() in body]
        assert bodies
        assert all(b"\x03" + len(kind).to_bytes(2, "big") + kind in body for body in bodies)


def test_a_request_that_is_asked_again_gets_the_answer_that_it_got(desk: Desk) -> None:
    """The first time the engine answers, in its own time; a repeat is answered at once, and by the request's name."""
    order = {"id": "office-7", "request": "acknowledge", "by": "Ann", "finding": "fan-not-running"}
    desk.broker.ask("t", REQUESTS, msgspec.json.encode(order))
    desk.wait(3.0)
    assert desk.heard("answers") == []
    t_s = desk.clock()
    said = Answer(id="office-7", done=False, why="already acknowledged")
    desk.history.step(now_s=t_s, wall_s=None, status=status(t_s), memory=lambda: MEMORY, answers=[said])
    answer = desk.asked(**order)
    assert {name: answer[name] for name in ("id", "done", "why", "site")} == {
        "id": "office-7",
        "done": False,
        "why": "already acknowledged",
        "site": "house",
    }


def test_numbers_that_the_broker_knows_and_the_disk_has_lost_are_not_given_out_again(
    keep: HistorySettings, desk: Desk
) -> None:
    """A disk that lost what it said it had written: the last `unit` message at the broker goes further."""
    first = desk.history.origin
    desk.publisher.close()
    kept = desk.broker.retained["unit"]
    ahead = msgspec.json.decode(kept.payload) | {"numbered": {"events": 9, "cycles": 1}}
    desk.broker.retained["unit"] = kept._replace(payload=msgspec.json.encode(ahead))
    desk.publisher = SteppedBroker(desk.settings, desk.clock, desk.broker)
    desk.publisher.start(desk.history)
    desk.step(change())
    desk.wait(10.0)
    assert desk.history.origin != first
    assert desk.ids(*ROWS)[-1].startswith(f"{desk.history.origin}-")


def test_old_numbers_come_again_as_they_were(desk: Desk) -> None:
    """Those that were asked for, by their ids; of another origin, or of numbers that nobody gave, none."""
    origin = desk.history.origin
    answer, ids = resend(desk, 2, 3)
    assert (answer["done"], answer["first_seq"], ids) == (True, 1, [f"{origin}-2", f"{origin}-3"])
    assert resend(desk, 2, 2, origin=origin)[1] == [f"{origin}-2"]
    for asked in ({"first": 3, "last": 2}, {"first": 9, "last": 12}, {"first": 1, "last": 4, "origin": "xother"}):
        answer, ids = resend(desk, **asked)
        assert (answer["done"], ids) == (False, [])


def test_nothing_that_is_asked_for_again_overtakes_what_is_on_its_way(desk: Desk) -> None:
    """Rows whose receipt is not there yet come by themselves, in their turn."""
    desk.publisher._on_publish = lambda *given: None  # type: ignore[method-assign]
    assert desk.publisher._client is not None
    desk.publisher._client.on_publish = desk.publisher._on_publish
    desk.step(change(), change())
    desk.wait(2.0)
    origin = desk.history.origin
    assert resend(desk, 3, 6)[1] == [f"{origin}-3", f"{origin}-4"]


def test_a_row_that_nobody_announced_is_found_within_a_second(desk: Desk) -> None:
    """Rows held for a failing disk become visible without a word."""
    desk.step(change(), offered=False)
    desk.wait(1.5)
    assert desk.ids(*ROWS)[-1] == f"{desk.history.origin}-5"


def test_readings_come_once_a_scan_and_none_of_a_scan_that_read_nothing(desk: Desk) -> None:
    """What was measured once is not told as measured again."""
    desk.wait(30.0)
    before = len(desk.heard("readings"))
    desk.wait(30.0)
    desk.step()
    desk.wait(30.0)
    assert len(desk.heard("readings")) == before + 1
    desk.step(readings={"call": None})
    desk.wait(30.0)
    assert len(desk.heard("readings")) == before + 1


def test_a_failure_lets_go_of_the_line_at_once(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """The broker hears of it, and says for us that nobody is there; then it goes on where it was."""
    with monkeypatch.context() as patch:
        wrong = BrokerError("played", "no", "yes")
        patch.setattr(desk.history, "outbox", lambda *given, **more: (_ for _ in ()).throw(wrong))
        desk.step(change())
        desk.wait(0.5)
        assert desk.broker.line is None
        assert desk.heard("availability")[-1].payload == b"offline"
    desk.wait(30.0)
    assert desk.heard("availability")[-1].payload == b"online"
    assert desk.ids(*ROWS)[-1] == f"{desk.history.origin}-5"


def test_the_state_of_the_unit_comes_once_a_second_at_the_most(desk: Desk) -> None:
    """However often it changes; the last state comes all the same."""
    before = len(desk.heard("unit"))
    for turn in range(41):
        desk.step(live=() if turn % 2 else ("call",))
        desk.wait(0.25)
    assert 5 <= len(desk.heard("unit")) - before <= 11
    desk.wait(2.0)
    assert msgspec.json.decode(desk.heard("unit")[-1].payload)["cycle"] == "running"


def test_it_says_once_that_it_is_there(desk: Desk) -> None:
    """And not at each turn."""
    desk.wait(30.0)
    assert [one.payload for one in desk.heard("availability")] == [b"online"]


def test_what_a_life_before_left_is_told_before_its_first_scan(keep: HistorySettings, desk: Desk) -> None:
    """How far numbers go stands in the last status that there is."""
    desk.broker.turn("down")
    desk.step(change())
    desk.publisher.close()
    desk.history.close()
    desk.broker.turn("sound")
    heard = len(desk.broker.heard)
    desk.history = History(keep.file, owner=True, keep=keep, clock=desk.clock, wall=lambda: WALL_S + desk.clock())
    desk.publisher = SteppedBroker(desk.settings, desk.clock, desk.broker)
    desk.publisher.start(desk.history)
    desk.wait(20.0)
    assert [one.channel for one in desk.broker.heard[heard:]] == ["unit", "events"]
    assert desk.ids(*ROWS)[-1] == f"{desk.history.origin}-5"


def test_a_broker_that_never_answers_is_given_up(desk: Desk) -> None:
    """The line is up and no byte comes: said on the health page, and tried again."""
    desk.broker.turn("silent")
    desk.broker.cut()
    desk.wait(40.0)
    assert "no answer to the connection" in desk.history.health().publishers["mqtt"].error
    desk.broker.turn("sound")
    desk.step(change())
    desk.wait(60.0)
    assert desk.ids(*ROWS)[-1] == f"{desk.history.origin}-5"


def test_a_broker_that_hangs_up_before_it_answers_is_not_waited_for(desk: Desk) -> None:
    """It is said at once, and not when the time for an answer is over."""

    def hung_up() -> socket.socket:
        mine, other = socket.socketpair()
        other.close()
        return mine

    desk.broker.cut()
    with patch.object(desk.broker, "dial", hung_up):
        desk.wait(40.0)
    said = desk.history.health().publishers["mqtt"].error
    assert said.startswith("BrokerError")
    assert "no answer to the connection" not in said


def test_pauses_are_short_again_after_a_connection_that_lasted(desk: Desk) -> None:
    """A broker that takes us and throws us out again is still failing; one that kept us for longer than any pause is
    not."""
    first_s, most_s = limits.PUBLISHERS.backoff_first_s.value, limits.PUBLISHERS.backoff_most_s.value
    desk.broker.turn("throwing")
    desk.broker.cut()
    desk.wait(20.0)
    assert desk.publisher._backoff._next_s > 2 * first_s
    desk.broker.turn("sound")
    desk.wait(most_s)  # the last pause may take as long
    assert desk.publisher._backoff._next_s > 2 * first_s
    desk.wait(most_s + 2.0)
    assert desk.publisher._backoff._next_s == first_s


def test_a_good_end_tells_what_is_left_and_waits_for_no_more_than_its_receipts(desk: Desk) -> None:
    """Rows, then "offline", and gone as soon as both are acknowledged."""
    desk.step(change())
    desk.publisher.close()
    assert desk.ids(*ROWS)[-1] == f"{desk.history.origin}-5"
    assert desk.heard("availability")[-1].payload == b"offline"
    assert desk.history.outbox("mqtt", begin=True) == []
    assert desk.publisher._beyond_s < 1.0  # of virtual time; without receipts it waits for longer


def test_what_never_began_ends_without_a_fault(keep: HistorySettings) -> None:
    """A start that failed elsewhere closes what is there."""
    never = BrokerPublisher(Settings(mqtt=Mqtt(host="broker.test")))
    never.finish()
    never.close()


def test_authorities_are_those_of_the_file(tmp_path: Any) -> None:
    """A file that is named and cannot be used is refused; without one they are the system's."""
    with pytest.raises(BrokerError, match="a file of certificates"):
        tls_context(str(tmp_path / "none.pem"))
    assert tls_context("").verify_mode.name == "CERT_REQUIRED"
