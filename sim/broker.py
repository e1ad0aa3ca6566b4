"""A private broker on a free loopback port, for the demo and the tests: mosquitto where it is installed, else amqtt.

It runs as a process of its own from a configuration made here, keeps its sessions and retained messages in a directory
of its own, and can be killed and started again on the same port.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from condenser_monitor.monitor.core.errors import BrokerError

START_S = 20.0  # ours: mosquitto starts in 10 ms, amqtt in a second; a busy machine may take longer
_OPEN = ("allow_anonymous true",)
_SBIN = Path("/usr/sbin/mosquitto")  # Debian installs it where an ordinary user's PATH does not look


def mosquitto() -> str | None:
    """Path of the mosquitto program; None when it is not installed."""
    return shutil.which("mosquitto") or (str(_SBIN) if _SBIN.exists() else None)


def free_port() -> int:
    """A TCP port of the loopback that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class PrivateBroker:
    """One broker; `port` stays the same over `kill` and `start`. `lines` are lines of mosquitto's configuration that
    say who may connect and what is encrypted (anybody, plainly, by default); amqtt takes none.

    `version` is the newest MQTT version it speaks. Raises BrokerError when neither is installed or it does not start.
    """

    def __init__(self, lines: Sequence[str] = _OPEN) -> None:
        program = mosquitto()
        if program is None and (tuple(lines) != _OPEN or importlib.util.find_spec("amqtt") is None):
            raise BrokerError(
                "private broker", "no broker is installed", "mosquitto, or: pip install 'condenser-monitor[demo]'"
            )
        self.port, self.home = free_port(), Path(tempfile.mkdtemp(prefix="condenser-broker-"))
        self._process: subprocess.Popen[bytes] | None = None
        if program is not None:
            self.version, config = "5", self._mosquitto_config(lines)
            self._command = [program, "-c", config]
        else:
            self.version, config = "3.1.1", self._amqtt_config()
            self._command = [sys.executable, "-c", "from amqtt.scripts.broker_script import main; main()", "-c", config]
        self.start()

    def _mosquitto_config(self, lines: Sequence[str]) -> str:
        rows = [
            "per_listener_settings false",
            f"listener {self.port} 127.0.0.1",
            *(["user root"] if os.geteuid() == 0 else []),
            "persistence true",
            f"persistence_location {self.home}/",
            "autosave_on_changes true",
            "autosave_interval 1",
            "max_queued_messages 0",
            "set_tcp_nodelay true",
            "log_dest stderr",
            *lines,
        ]
        return self._write("mosquitto.conf", rows)

    def _amqtt_config(self) -> str:
        rows = [
            "listeners:",
            "  default:",
            "    type: tcp",
            f"    bind: 127.0.0.1:{self.port}",
            "plugins:",
            "  amqtt.plugins.authentication.AnonymousAuthPlugin:",
            "    allow_anonymous: true",
        ]
        return self._write("amqtt.yaml", rows)

    def _write(self, name: str, rows: Sequence[str]) -> str:
        path = self.home / name
        path.write_text("\n".join(rows) + "\n")
        return str(path)

    @property
    def pid(self) -> int:
        """Process id of the running broker."""
        assert self._process is not None
        return self._process.pid

    @property
    def log(self) -> str:
        """What the broker has said since it was last started."""
        return (self.home / "log").read_text(errors="replace")

    def start(self) -> None:
        """Start it (again) on its port. Raises BrokerError when it does not listen in time."""
        with (self.home / "log").open("wb") as log:
            # in a process group of its own: Ctrl-C must not end it before the monitor has said good-bye
            self._process = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, process_group=0
            )
        until_s = time.monotonic() + START_S
        while time.monotonic() < until_s and self._process.poll() is None:
            with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=1):
                return
            time.sleep(0.01)
        self.kill()
        raise BrokerError("private broker", self.log[-500:], "a broker that listens")

    def kill(self) -> None:
        """End it at once: what it had not saved is lost."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(timeout=START_S)
            self._process = None

    def stop(self) -> None:
        """End it in good order: sessions, queued and retained messages are saved."""
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(timeout=START_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(timeout=START_S)
            self._process = None

    def close(self) -> None:
        """End it and remove its directory."""
        self.kill()
        shutil.rmtree(self.home, ignore_errors=True)

    def __enter__(self) -> PrivateBroker:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
