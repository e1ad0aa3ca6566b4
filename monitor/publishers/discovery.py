"""(edge) Home automation: what a hub needs to show the unit by itself, in both open conventions.

- Homie, version 5 (homieiot.github.io/specification): `homie/5/condenser-SITE/...`; `$description` names every value,
  each value is a retained topic of its own, open alerts stand under `$alert`.
- JSON device discovery, which the common hubs share: one retained message, `PREFIX/device/condenser-SITE/config`, that
  points at the monitor's own scalar topics `condenser/v1/SITE/state/NODE/PROPERTY`.

Both show one list of values (`values`), so that they cannot differ. A value that is not known is `unknown`, never off
and never the last one again. Homie asks for a last will of its own (section "Last will"), so this is a connection of
its own. At each connection the broker's retained messages of this device are compared with what is announced now, and
what a removed sensor, or a convention that was switched off, has left there is cleared.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from hashlib import blake2b
from typing import Any, Literal, NamedTuple
from uuid import uuid4

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.reasoncodes import ReasonCode

from condenser_monitor.monitor import __version__, limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import BrokerError
from condenser_monitor.monitor.core.findings import CATALOGUE, readings_of, watchable
from condenser_monitor.monitor.core.links import CHAIN
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    AlertState,
    CycleState,
    LinkState,
    Request,
    RequestKind,
    UnitStatus,
)
from condenser_monitor.monitor.publishers.broker import BrokerConnection
from condenser_monitor.monitor.publishers.messages import OFFLINE, ONLINE, topic
from condenser_monitor.monitor.strings.calm import calm, sentence
from condenser_monitor.monitor.strings.texts import LINKS, capital

UNKNOWN = "unknown"
PRESS = "press"
HOMIE, JSON = "homie", "json"
_BY = "home automation"
_OPEN = (AlertState.UNACKED, AlertState.RETURNED, AlertState.LATCHED_UNACKED)
_log = logging.getLogger(__name__)


class EntityValue(NamedTuple):
    """One value, action or state that a hub shows. `node` and `name` are its place in topics. `kind`: a number, one of
    `options`, yes or no (`on`, `off`), words, or an action. `problem`: on is bad. `aside`: for who looks closer."""

    node: Literal["unit", "findings", "links", "readings"]
    name: str
    title: str
    kind: Literal["number", "choice", "flag", "text", "action"]
    unit: str = ""
    device_class: str = ""
    digits: int = 0
    bounds: tuple[float, float] | None = None
    options: tuple[str, ...] = ()
    problem: bool = False
    aside: bool = False

    @property
    def place(self) -> str:
        """Node and name as topic levels; Homie allows small letters, digits and hyphens."""
        return f"{self.node}/{self.name.replace('_', '-')}"


def announced(settings: Settings) -> tuple[EntityValue, ...]:
    """Return what a hub is shown of a unit with these sensors."""
    return (
        EntityValue("unit", "attention", "Needs attention", "flag", problem=True),
        EntityValue("unit", "headline", "Status", "text"),
        EntityValue("unit", "open", "Open items", "number"),
        EntityValue("unit", "cycle", "Cycle", "choice", options=tuple(state.value for state in CycleState)),
        EntityValue("unit", "service", "Service mode", "flag", aside=True),
        EntityValue("unit", "acknowledge", "Acknowledge all alerts", "action"),
        EntityValue("unit", "begin-service", "Start service mode", "action"),
        EntityValue("unit", "end-service", "End service mode", "action"),
        *(
            EntityValue("findings", name, capital(name.replace("-", " ")), "flag", problem=True)
            for name in watchable(settings)
        ),
        *(
            EntityValue("links", link.name, LINKS[link.name].title, "choice", options=tuple(LinkState), aside=True)
            for link in CHAIN
        ),
        *_readings(settings),
    )


def _readings(settings: Settings) -> Iterator[EntityValue]:
    for name in settings.fitted:
        row = READINGS[name]
        if row.kind == "flag":
            yield EntityValue("readings", name, capital(row.title), "flag", aside=True)
        else:
            yield EntityValue(
                "readings",
                name,
                capital(row.title),
                "number",
                unit=row.unit,
                device_class=row.device_class,
                digits=row.digits,
                bounds=(row.least, row.most),
            )


def values(settings: Settings, status: UnitStatus, *, faults: int = 0) -> dict[str, str]:
    """Return the value of each place, as text; what is not known is `unknown`."""
    answer = calm(status, faults=faults)
    found = {
        "unit/attention": _flag(not answer.calm),
        "unit/headline": sentence(answer, status.cycle),
        "unit/open": str(answer.open),
        "unit/cycle": status.cycle.value,
        "unit/service": _flag(status.service_until_wall_s is not None),
    }
    standing = {finding.name for finding in status.findings}
    standing |= {alert.finding for alert in status.alerts if alert.state is not AlertState.NORMAL}
    deaf = _deaf(status)
    for row in CATALOGUE.values():
        known = status.cycle is not CycleState.UNKNOWN and not readings_of(row, settings) & deaf
        quiet = "off" if known or row.name == "sensor-silent" else UNKNOWN
        found[f"findings/{row.name}"] = "on" if row.name in standing else quiet
    found |= {f"links/{link.name}": link.state.value for link in status.links}
    for name in settings.fitted:
        value = None if name in status.distrusted else status.readings.get(name)
        place = f"readings/{name.replace('_', '-')}"
        if value is None:
            found[place] = UNKNOWN
        else:
            found[place] = _flag(bool(value)) if not READINGS[name].unit else f"{value:.{READINGS[name].digits}f}"
    return {value.place: found.get(value.place, UNKNOWN) for value in announced(settings) if value.kind != "action"}


def _flag(on: bool) -> str:
    return "on" if on else "off"


def _deaf(status: UnitStatus) -> frozenset[str]:
    """The readings that say nothing which may be built on: those that lie, and those that have been silent."""
    silent = [finding.evidence.get("silent") for finding in status.findings if finding.name == "sensor-silent"]
    return frozenset(status.distrusted) | {str(name) for names in silent if isinstance(names, list) for name in names}


# ---------------------------------------------------------------- the two descriptions


def device_id(site: str) -> str:
    """The device's name in both conventions: one level of a Homie topic, so in small letters."""
    return f"condenser-{site.lower()}"


