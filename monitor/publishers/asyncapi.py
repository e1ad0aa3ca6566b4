"""The AsyncAPI 3.0 document of the topics, made from the types of messages.py: described once, in the code. Pure.

Shape: https://www.asyncapi.com/docs/reference/specification/v3.0.0 (channels with addresses and messages, operations
with `send` and `receive` as seen by the monitor, MQTT bindings).
"""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

import msgspec

from condenser_monitor.monitor.core.config import ID_PATTERN, Settings
from condenser_monitor.monitor.publishers.messages import (
    CHANNELS,
    OFFLINE,
    ONLINE,
    ROOT,
    AlertMessage,
    AnswerMessage,
    BrokerChannel,
    ChangeMessage,
    CycleMessage,
    PersonsRequest,
    ResendRequest,
    UnitMessage,
)
from condenser_monitor.monitor.publishers.senml import Record

SPECIFICATION = "3.0.0"
# channel -> its messages by name: (content type, type of the payload); None: a word, not JSON
PAYLOADS: dict[str, dict[str, tuple[str, Any]]] = {
    "availability": {"Availability": ("text/plain", None)},
    "unit": {"UnitMessage": ("application/json", UnitMessage)},
    "events": {
        "ChangeMessage": ("application/json", ChangeMessage),
        "AlertMessage": ("application/json", AlertMessage),
    },
    "readings": {"Readings": ("application/senml+json", list[Record])},
    "cycles": {"CycleMessage": ("application/json", CycleMessage)},
    "requests": {
        "PersonsRequest": ("application/json", PersonsRequest),
        "ResendRequest": ("application/json", ResendRequest),
    },
    "answers": {"AnswerMessage": ("application/json", AnswerMessage)},
}
_SCHEMAS = "#/components/schemas/"


def document(settings: Settings | None = None) -> dict[str, Any]:
    """The document as plain data, ready for JSON or YAML; with the broker of a site when its settings are given."""
    types = [kind for messages in PAYLOADS.values() for _, kind in messages.values() if kind is not None]
    schemas, components = msgspec.json.schema_components(types, ref_template=_SCHEMAS + "{name}")
    payloads = iter(schemas)
    messages = {
        name: _message(name, content, {"type": "string", "enum": [ONLINE, OFFLINE]} if kind is None else next(payloads))
        for rows in PAYLOADS.values()
        for name, (content, kind) in rows.items()
    }
    found: dict[str, Any] = {
        "asyncapi": SPECIFICATION,
        "info": {
            "title": "condenser-monitor",
            "version": version("condenser-monitor"),
            "description": "What a monitor tells of one condensing unit, and what it can be asked.",
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "channels": {row.name: _channel(row) for row in CHANNELS.values()},
        "operations": {_operation_name(row): _operation(row) for row in CHANNELS.values()},
        "components": {"messages": messages, "schemas": components},
    }
    if settings is not None and settings.mqtt.host:
        found["servers"] = {"broker": _server(settings)}
    return found


def text(settings: Settings | None = None) -> str:
    """The document as JSON, indented."""
    return msgspec.json.format(msgspec.json.encode(document(settings)), indent=2).decode() + "\n"


def _server(settings: Settings) -> dict[str, Any]:
    protocol = "secure-mqtt" if settings.mqtt.tls else "mqtt"
    host = f"{settings.mqtt.host}:{settings.mqtt.port}"
    return {"host": host, "protocol": protocol, "protocolVersion": settings.mqtt.version}


def _channel(row: BrokerChannel) -> dict[str, Any]:
    return {
        "address": f"{ROOT}/{{siteId}}/{row.name}",
        "description": row.meaning,
        "parameters": {"siteId": {"description": f"`id` of the site file: {ID_PATTERN.pattern}"}},
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in PAYLOADS[row.name]},
    }


def _operation_name(row: BrokerChannel) -> str:
    return ("send" if row.sender == "monitor" else "receive") + row.name.capitalize()


def _operation(row: BrokerChannel) -> dict[str, Any]:
    found: dict[str, Any] = {
        "action": "send" if row.sender == "monitor" else "receive",
        "channel": {"$ref": f"#/channels/{row.name}"},
        "summary": row.meaning,
        "messages": [{"$ref": f"#/channels/{row.name}/messages/{name}"} for name in PAYLOADS[row.name]],
        "bindings": {"mqtt": {"qos": row.qos, "retain": row.retained, "bindingVersion": "0.2.0"}},
    }
    if row.name == "requests":
        reply = PAYLOADS["answers"]
        found["reply"] = {
            "channel": {"$ref": "#/channels/answers"},
            "messages": [{"$ref": f"#/channels/answers/messages/{name}"} for name in reply],
        }
    return found


def _message(name: str, content: str, payload: dict[str, Any]) -> dict[str, Any]:
    return {"name": name, "contentType": content, "payload": payload}
