"""What a standard MQTT command-line client sees of a monitor (contract.md, Broker), on a real mosquitto."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.publishers.broker import BrokerPublisher
from condenser_monitor.monitor.publishers.messages import ResendRequest
from condenser_monitor.monitor.service.run_loop import Service
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker
from tests.conformance.mqtt_tools import Listener, publish
from tests.conformance.stations import Station, site
from tests.conftest import set_limit
from tests.monitor.edge_tools import (
    WALL_S,
    Hand,
    ReplayBoards,
    alert,
    change,
    cycle,
    status,
    until,
)
from tests.monitor.test_asyncapi import check
from tests.monitor.units import (
    REST,
    RUN,
    but,
    scans,
)

pytestmark = pytest.mark.usefixtures("impatient_publishers")
DEAF = but(RUN, load=False, compressor_a=0.0, fan_a=0.0, coil_a=0.0)


@pytest.fixture
def station(shared_broker: PrivateBroker, keep: config.HistorySettings) -> Iterator[Station]:
    """A station on the shared broker."""
    made = Station(site(shared_broker), keep)
    yield made
    made.stop()


def test_a_standard_client_sees_the_alert(shared_broker: PrivateBroker, keep: config.HistorySettings) -> None:
    """From scans through the real engine: mosquitto_sub hears the finding, its alert, the unit's state."""
    settings, clock = site(shared_broker), Hand()
    with Listener(shared_broker, f"condenser/v1/{settings.site.id}/#") as client:
        history = History(keep.file, owner=True, keep=keep)
        boards = ReplayBoards(scans((20, REST), (30, DEAF)))
        service = Service(
            settings, boards, history, [BrokerPublisher(settings)], clock=clock, sleep=clock.sleep, wall=lambda: WALL_S
        )
        service.run(steps=50)
        events = [one.body for one in client.wait_named("events", 2)]
        client.wait(lambda heard: any(one.name == "unit" and one.body["findings"] for one in heard))
        service.close()
    raised = [body for body in events if body["kind"] == "change"]
    alerts = [body for body in events if body["kind"] == "alert"]
    assert (raised[0]["change"], raised[0]["finding"]) == ("raised", "call-without-pull-in")
    assert raised[0]["severity"] == "urgent"
    assert "coil-open" in raised[0]["suspects"]
    assert [body["finding"] for body in alerts][:1] == ["call-without-pull-in"]
    unit = client.named("unit")[-1].body
    assert [found["name"] for found in unit["findings"]] == ["call-without-pull-in"]
    assert {link["name"]: link["state"] for link in unit["links"]}["contacts"] == "dead"


def test_topics_quality_and_retain_are_those_of_the_contract(shared_broker: PrivateBroker, station: Station) -> None:
    """The table of section 7, message by message; a late subscriber gets the retained ones, and they say so."""
    with Listener(shared_broker, f"{station.root}/#") as client:
        station.step(change(), alert(), cycle(), live=("call",))
        for name in ("availability", "unit", "events", "readings", "cycles"):
            client.wait_named(name)
    assert {(one.name, one.qos) for one in client.heard} == {
        *(("availability", 1), ("unit", 1), ("events", 1), ("readings", 0), ("cycles", 1))
    }
    until(lambda: station.waiting == 0)
    with Listener(shared_broker, f"{station.root}/#") as late:
        late.wait(lambda heard: {one.name for one in heard if one.retained} == {"availability", "unit"})
        assert not [one for one in late.heard if one.retained and one.name not in ("availability", "unit")]
        assert late.named("availability")[0].payload == "online"


def test_what_is_heard_fits_the_asyncapi_document(shared_broker: PrivateBroker, station: Station) -> None:
    """Messages off the wire against the schemas made from the types."""
    with Listener(shared_broker, f"{station.root}/#") as client:
        station.step(change(), cycle(), alert())
        client.wait(lambda heard: {one.name for one in heard} >= {"unit", "events", "cycles", "readings"})
        client.wait_named("events", 2)
    kinds = {"change": "ChangeMessage", "alert": "AlertMessage"}
    for one in client.heard:
        if one.name == "events":
            check(kinds[one.body["kind"]], one.payload.encode())
        elif one.name in ("unit", "cycles", "readings"):
            check(
                {"unit": "UnitMessage", "cycles": "CycleMessage", "readings": "Readings"}[one.name],
                one.payload.encode(),
            )


