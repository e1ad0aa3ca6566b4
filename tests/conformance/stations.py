"""A station for the tests on a real broker: a history and the broker's publisher, engine steps made by hand."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import (
    Mqtt,
    SensorSettings,
    Settings,
    Site,
)
from condenser_monitor.monitor.core.records import Answer
from condenser_monitor.monitor.publishers.broker import BrokerPublisher
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker
from tests.conformance.mqtt_tools import Heard
from tests.monitor.edge_tools import MEMORY, WALL_S, status
from tests.monitor.units import ALL, UNIT


def site(broker: PrivateBroker, **more: Any) -> Settings:
    """Settings of a site of the test's own on the broker."""
    name = more.pop("site", uuid4().hex[:12])
    mqtt: dict[str, Any] = {"host": "127.0.0.1", "port": broker.port, "readings_s": 0.5} | more
    return Settings(unit=UNIT, site=Site(id=name), senses=SensorSettings(fitted=ALL), mqtt=Mqtt(**mqtt))


class Station:
    """A history and the broker's publisher, steps made by hand."""

    def __init__(self, settings: Settings, keep: config.HistorySettings) -> None:
        self.settings, self.keep = settings, keep
        self.root = f"condenser/v1/{settings.site.id}"
        self.t_s = 0.0
        self.start()

    def start(self) -> None:
        self.history = History(self.keep.file, owner=True, keep=self.keep)
        self.publisher = BrokerPublisher(self.settings)
        self.publisher.start(self.history)

    def stop(self) -> None:
        self.publisher.close()
        self.history.close()

    def step(self, *events: Any, **more: Any) -> None:
        """One step of the engine."""
        self.t_s += 1.0
        now = status(self.t_s, site=self.settings.site.id, **more)
        self.history.step(now_s=self.t_s, wall_s=WALL_S + self.t_s, status=now, memory=lambda: MEMORY, events=events)
        self.publisher.offer(events, now)

    def answer_all(self) -> None:
        """Answer the requests that wait, as the engine would."""
        self.history.step(
            now_s=self.t_s,
            wall_s=WALL_S + self.t_s,
            status=status(self.t_s),
            memory=lambda: MEMORY,
            answers=[Answer(id=request.id, done=True) for request in self.history.requests()],
        )

    @property
    def error(self) -> str:
        """The publisher's last error."""
        return self.history.health().publishers["mqtt"].error if self.history.health().publishers else ""

    @property
    def waiting(self) -> int:
        """Rows of the outbox not yet delivered."""
        return self.history.health().publishers["mqtt"].waiting


def numbers(heard: list[Heard]) -> list[int]:
    """The `seq` of messages in the order of their first coming, repeats left out by id."""
    firsts = {one.body["id"]: one.body["seq"] for one in heard}
    return list(firsts.values())
