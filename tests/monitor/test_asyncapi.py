"""The AsyncAPI document is true to the code: every topic, every message; what is really sent fits its schemas."""

from __future__ import annotations

import json
import re
from typing import Any

import jsonschema
import msgspec
import pytest

from condenser_monitor.monitor.core.config import Mqtt, Settings, Site
from condenser_monitor.monitor.core.records import Answer
from condenser_monitor.monitor.publishers import asyncapi, senml
from condenser_monitor.monitor.publishers.messages import (
    CHANNELS,
    AnswerMessage,
    out_message,
    read_request,
    topic,
    unit_message,
)
from condenser_monitor.monitor.storage.models import StoredEvent, Topic
from condenser_monitor.monitor.storage.schema import message_id
from tests.monitor.edge_tools import (
    WALL_S,
    alert,
    change,
    cycle,
    status,
)

DOCUMENT: dict[str, Any] = json.loads(asyncapi.text())


def look_up(reference: str) -> Any:
    """What a local reference points at."""
    found: Any = DOCUMENT
    for part in reference.removeprefix("#/").split("/"):
        found = found[part]
    return found


def check(name: str, payload: bytes) -> None:
    """A payload against the schema of a message."""
    schema = {**DOCUMENT["components"]["messages"][name]["payload"], "components": DOCUMENT["components"]}
    jsonschema.Draft7Validator(schema).validate(json.loads(payload))


def test_the_required_parts_are_there() -> None:
    """AsyncAPI 3.0.0: `asyncapi` and `info` with title and version; channels with addresses; operations with `send`
    or `receive` and a channel."""
    assert DOCUMENT["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= DOCUMENT["info"].keys()
    for channel in DOCUMENT["channels"].values():
        assert re.fullmatch(r"condenser/v1/\{siteId\}/[a-z]+", channel["address"])
        assert set(channel["parameters"]) == {"siteId"}
    assert {operation["action"] for operation in DOCUMENT["operations"].values()} == {"send", "receive"}


def test_every_reference_leads_somewhere() -> None:
    """No `$ref` of the document points at nothing."""
    references = re.findall(r'"\$ref": "([^"]+)"', asyncapi.text())
    assert len(references) > 30
    for reference in references:
        look_up(reference)


def test_the_topics_are_those_of_the_contract() -> None:
    """contract.md, Broker: seven topics; two are retained; only `readings` is QoS 0; only `requests` comes in."""
    assert {channel["address"] for channel in DOCUMENT["channels"].values()} == {
        topic("{siteId}", name)
        for name in ("availability", "unit", "events", "readings", "cycles", "requests", "answers")
    }
    bindings = {name: operation["bindings"]["mqtt"] for name, operation in DOCUMENT["operations"].items()}
    assert {name for name, mqtt in bindings.items() if mqtt["retain"]} == {"sendAvailability", "sendUnit"}
    assert {name for name, mqtt in bindings.items() if mqtt["qos"] == 0} == {"sendReadings"}
    receives = [name for name, operation in DOCUMENT["operations"].items() if operation["action"] == "receive"]
    assert receives == ["receiveRequests"]
    assert DOCUMENT["operations"]["receiveRequests"]["reply"]["channel"] == {"$ref": "#/channels/answers"}


@pytest.mark.parametrize(
    ("body", "channel", "name"),
    [
        (change(), "events", "ChangeMessage"),
        (alert(), "events", "AlertMessage"),
        (cycle(), "cycles", "CycleMessage"),
        (Answer(id="r1", done=False, why="no such finding"), "answers", "AnswerMessage"),
    ],
)
def test_what_is_sent_fits_the_schema(body: Any, channel: Topic, name: str) -> None:
    """Each kind of row of the outbox, as it goes out; with a word too many or a number gone it fits no longer."""
    kept = StoredEvent(
        offset=1, topic=channel, seq=1, id=message_id("x1", channel, 1), run=1, t_s=1.0, wall_s=WALL_S, body=body
    )
    payload = msgspec.json.encode(out_message(kept, "site-1"))
    check(name, payload)
    broken = json.loads(payload)
    del broken["id"]
    with pytest.raises(jsonschema.ValidationError):
        check(name, json.dumps(broken).encode())


def test_unit_readings_and_answers_fit_their_schemas() -> None:
    """The retained status, a SenML pack, an answer to a resend."""
    check("UnitMessage", msgspec.json.encode(unit_message(status(live=("call",)), "x1", {"events": 3})))
    check("Readings", senml.pack({"call": True, "compressor_a": 9.5, "fan_a": None}, "site-1", WALL_S))
    check("AnswerMessage", msgspec.json.encode(AnswerMessage(id="r", done=True, site="site-1", first_seq=3)))


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("PersonsRequest", '{"id":"r1","request":"shelve","by":"Sam","finding":"long-run","hours":4}'),
        ("PersonsRequest", '{"id":"r1","request":"resume","by":"Sam"}'),
        ("ResendRequest", '{"id":"r1","request":"resend","topic":"events","from_seq":3,"to_seq":9}'),
    ],
)
def test_a_request_that_fits_the_schema_is_read(name: str, text: str) -> None:
    """What the document allows, the program takes."""
    check(name, text.encode())
    assert read_request(text.encode()).id == "r1"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "null",
        "[]",
        "{}",
        '{"id":"r1"}',
        '{"id":"r1","request":"explode","by":"Sam"}',
        '{"id":"","request":"resume","by":"Sam"}',
        '{"id":"r1","request":"resume","by":""}',
        '{"id":"r1","request":"resume"}',
        '{"id":"r1","request":"shelve","by":"Sam","finding":"long-run","hours":-1}',
        '{"id":"r1","request":"shelve","by":"Sam","finding":"long-run","hours":"4"}',
        '{"id":"r1","request":"shelve","by":"Sam","finding":"long-run","hours":1e400}',
        '{"id":"r1","request":"resume","by":"Sam","more":1}',
        '{"id":"r1","request":"resume","by":"' + "x" * 101 + '"}',
        '{"id":1,"request":"resume","by":"Sam"}',
        '{"id":"r1","request":"resend","topic":"answers","from_seq":1,"to_seq":2}',
        '{"id":"r1","request":"resend","topic":"events","from_seq":0,"to_seq":2}',
        '{"id":"r1","request":"resend","topic":"events","from_seq":1}',
        '{"id":"r1","request":"resume","by":"\ud800"}',
    ],
)
def test_a_bad_request_is_refused_with_the_reason(text: str) -> None:
    """Strictly: nothing is guessed, converted or ignored."""
    with pytest.raises(ValueError, match=r".+"):
        read_request(text.encode("utf-8", "surrogatepass"))


def test_the_broker_of_a_site_is_named() -> None:
    """With settings, the document says where; without, it names none."""
    settings = Settings(site=Site(id="s"), mqtt=Mqtt(host="broker.example", port=8883, tls=True))
    servers = asyncapi.document(settings)["servers"]
    assert servers == {"broker": {"host": "broker.example:8883", "protocol": "secure-mqtt", "protocolVersion": "5"}}
    assert "servers" not in DOCUMENT


def test_every_channel_has_its_messages() -> None:
    """The table of topics and the table of payloads name the same topics."""
    assert asyncapi.PAYLOADS.keys() == CHANNELS.keys()