def test_numbers_are_unbroken_on_each_topic_and_told_in_unit(shared_broker: PrivateBroker, station: Station) -> None:
    """`seq` counts 1, 2, 3 on `events` and on `cycles` apart; `unit` says how far and under which origin."""
    with Listener(shared_broker, f"{station.root}/#") as client:
        for _ in range(10):
            station.step(change(), cycle(), alert())
        client.wait_named("events", 20)
        client.wait_named("cycles", 10)
        client.wait(
            lambda heard: any(one.name == "unit" and one.body["sent"] == {"events": 20, "cycles": 10} for one in heard)
        )
    assert [one.body["seq"] for one in client.named("events")] == list(range(1, 21))
    assert [one.body["seq"] for one in client.named("cycles")] == list(range(1, 11))
    origin = client.named("unit")[-1].body["origin"]
    assert all(one.body["id"].startswith(origin) for one in client.named("events", "cycles"))
    assert len({one.body["id"] for one in client.named("events", "cycles")}) == 30


def test_availability_follows_the_monitor(shared_broker: PrivateBroker, station: Station) -> None:
    """Nothing before the first scan; online while it sees the unit, offline after a good end, retained both times."""
    with Listener(shared_broker, f"{station.root}/availability") as client:
        until(lambda: station.error == "" and station.publisher._client is not None)
        assert client.heard == []
        station.step()
        client.wait(lambda heard: [one.payload for one in heard][-1:] == ["online"])
        station.publisher.close()
        client.wait(lambda heard: [one.payload for one in heard][-1:] == ["offline"])