def homie_description(settings: Settings) -> dict[str, Any]:
    """Return the `$description` document (Homie 5, section "Devices"). Its version changes with what it says."""
    nodes: dict[str, Any] = {}
    titles = {"unit": "Unit", "findings": "Findings", "links": "Chain of links", "readings": "Readings"}
    for value in announced(settings):
        node = nodes.setdefault(value.node, {"name": titles[value.node], "properties": {}})
        node["properties"][value.place.partition("/")[2]] = _homie_property(value)
    body: dict[str, Any] = {"homie": "5.0", "name": settings.site.name, "type": "condensing-unit", "nodes": nodes}
    return body | {"version": _number(body), "extensions": []}


def _number(body: dict[str, Any]) -> int:
    """Return a number made of the text, within what every reader of JSON agrees on."""
    return int.from_bytes(blake2b(msgspec.json.encode(body), digest_size=6).digest(), "big")


def _homie_property(value: EntityValue) -> dict[str, Any]:
    found: dict[str, Any] = {"name": value.title}
    if value.kind == "action":
        return found | {"datatype": "enum", "format": PRESS, "settable": True, "retained": False}
    if value.kind == "number":
        found |= {"datatype": "float" if value.unit else "integer"}
        found |= {"unit": value.unit} if value.unit else {}
        return found | ({"format": f"{value.bounds[0]:g}:{value.bounds[1]:.0f}"} if value.bounds else {})
    if value.kind == "text":
        return found | {"datatype": "string"}
    options = value.options or ("off", "on", UNKNOWN)
    return found | {"datatype": "enum", "format": ",".join(options)}


