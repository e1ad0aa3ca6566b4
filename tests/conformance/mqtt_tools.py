"""The standard command-line clients of mosquitto, for tests: what they hear and what they send."""

from __future__ import annotations

import json
import subprocess
import threading
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple
from uuid import uuid4

from condenser_monitor.sim.broker import PrivateBroker
from tests.conftest import need
from tests.monitor.edge_tools import until


class Heard(NamedTuple):
    """One message as mosquitto_sub tells it; `body` is the payload read as JSON, or the text."""

    topic: str
    qos: int
    retained: bool
    payload: str

    @property
    def name(self) -> str:
        return self.topic.rpartition("/")[2]

    @property
    def body(self) -> Any:
        try:
            return json.loads(self.payload)
        except ValueError:
            return self.payload


class Listener:
    """A running mosquitto_sub; `heard` grows. It listens before the constructor comes back.

    `options` are those of both clients (version, user), `session` of the listening one alone."""

    def __init__(
        self,
        broker: PrivateBroker,
        *topics: str,
        options: Sequence[str] = ("-V", "5"),
        session: Sequence[str] = (),
    ) -> None:
        need("mosquitto_sub")
        token = f"test/{uuid4().hex}"
        asked = [part for name in (*topics, token) for part in ("-t", name)]
        command = ["mosquitto_sub", "-p", str(broker.port), "-q", "1", "-F", "%j", *options, *session, *asked]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self.heard: list[Heard] = []
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._read, args=(token,), daemon=True)
        self._thread.start()
        try:
            until(lambda: publish(broker, token, "x", options=options) or self._ready.wait(0.05))
        except BaseException:
            self.close()
            raise

    def _read(self, token: str) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            row = json.loads(line)
            if row["topic"] == token:
                self._ready.set()
            else:
                payload = row["payload"] if isinstance(row["payload"], str) else json.dumps(row["payload"])
                self.heard.append(Heard(row["topic"], row["qos"], bool(row["retain"]), payload))

    def named(self, *names: str) -> list[Heard]:
        """What was heard on topics that end so."""
        return [heard for heard in list(self.heard) if heard.name in names]

    def wait(self, true: Callable[[list[Heard]], object], within_s: float = 10.0) -> None:
        """Wait until what was heard is enough."""
        until(lambda: true(list(self.heard)), within_s)

    def wait_named(self, name: str, count: int = 1) -> list[Heard]:
        """Wait for so many messages of one topic; all of that topic."""
        self.wait(lambda _: len(self.named(name)) >= count)
        return self.named(name)

    def close(self) -> None:
        self._process.kill()
        self._process.wait(timeout=10)
        self._thread.join(timeout=10)
        assert self._process.stdout is not None
        self._process.stdout.close()

    def __enter__(self) -> Listener:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def publish(
    broker: PrivateBroker, topic: str, payload: str, *, retain: bool = False, options: Sequence[str] = ("-V", "5")
) -> None:
    """Send one message, QoS 1, with mosquitto_pub."""
    need("mosquitto_sub")
    command = ["mosquitto_pub", "-p", str(broker.port), "-q", "1", *options, "-t", topic, "-s" if payload else "-n"]
    command += ["-r"] if retain else []
    subprocess.run(command, input=payload, text=True, check=True, timeout=20, capture_output=True)
