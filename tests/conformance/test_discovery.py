"""What home automation sees of a monitor on a real broker, read by what others wrote: a Homie 5 controller and a parser
of JSON device discovery (package ebus-sdk), and mosquitto's own clients."""

from __future__ import annotations

import importlib
import json
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.findings import watchable
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import Alert, AlertState, Finding, RequestKind, Severity
from condenser_monitor.monitor.publishers.discovery import (
    DiscoveryPublisher,
    announced,
    device_id,
    homie_description,
    json_description,
    values,
)
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker
from tests.conformance.mqtt_tools import Listener, publish
from tests.conformance.stations import site
from tests.monitor.edge_tools import MEMORY, WALL_S, status, until
from tests.monitor.units import UNIT

homie = importlib.import_module("ebus_sdk")
from ebus_sdk.ha.discovery import HADevice, parse_device_config  # noqa: E402
from ebus_sdk.homie import PropertyDatatype, _parse_set_payload  # noqa: E402

pytestmark = [
    pytest.mark.usefixtures("impatient_publishers"),
    pytest.mark.filterwarnings("ignore:Callback API version 1:DeprecationWarning"),  # the library's own use of paho
]
# Device classes and units that the common hubs take (from memory: the JSON convention has no schema).
CLASSES = {"temperature": {"°C"}, "voltage": {"V"}, "current": {"A"}, "power": {"W"}}


def finding(name: str, **evidence: Any) -> Finding:
    """One that stands."""
    return Finding(
        name=name,
        severity=Severity.URGENT,
        since_s=0.0,
        raised_s=1.0,
        raised_wall_s=WALL_S,
        suspects=("coil-open",),
        evidence=evidence,
        ruled_out={},
        summary="The call is there and the contacts stay open.",
    )


def alert(name: str, state: AlertState = AlertState.UNACKED) -> Alert:
    """One alert."""
    return Alert(
        finding=name,
        state=state,
        severity=Severity.URGENT,
        active=True,
        since_s=1.0,
        since_wall_s=WALL_S,
        summary="The compressor draws its locked-rotor current.",
        suspects=("run-capacitor",),
    )


class Home:
    """A history and the discovery connection of one site."""

    def __init__(self, settings: Settings, keep: config.HistorySettings) -> None:
        self.settings, self.t_s = settings, 0.0
        self.history = History(keep.file, owner=True, keep=keep)
        self.publisher = DiscoveryPublisher(settings)
        self.publisher.start(self.history)
        self.id = device_id(settings.site.id)

    def step(self, **more: Any) -> None:
        """One step of the engine."""
        self.t_s += 1.0
        now = status(self.t_s, site=self.settings.site.id, **more)
        self.history.step(now_s=self.t_s, wall_s=WALL_S + self.t_s, status=now, memory=lambda: MEMORY, events=[])
        self.publisher.offer([], now)

    def stop(self) -> None:
        self.publisher.close()
        self.history.close()


@pytest.fixture
def home(shared_broker: PrivateBroker, keep: config.HistorySettings) -> Iterator[Home]:
    """A site on the shared broker."""
    made = Home(site(shared_broker), keep)
    yield made
    made.stop()


@pytest.fixture
def controller(shared_broker: PrivateBroker) -> Iterator[Any]:
    """The Homie library's controller, listening to the whole convention."""
    made = homie.Controller(mqtt_cfg={"host": "127.0.0.1", "port": shared_broker.port}, homie_domain="homie")
    made.start_discovery()
    yield made
    made.stop()


def test_a_homie_controller_finds_the_device_with_all_its_values(home: Home, controller: Any) -> None:
    """Somebody else's controller: the device is ready, and each described value is there and valid for its type."""
    home.step(findings=(finding("call-without-pull-in"),), alerts=(alert("call-without-pull-in"),))
    until(lambda: home.id in controller.devices and controller.devices[home.id].state == "ready")
    device = controller.devices[home.id]
    retained = {
        (node, name): row
        for node in device.get_nodes()
        for name, row in device.get_node_properties(node).items()
        if row.get("retained", True)
    }
    known = {place for place, value in values(home.settings, home.publisher._status).items() if value != "unknown"}  # type: ignore[arg-type]
    until(lambda: all(device.get_property(*place.split("/")) for place in known))
    for (node, name), row in retained.items():
        text = device.get_property(node, name)
        if f"{node}/{name}" in known:
            _, problem = _parse_set_payload(text, PropertyDatatype(row["datatype"]), row.get("format"), None)
            assert problem is None, (node, name, text, problem)
    assert device.get_property("findings", "call-without-pull-in") == "on"
    assert device.get_property("readings", "outdoor-c") == "33.0"
    assert device.get_node_properties("readings")["outdoor-c"]["unit"] == homie.Unit.DEGREE_CELSIUS


