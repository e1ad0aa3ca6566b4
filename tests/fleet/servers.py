"""Real servers for tests, private and short-lived: a PostgreSQL cluster and a mosquitto broker, each on a free port."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

_BINS = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
_WAIT_S = 30.0


def postgres_bin() -> Path | None:
    """Where initdb and postgres are; None when PostgreSQL is not installed."""
    found = [place for place in _BINS if (place / "initdb").exists()]
    on_path = shutil.which("initdb")
    return found[0] if found else Path(on_path).parent if on_path else None


def free_port() -> int:
    """A TCP port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for_port(port: int) -> None:
    """Wait until something listens. Raises TimeoutError after half a minute."""
    until = time.monotonic() + _WAIT_S
    while time.monotonic() < until:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
            return
        time.sleep(0.02)
    raise TimeoutError(f"nothing listens on port {port}")


class Postgres:
    """A private cluster under a new directory; started, killed and started again at will."""

    def __init__(self, options: Sequence[str] = ("fsync=off", "full_page_writes=off")) -> None:
        self._bin = postgres_bin()
        assert self._bin is not None
        self.port = free_port()
        self._home = Path(tempfile.mkdtemp(prefix="fleet-pg-"))
        self._as = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        if self._as:
            shutil.chown(self._home, "postgres")
        self._run("initdb", "-D", str(self._home / "data"), "-U", "fleet", "--auth=trust", "--no-sync", "-E", "UTF8")
        chosen = [f"port={self.port}", "listen_addresses=127.0.0.1", f"unix_socket_directories={self._home}", *options]
        self._options = " ".join(f"-c {option}" for option in chosen)
        self.start()

    def _run(self, program: str, *arguments: str) -> None:
        assert self._bin is not None
        command = [*self._as, str(self._bin / program), *arguments]
        subprocess.run(command, check=True, timeout=60, stdout=subprocess.DEVNULL, cwd="/")

    def start(self) -> None:
        log = str(self._home / "log")
        self._run("pg_ctl", "-D", str(self._home / "data"), "-w", "-t", "30", "-l", log, "-o", self._options, "start")

    def kill(self) -> None:
        """End it at once, as a power cut of the process would."""
        self._run("pg_ctl", "-D", str(self._home / "data"), "-m", "immediate", "-w", "stop")

    def database(self, name: str) -> str:
        """A new, empty database; its URL."""
        self._run("createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "fleet", name)
        return f"postgresql://fleet@127.0.0.1:{self.port}/{name}"

    def close(self) -> None:
        with contextlib.suppress(subprocess.SubprocessError):
            self.kill()
        shutil.rmtree(self._home, ignore_errors=True)


class Broker:
    """A private mosquitto with its data in a new directory; `lines` are added to its configuration."""

    def __init__(self, lines: Sequence[str] = ("allow_anonymous true",)) -> None:
        self.port = free_port()
        self.home = Path(tempfile.mkdtemp(prefix="fleet-mqtt-"))
        self._process: subprocess.Popen[bytes] | None = None
        user = ["user root"] if os.geteuid() == 0 else []
        kept = [
            "persistence true",
            f"persistence_location {self.home}/",
            "autosave_on_changes true",
            "autosave_interval 1",
        ]
        queues = ["max_queued_messages 0", "set_tcp_nodelay true"]
        listener = [f"listener {self.port} 127.0.0.1", "per_listener_settings false", "log_dest none"]
        self._config = self.home / "mosquitto.conf"
        self._config.write_text("\n".join([*listener, *user, *kept, *queues, *lines]) + "\n")
        self.start()

    def start(self) -> None:
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self._process = subprocess.Popen([program, "-c", str(self._config)], stderr=subprocess.DEVNULL)
        wait_for_port(self.port)

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def reload(self) -> None:
        """Read password and ACL files again."""
        os.kill(self.pid, signal.SIGHUP)

    def kill(self) -> None:
        """End it at once: what it had not saved is lost."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(timeout=10)

    def close(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            self.kill()
        shutil.rmtree(self.home, ignore_errors=True)


@contextlib.contextmanager
def closing(server: Postgres | Broker) -> Iterator[Postgres | Broker]:
    """The server, closed at the end whatever happened."""
    try:
        yield server
    finally:
        server.close()