def json_description(settings: Settings, gone: dict[str, str] | None = None) -> dict[str, Any]:
    """Return the device discovery message. `gone` are components announced earlier, with their platform: each is
    named once more with its platform alone, which is how a hub is told to remove it."""
    site = settings.site.id
    components = {value.place.replace("/", "_"): _component(settings, value) for value in announced(settings)}
    removed = {key: {"platform": platform} for key, platform in (gone or {}).items() if key not in components}
    about = {"name": "condenser-monitor", "sw_version": __version__}
    return {
        "device": {
            "identifiers": [device_id(site)],
            "name": settings.site.name,
            "manufacturer": "condenser-monitor",
            "model": "condensing unit monitor",
            "sw_version": __version__,
        },
        "origin": about,
        "availability_topic": topic(site, "availability"),
        "payload_available": ONLINE,
        "payload_not_available": OFFLINE,
        "qos": 1,
        "components": components | removed,
    }


def _component(settings: Settings, value: EntityValue) -> dict[str, Any]:
    site = settings.site.id
    found: dict[str, Any] = {
        "unique_id": f"{device_id(site)}_{value.place.replace('/', '_')}",
        "name": value.title,
    }
    if value.kind == "action":
        return found | {"platform": "button", "command_topic": _command(site, value.name), "payload_press": PRESS}
    found |= {
        "state_topic": f"{topic(site, 'state')}/{value.place}",
        "value_template": "{{ 'None' if value == 'unknown' else value }}",
    }
    found |= {"entity_category": "diagnostic"} if value.aside else {}
    if value.kind == "flag":
        found |= {"platform": "binary_sensor", "payload_on": "on", "payload_off": "off"}
        return found | ({"device_class": "problem"} if value.problem else {})
    found["platform"] = "sensor"
    if value.kind == "choice":
        return found | {"device_class": "enum", "options": [one for one in value.options if one != UNKNOWN]}
    if value.kind == "number":
        found |= {"state_class": "measurement", "suggested_display_precision": value.digits}
        found |= {"unit_of_measurement": value.unit} if value.unit else {}
        found |= {"device_class": value.device_class} if value.device_class else {}
    return found


def _command(site: str, action: str) -> str:
    """Below `requests`: who may ask on the broker may press these buttons, and nobody else."""
    return f"{topic(site, 'requests')}/{action}"


# ---------------------------------------------------------------- the connection