def test_a_blind_monitor_says_so(
    shared_broker: PrivateBroker, keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The connection is alive but no scan has come for long: offline, and online again with the next scan."""
    set_limit(monkeypatch, limits.PUBLISHERS.blind_s, 0.3)
    station = Station(site(shared_broker), keep)
    with Listener(shared_broker, f"{station.root}/availability") as client:
        client.wait(lambda heard: [one.payload for one in heard][-1:] == ["offline"])
        station.step()
        client.wait(lambda heard: [one.payload for one in heard][-1:] == ["online"])
    station.stop()


# ---------------------------------------------------------------- requests


def ask(broker: PrivateBroker, station: Station, text: str, **more: Any) -> None:
    """Send a request."""
    publish(broker, f"{station.root}/requests", text, **more)


def answers(client: Listener) -> dict[str, tuple[bool, str]]:
    """What was answered, by id."""
    return {one.body["id"]: (one.body["done"], one.body["why"]) for one in client.named("answers")}


def test_a_request_is_taken_answered_and_harmless_when_repeated(shared_broker: PrivateBroker, station: Station) -> None:
    """Service mode asked for by the broker: handed over once; the same id again only gets the answer again."""
    text = '{"id":"r1","request":"service","by":"Sam","hours":2}'
    until(lambda: station.history.health().publishers)
    with Listener(shared_broker, f"{station.root}/answers") as client:
        ask(shared_broker, station, text)
        until(lambda: [request.id for request in station.history.requests()] == ["r1"])
        station.answer_all()
        client.wait_named("answers")
        ask(shared_broker, station, text)
        client.wait_named("answers", 2)
        assert station.history.requests() == []
    assert answers(client) == {"r1": (True, "")}


@pytest.mark.parametrize(
    ("text", "name", "why"),
    [
        ("not json", "", "malformed"),
        ('{"id":"r7"}', "r7", "missing required field `request`"),
        ('{"id":"r7","request":"explode","by":"Sam"}', "r7", "Invalid enum value 'explode'"),
        ('{"id":"r7","request":"shelve","by":"Sam","hours":"two"}', "r7", "hours"),
        ('{"id":"r7","request":"resume","by":"Sam","note":"' + "x" * 5000 + '"}', "r7", "at most 4096"),
        ('{"id":"r7","request":"resend","topic":"events","from_seq":50,"to_seq":60}', "r7", "none of these numbers"),
    ],
)
def test_a_request_that_cannot_be_taken_is_answered_with_the_reason(
    shared_broker: PrivateBroker, station: Station, text: str, name: str, why: str
) -> None:
    """Nothing is guessed; the connection lives on and takes the next one."""
    until(lambda: station.history.health().publishers)
    with Listener(shared_broker, f"{station.root}/answers") as client:
        ask(shared_broker, station, text)
        client.wait_named("answers")
        done, said = answers(client)[name]
        assert not done
        assert why in said
        ask(shared_broker, station, '{"id":"good","request":"resume","by":"Sam"}')
        until(lambda: [request.id for request in station.history.requests()] == ["good"])


def test_a_retained_request_is_not_taken(shared_broker: PrivateBroker, keep: config.HistorySettings) -> None:
    """It would come again at every connection, long after it was meant."""
    settings = site(shared_broker)
    root = f"condenser/v1/{settings.site.id}"
    publish(shared_broker, f"{root}/requests", '{"id":"old","request":"resume","by":"Sam"}', retain=True)
    with Listener(shared_broker, f"{root}/answers") as client:
        station = Station(settings, keep)
        client.wait_named("answers")
        assert not answers(client)["old"][0]
        assert station.history.requests() == []
        station.stop()
    publish(shared_broker, f"{root}/requests", "", retain=True)


def test_a_failure_while_taking_a_request_does_not_end_the_connection(
    shared_broker: PrivateBroker, station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An exception of ours in the callback: told to the sender, and the next request is taken."""
    real = station.history.add_request

    def broken(*given: Any, **more: Any) -> Any:
        monkeypatch.setattr(station.history, "add_request", real)
        raise RuntimeError("a fault of ours")

    monkeypatch.setattr(station.history, "add_request", broken)
    until(lambda: station.history.health().publishers)
    with Listener(shared_broker, f"{station.root}/answers") as client:
        ask(shared_broker, station, '{"id":"r1","request":"resume","by":"Sam"}')
        client.wait_named("answers")
        assert answers(client)["r1"] == (False, "the monitor could not take it: RuntimeError")
        ask(shared_broker, station, '{"id":"r2","request":"resume","by":"Sam"}')
        until(lambda: [request.id for request in station.history.requests()] == ["r2"])


def test_a_flood_of_nonsense_is_not_answered_without_end(shared_broker: PrivateBroker, station: Station) -> None:
    """After thirty refusals in a minute there are no more, and a good request is still taken."""
    until(lambda: station.history.health().publishers)
    with Listener(shared_broker, f"{station.root}/answers") as client:
        publish(shared_broker, f"{station.root}/requests", "x", options=("-V", "5", "--repeat", "100"))
        ask(shared_broker, station, '{"id":"good","request":"resume","by":"Sam"}')
        until(lambda: [request.id for request in station.history.requests()] == ["good"])
        station.answer_all()
        station.step()
        client.wait(lambda heard: any(one.body["id"] == "good" for one in heard))
        assert len(client.named("answers")) == 31


def test_numbers_asked_for_again_come_again_unchanged(shared_broker: PrivateBroker, station: Station) -> None:
    """A resend of a span: the same ids and bodies; then the answer, with the oldest number still kept."""
    with Listener(shared_broker, f"{station.root}/#") as client:
        for _ in range(6):
            station.step(change(), cycle())
        client.wait_named("events", 6)
        first = {one.body["seq"]: one.payload for one in client.named("events")}
        origin = station.history.origin
        wish = {"id": "r1", "request": "resend", "topic": "events", "from_seq": 3, "to_seq": 5, "origin": origin}
        ask(shared_broker, station, json.dumps(wish))
        client.wait_named("answers")
        again = client.named("events")[6:]
        assert [one.body["seq"] for one in again] == [3, 4, 5]
        assert [one.payload for one in again] == [first[number] for number in (3, 4, 5)]
        assert client.named("answers")[0].body["first_seq"] == 1
        ask(shared_broker, station, json.dumps(wish | {"id": "r2", "origin": "another"}))
        client.wait_named("answers", 2)
        assert not answers(client)["r2"][0]


def test_a_flood_of_resends_fills_no_memory(keep: config.HistorySettings) -> None:
    """While as many rows as one request may ask for are on their way unacknowledged, further ones get no answer and
    send nothing; with the acknowledgements they are taken again."""

    class Client:
        sent = 0

        def publish(self, *_: object, **__: object) -> paho.MQTTMessageInfo:
            self.sent += 1
            return paho.MQTTMessageInfo(self.sent)

    most = int(limits.PUBLISHERS.resend_most.value)
    with History(keep.file, owner=True, keep=keep) as history:
        events = [change(finding=f"f{number}") for number in range(most)]
        history.step(now_s=1.0, wall_s=WALL_S, status=status(), memory=lambda: b"", events=events)
        publisher, client = BrokerPublisher(Settings(mqtt=config.Mqtt(host="nowhere"))), Client()
        publisher.history = history
        history.delivered(publisher.name, history.outbox(publisher.name, begin=True, limit=most)[-1].offset)
        wish = ResendRequest(id="r", request="resend", topic="events", from_seq=1, to_seq=most)
        answers = [publisher._resend(client, wish) for _ in range(50)]  # type: ignore[arg-type]
        assert [answer is not None for answer in answers] == [True] + [False] * 49
        assert client.sent == most
        for number in range(1, most + 1):
            publisher._on_publish(client, None, number, ReasonCode(PacketTypes.PUBACK), None)  # type: ignore[arg-type]
        assert publisher._resend(client, wish) is not None  # type: ignore[arg-type]