def test_the_homie_state_is_lost_when_the_monitor_dies_and_disconnected_when_it_stops(
    home: Home, shared_broker: PrivateBroker
) -> None:
    """Last will and good end, as the convention's device life cycle has them."""
    with Listener(shared_broker, f"homie/5/{home.id}/$state") as client:
        home.step()
        client.wait(lambda heard: [one.payload for one in heard][-2:] == ["init", "ready"])
        connection: Any = home.publisher._client.socket() if home.publisher._client else None
        connection.shutdown(socket.SHUT_RDWR)
        client.wait(lambda heard: "lost" in [one.payload for one in heard])
        client.wait(lambda heard: [one.payload for one in heard][-1] == "ready")
        home.publisher.close()
        client.wait(lambda heard: [one.payload for one in heard][-1] == "disconnected")


def test_the_json_message_reads_as_one_device_with_every_sensor_and_button(
    home: Home, shared_broker: PrivateBroker
) -> None:
    """Off the wire, through somebody else's parser: one device, a problem sensor for each installed finding, a state
    for each link, numbers with unit and class, buttons; each state topic carries a value."""
    home.step()
    with Listener(
        shared_broker, f"homeassistant/device/{home.id}/config", f"condenser/v1/{home.settings.site.id}/#"
    ) as on:
        on.wait(lambda heard: {one.topic for one in heard} >= {f"homeassistant/device/{home.id}/config"})
        message = on.named("config")[-1]
        device = parse_device_config(json.loads(message.payload))
        assert isinstance(device, HADevice)
        parts = {one.key: one for one in device.components.values()}
        topics = {one.state_topic for one in parts.values() if one.state_topic}
        on.wait(lambda heard: {one.topic for one in heard if one.retained or one.payload} >= topics)
    assert message.qos == 1
    problems = {key for key, one in parts.items() if one.platform == "binary_sensor" and one.device_class == "problem"}
    assert problems == {"unit_attention", *(f"findings_{name}" for name in watchable(home.settings))}
    assert {f"links_{link.name}" for link in status(live=()).links} <= parts.keys()
    for name in home.settings.fitted:
        one, row = parts[f"readings_{name.replace('_', '-')}"], READINGS[name]
        assert one.platform == ("sensor" if row.unit else "binary_sensor")
        if row.unit:
            assert row.unit in CLASSES[row.device_class]
            assert (one.device_class, one.unit_of_measurement) == (row.device_class, row.unit)
    buttons = {row["command_topic"] for row in message.body["components"].values() if row["platform"] == "button"}
    assert buttons == {
        f"condenser/v1/{home.settings.site.id}/requests/{name}"
        for name in ("acknowledge", "begin-service", "end-service")
    }
    assert len({one.unique_id for one in parts.values()}) == len(parts)


@pytest.mark.parametrize("way", ["hub", "homie"])
def test_a_button_becomes_the_requests_of_a_person(home: Home, shared_broker: PrivateBroker, way: str) -> None:
    """Acknowledge asks for each alert nobody has acknowledged; service mode for a bounded time. A retained press and
    another payload do nothing."""
    base = f"condenser/v1/{home.settings.site.id}/requests/" if way == "hub" else f"homie/5/{home.id}/unit/"
    end = "" if way == "hub" else "/set"
    home.step(alerts=(alert("locked-rotor"), alert("short-cycling", AlertState.ACKED), alert("long-run")))
    until(lambda: home.publisher._out.get(f"homie/5/{home.id}/$state") == "ready")
    publish(shared_broker, f"{base}acknowledge{end}", "nonsense")
    publish(shared_broker, f"{base}acknowledge{end}", "press")
    until(lambda: len(home.history.requests()) == 2)
    publish(shared_broker, f"{base}begin-service{end}", "press")
    until(lambda: len(home.history.requests()) == 3)
    asked = home.history.requests()
    assert [(one.request, one.finding) for one in asked[:2]] == [
        (RequestKind.ACKNOWLEDGE, "locked-rotor"),
        (RequestKind.ACKNOWLEDGE, "long-run"),
    ]
    assert (asked[2].request, asked[2].hours) == (RequestKind.SERVICE, limits.PUBLISHERS.button_service_h.value)
    assert {one.by for one in asked} == {"home automation"}


def test_a_sensor_that_goes_is_removed_everywhere(shared_broker: PrivateBroker, keep: config.HistorySettings) -> None:
    """After a restart with one sensor less: hubs are told its platform alone, and none of its topics is retained."""
    settings = site(shared_broker)
    first = Home(settings, keep)
    first.step()
    until(lambda: first.publisher._out.get(f"homie/5/{first.id}/$state") == "ready")
    first.stop()
    less = SensorSettings(fitted=tuple(name for name in settings.fitted if name != "outdoor_c"))
    with Listener(shared_broker, f"homeassistant/device/{first.id}/config") as hub:
        second = Home(Settings(unit=UNIT, site=settings.site, senses=less, mqtt=settings.mqtt), keep)
        second.step()
        until(lambda: second.publisher._out.get(f"homie/5/{first.id}/$state") == "ready")
        hub.wait(lambda heard: len(heard) >= 3)
    rows = [one.body["components"] for one in hub.heard]
    assert "unique_id" in rows[0]["readings_outdoor-c"]
    assert rows[1]["readings_outdoor-c"] == {"platform": "sensor"}
    assert "readings_outdoor-c" not in rows[2]

    def retained() -> bool:
        with Listener(shared_broker, f"homie/5/{first.id}/#", f"condenser/v1/{settings.site.id}/state/#") as late:
            late.wait_named("$state")
            late.wait_named("compressor-a", 2)
        return bool(late.named("outdoor-c"))

    until(lambda: not retained())
    second.stop()