class DiscoveryPublisher(BrokerConnection):
    """Announces the unit to home automation and keeps its scalar topics true."""

    name = "discovery"

    def __init__(self, settings: Settings, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._all = settings
        self._conventions = frozenset(settings.mqtt.discovery)
        site = settings.site.id
        self._homie = f"homie/5/{device_id(site)}"
        self._config = f"{settings.mqtt.discovery_prefix}/device/{device_id(site)}/config"
        self._state = topic(site, "state")
        actions = [value for value in announced(settings) if value.kind == "action"]
        self._actions = {_command(site, one.name): one.name for one in actions}
        self._actions |= {f"{self._homie}/{one.place}/set": one.name for one in actions}
        self._presses: list[float] = []
        self._rest_until_s = 0.0
        super().__init__(settings, clock=clock)
        self._client_name = f"{site}-discovery"
        self._will = (f"{self._homie}/$state", "lost") if HOMIE in self._conventions else None
        self._kept_below = (f"{self._homie}/#", f"{self._state}/#", self._config)
        self._subscriptions = (*self._kept_below, f"{self._homie}/$state", *self._actions)

    def _reset(self) -> None:
        super()._reset()
        self._found: dict[str, bytes] = {}  # what the broker kept of this device, by topic
        self._out: dict[str, str] = {}  # what was sent on this connection, by topic
        self._waiting: set[int] = set()  # paho's numbers of what the broker has not acknowledged
        self._readings_s = self._faults_s = -1e9
        self._faults = 0
        self._refused_topics = self._synced = False
        self._mark = ""

    def poll(self) -> float:
        """Turn the network loop once. A broker that does not allow these topics is left alone for an hour."""
        if self._clock() < self._rest_until_s:
            return min(10.0, self._rest_until_s - self._clock())
        try:
            wait_s = super().poll()
        except BrokerError as error:
            if "authorized" not in str(error).lower():  # a last will on a topic that is not allowed ends so
                raise
            self._refused_topics, wait_s = True, 0.0
        if self._refused_topics:
            self._disconnect()
            self._rest_until_s = self._clock() + limits.PUBLISHERS.discovery_rest_s.value
            _log.info("the broker does not let this site announce itself to home automation; [mqtt] discovery = []")
        return wait_s

    def finish(self) -> None:
        """Say in good order that the device is gone."""
        if self._client is not None:
            if HOMIE in self._conventions and self._out:
                self._put(self._client, f"{self._homie}/$state", "disconnected")
            until_s = self._clock() + limits.PUBLISHERS.close_s.value / 2
            while self._waiting and self._clock() < until_s:
                self._loop(0.05)
            self._client.disconnect()
            self._client.loop(0.05)
        self._disconnect()

    # ------------------------------------------------------------ out

    def _send_due(self, client: paho.Client) -> None:
        self._skip_rows()
        now_s, since_s = self._clock(), self._connected_s
        if since_s is None or self._status is None:
            return
        if not self._mark:
            # What the broker kept comes in first, in order; then what is sent now comes back.
            self._mark = uuid4().hex
            client.publish(f"{self._state}/sync", self._mark, qos=1)
        if not self._synced and now_s - since_s < limits.PUBLISHERS.retained_s.value:
            return
        if now_s - self._faults_s >= limits.PUBLISHERS.own_faults_s.value:
            self._faults_s, self._faults = now_s, self.history.fault_count()
        if self._found is not _SETTLED:
            self._announce(client)
            self._found = _SETTLED
            client.unsubscribe(list(self._kept_below))
        self._send(client, now_s)

    def _skip_rows(self) -> None:
        """Events are the other connection's; here only the newest status counts."""
        if self._news.is_set():
            self._news.clear()
            if rows := self.history.outbox(self.name, begin=False):
                self.history.delivered(self.name, rows[-1].offset)

    def _announce(self, client: paho.Client) -> None:
        """Describe the device, and clear what is no longer said."""
        kept = {f"{root}/{place}" for root in self._roots() for place in self._now()}
        if HOMIE in self._conventions:
            kept |= {f"{self._homie}/$state", f"{self._homie}/$description"}
            self._put(client, f"{self._homie}/$state", "init")
            self._put(client, f"{self._homie}/$description", _text(homie_description(self._all)))
        if JSON in self._conventions:
            kept.add(self._config)
            gone = _components(self._found.get(self._config, b""))
            message = json_description(self._all, gone)
            self._put(client, self._config, _text(message))
            if any(set(row) == {"platform"} for row in message["components"].values()):
                self._put(client, self._config, _text(json_description(self._all)))
        for name in self._found:
            if name not in kept:
                self._publish(client, name, "")

    def _roots(self) -> tuple[str, ...]:
        """Below which topics the values stand: the scalar ones always, beside what there is anyway."""
        return (self._state, self._homie) if HOMIE in self._conventions else (self._state,)

    def _now(self) -> dict[str, str]:
        assert self._status is not None
        return values(self._all, self._status, faults=self._faults)

    def _send(self, client: paho.Client, now_s: float) -> None:
        """Send what has changed; numbers no more often than `readings_s`."""
        blind = now_s - self._offered_s >= limits.PUBLISHERS.blind_s.value
        numbers = now_s - self._readings_s >= self._settings.readings_s
        if numbers:
            self._readings_s = now_s
        for place, value in self._now().items():
            if numbers or not place.startswith("readings/"):
                self._put(client, f"{self._state}/{place}", UNKNOWN if blind else value)
                if HOMIE in self._conventions:
                    self._put(client, f"{self._homie}/{place}", self._homie_value(place, UNKNOWN if blind else value))
        if HOMIE in self._conventions:
            self._alerts(client)
            self._put(client, f"{self._homie}/$state", "ready")

    def _homie_value(self, place: str, value: str) -> str:
        """A number that is not known is cleared: Homie has no word for it."""
        number = place.startswith("readings/") and READINGS[place[9:].replace("-", "_")].unit
        return "" if value == UNKNOWN and (number or place == "unit/open") else value

    def _alerts(self, client: paho.Client) -> None:
        """Open alerts under `$alert`, which a controller shows to people; gone when they are over."""
        assert self._status is not None
        root = f"{self._homie}/$alert/"
        said = {f"{root}{a.finding}": a for a in self._status.alerts if a.state is not AlertState.NORMAL}
        for name, alert in said.items():
            self._put(client, name, alert.summary)
        for name in [name for name, text in self._out.items() if text and name.startswith(root) and name not in said]:
            self._put(client, name, "")

    def _put(self, client: paho.Client, name: str, text: str) -> None:
        if self._out.get(name) != text:
            self._out[name] = text
            self._publish(client, name, text)

    def _publish(self, client: paho.Client, name: str, text: str) -> None:
        self._waiting.add(client.publish(name, text.encode(), qos=1, retain=True).mid)

    def _on_publish(self, client: paho.Client, data: Any, mid: int, code: ReasonCode, properties: Any) -> None:
        self._waiting.discard(mid)
        self._refused_topics |= code.is_failure

    # ------------------------------------------------------------ in

    def _on_message(self, client: paho.Client, data: Any, message: paho.MQTTMessage) -> None:
        if action := self._actions.get(message.topic):
            if not message.retain:
                self._press(action, bytes(message.payload))
            elif message.topic.startswith("homie"):
                self._publish(client, message.topic, "")
        elif message.topic == f"{self._state}/sync":
            self._synced |= message.payload == self._mark.encode()
        elif message.topic == f"{self._homie}/$state" and message.payload == b"lost":
            self._out.pop(message.topic, None)  # the will of an earlier connection, come late: say again what is so
        elif message.retain and message.payload and self._found is not _SETTLED:
            self._found[message.topic] = bytes(message.payload)

    def _press(self, action: str, payload: bytes) -> None:
        """Turn a button into the requests it stands for; each is judged, answered and logged like any other."""
        now_s = self._clock()
        self._presses = [at_s for at_s in self._presses if now_s - at_s < 60.0]
        if payload.lower() != PRESS.encode() or len(self._presses) >= limits.PUBLISHERS.presses_per_min.value:
            return
        self._presses.append(now_s)
        for request in _requests(action, self._status):
            self.history.add_request(request, source="broker")


_SETTLED: dict[str, bytes] = {}  # stands for: what the broker kept has been dealt with


def _requests(action: str, status: UnitStatus | None) -> Iterator[Request]:
    def ask(kind: RequestKind, **more: Any) -> Request:
        return Request(id=f"hub-{uuid4().hex}", request=kind, by=_BY, **more)

    if action == "begin-service":
        yield ask(RequestKind.SERVICE, hours=limits.PUBLISHERS.button_service_h.value)
    elif action == "end-service":
        yield ask(RequestKind.RESUME)
    elif status is not None:
        for alert in status.alerts:
            if alert.state in _OPEN:
                yield ask(RequestKind.ACKNOWLEDGE, finding=alert.finding)


def _components(payload: bytes) -> dict[str, str]:
    """The components of an earlier announcement, with their platforms; none where it cannot be read."""
    try:
        rows = msgspec.json.decode(payload)["components"]
        return {str(key): str(row["platform"]) for key, row in rows.items()}
    except (msgspec.DecodeError, UnicodeDecodeError, KeyError, TypeError, AttributeError):
        return {}


def _text(body: dict[str, Any]) -> str:
    return msgspec.json.encode(body).decode()
