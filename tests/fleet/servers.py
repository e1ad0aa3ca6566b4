"""A real PostgreSQL for tests, private and short-lived, on a free port."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

from condenser_monitor.sim.broker import free_port

_BINS = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)


def postgres_bin() -> Path | None:
    """Where initdb and postgres are; None when PostgreSQL is not installed."""
    found = [place for place in _BINS if (place / "initdb").exists()]
    on_path = shutil.which("initdb")
    return found[0] if found else Path(on_path).parent if on_path else None


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

    @property
    def pid(self) -> int:
        """Process id of the running server, the parent of all that work for it."""
        return int((self._home / "data" / "postmaster.pid").read_text().splitlines()[0])

    def kill(self) -> None:
        """End it at once, as a power cut of the process would."""
        self._run("pg_ctl", "-D", str(self._home / "data"), "-m", "immediate", "-w", "stop")

    def database(self, name: str, *options: str) -> str:
        """A new, empty database; its URL. `options` are createdb's."""
        self._run("createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "fleet", *options, name)
        return f"postgresql://fleet@127.0.0.1:{self.port}/{name}"

    def close(self) -> None:
        with contextlib.suppress(subprocess.SubprocessError):
            self.kill()
        shutil.rmtree(self._home, ignore_errors=True)