def test_switched_off_it_leaves_nothing_behind(shared_broker: PrivateBroker, keep: config.HistorySettings) -> None:
    """`discovery = []` clears what an earlier start announced, in both conventions."""
    settings = site(shared_broker)
    first = Home(settings, keep)
    first.step()
    until(lambda: first.publisher._out.get(f"homie/5/{first.id}/$state") == "ready")
    first.stop()
    second = Home(site(shared_broker, site=settings.site.id, discovery=()), keep)
    second.step()
    until(lambda: f"condenser/v1/{settings.site.id}/state/unit/headline" in second.publisher._out)

    def left() -> list[str]:
        with Listener(shared_broker, f"homie/5/{first.id}/#", f"homeassistant/device/{first.id}/config") as late:
            publish(shared_broker, f"homie/5/{first.id}/end", "x")
            late.wait_named("end")
        return [one.topic for one in late.heard if one.retained]

    until(lambda: left() == [])
    second.stop()
    assert left() == []


def test_open_alerts_stand_under_alert_until_they_are_over(home: Home, shared_broker: PrivateBroker) -> None:
    """The convention's own place for what people should know."""
    name = f"homie/5/{home.id}/$alert/locked-rotor"
    with Listener(shared_broker, name) as client:
        home.step(alerts=(alert("locked-rotor"),))
        client.wait_named("locked-rotor")
        home.step()
        client.wait(lambda heard: heard[-1].body is None)


def test_a_broker_that_forbids_it_is_left_alone(tmp_path: Path, keep: config.HistorySettings) -> None:
    """An account that may write its site's own topics only: no error to show, no try after another, for an hour."""
    (tmp_path / "acl").write_text("topic write condenser/v1/+/availability\n")
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    with PrivateBroker(["allow_anonymous true", f"acl_file {tmp_path / 'acl'}"]) as broker:
        home = Home(site(broker), keep)
        home.step()
        try:
            until(lambda: home.publisher._rest_until_s > 0)
            until(lambda: home.publisher._client is None)
            assert home.history.health().publishers["discovery"].error == ""
        finally:
            home.stop()


def test_unknown_is_said_and_is_never_off() -> None:
    """No reading, a distrusted one, a cycle that is not known: not one value says that all is well."""
    settings = Settings(unit=UNIT)
    blank = dict.fromkeys(settings.fitted)
    said = values(settings, status(readings=blank, findings=(finding("sensor-silent", silent=["compressor_a"]),)))
    assert {said[f"readings/{name.replace('_', '-')}"] for name in settings.fitted} == {"unknown"}
    assert said["findings/locked-rotor"] == "unknown"
    assert said["unit/attention"] == "on"
    assert values(settings, status(distrusted=("load",)))["findings/call-without-pull-in"] == "unknown"
    assert values(settings, status())["findings/locked-rotor"] == "off"


@pytest.mark.parametrize("state", [AlertState.UNACKED, AlertState.RETURNED, AlertState.LATCHED_ACKED])
def test_a_problem_stays_on_until_its_alert_is_over(state: AlertState) -> None:
    """Off reads as "OK" on a hub; a finding that has merely gone quiet is not repaired."""
    settings = Settings(unit=UNIT)
    assert values(settings, status(alerts=(alert("locked-rotor", state),)))["findings/locked-rotor"] == "on"
    over = status(alerts=(alert("locked-rotor", AlertState.NORMAL),))
    assert values(settings, over)["findings/locked-rotor"] == "off"


def test_ids_are_topic_levels_of_the_convention() -> None:
    """Homie 5, "Topic IDs": small letters, digits, inner hyphens."""
    settings = Settings(unit=UNIT, site=config.Site(id="Orchard-4"), senses=SensorSettings(fitted=tuple(READINGS)))
    described = homie_description(settings)
    names = [device_id("Orchard-4"), *described["nodes"]]
    names += [name for node in described["nodes"].values() for name in node["properties"]]
    assert all(name == name.lower() and name.replace("-", "").isalnum() and name.strip("-") == name for name in names)
    assert len({value.place for value in announced(settings)}) == len(announced(settings))
    assert json_description(settings)["components"].keys() == {
        one.place.replace("/", "_") for one in announced(settings)
    }
