"""What a storm lays its hand on beneath the program.

The disk under SQLite and the redo log (sound, full, read-only, cut short, its bytes damaged), the instant of a power
cut at any statement or line, and whatever would differ from one run to the next.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Literal
from unittest.mock import patch

import paho.mqtt.client as paho

from condenser_monitor.monitor import private_file
from condenser_monitor.monitor.publishers import phone
from condenser_monitor.monitor.storage import recovery, schema, writer

State = Literal["sound", "full", "read-only"]
Image = dict[str, bytes]
_SWITCHES = {
    "sound": ("PRAGMA query_only = 0", "PRAGMA max_page_count = 1073741823"),
    "full": ("PRAGMA query_only = 0", "PRAGMA max_page_count = 1"),  # no page more than there are
    "read-only": ("PRAGMA query_only = 1",),
}
REDO = "a line of the redo log"
_SALT = slice(16, 24)  # sqlite.org/fileformat2.html 4.1: a log begun again has another
_SHARED = "-shm"  # an index of the log that every first opener makes again


class Disk:
    """The disk of one storm's files in `home`. `arm` sets a cut; `image` is what it left, None until it comes."""

    def __init__(self, home: Path, rng: random.Random, on_cut: Callable[[], None]) -> None:
        self.home, self.rng, self.on_cut = home, rng, on_cut
        self.state: State = "sound"
        self.image: Image | None = None
        self.power = False
        self._left: int | None = None
        self._torn = self._lied = False
        self._safe = (b"", 0)
        self.redo_safe = 0  # bytes of the redo log that have reached the disk

    # ------------------------------------------------------------ cuts

    def arm(self, statements: int, *, power: bool) -> None:
        """Cut at the so manieth statement from now; `power`: what no commit has sent to the disk may be lost too."""
        self._left, self.power, self.image = statements, power, None

    @property
    def armed(self) -> bool:
        """A cut is to come."""
        return self._left is not None

    def statement(self, sql: str) -> None:
        """SQLite begins a statement."""
        if self._left is None or self.image is not None:
            return
        self._left -= 1
        if self._left <= 0:
            self.cut(torn=self.power and sql.startswith(("COMMIT", REDO)))

    def cut(self, *, torn: bool = False) -> None:
        """Now: what the files hold is all that is left. `torn`: in the middle of the commit that begins here."""
        self.image, self._torn = self.files(), torn
        self.on_cut()

    def lose(self, image: Image) -> None:
        """Cut the power now; a disk that lied has what it had then, though it said that it has all since."""
        self.image, self._lied = image, True
        self.on_cut()

    def safe(self) -> None:
        """What the log holds now has reached the disk."""
        path = self.home / "h.db-wal"
        try:
            with path.open("rb") as file:
                self._safe = (file.read(32)[_SALT], path.stat().st_size)
        except OSError:
            self._safe = (b"", 0)

    def restore(self) -> None:
        """Put the files as the cut left them."""
        assert self.image is not None
        image, after, redo = self.image, self._log(), self._redo()
        for path in [path for path in self.home.rglob("*") if path.is_file()]:
            path.unlink()
        if self.power:
            image = {name: data for name, data in image.items() if not name.startswith("live/")}
        if self.power and not self._lied:
            image |= {name: self._left_of(data, after) for name, data in image.items() if name == "h.db-wal"}
            image |= {name: self._redo_left_of(data, redo) for name, data in image.items() if name == "h.db.redo"}
        for name, data in image.items():
            (self.home / name).parent.mkdir(exist_ok=True)
            (self.home / name).write_bytes(data)
        self.image = self._left = None
        self._torn = self._lied = False

    def _left_of(self, log: bytes, after: bytes) -> bytes:
        """The log after a power cut: what was not sent to the disk may be cut short anywhere."""
        if self._torn and after[_SALT] == log[_SALT] and len(after) > len(log):
            return after[: self.rng.randint(len(log), len(after))]
        salt, size = self._safe
        return log[: self.rng.randint(size, len(log))] if salt == log[_SALT] and len(log) > size else log

    def _redo_left_of(self, log: bytes, after: bytes) -> bytes:
        """The redo log after a power cut: a line that was being written may be torn, and what was only handed to the
        system may be gone."""
        if self._torn and after.startswith(log) and len(after) > len(log):
            return after[: self.rng.randint(len(log), len(after))]
        return log[: self.rng.randint(self.redo_safe, len(log))] if len(log) > self.redo_safe else log

    def _redo(self) -> bytes:
        path = self.home / "h.db.redo"
        return path.read_bytes() if path.exists() else b""

    def _log(self) -> bytes:
        path = self.home / "h.db-wal"
        return path.read_bytes() if path.exists() else b""

    def files(self) -> Image:
        """What the files hold."""
        return {
            str(path.relative_to(self.home)): path.read_bytes()
            for path in sorted(self.home.rglob("*"))
            if path.is_file() and not path.name.endswith(_SHARED)
        }

    # ------------------------------------------------------------ damage

    def spoil(self, path: Path) -> None:
        """Bytes of a file are not what was written."""
        if not path.exists():
            return
        data = bytearray(path.read_bytes())
        for _ in range(self.rng.choice((1, 20, 400)) if data else 0):
            data[self.rng.randrange(len(data))] = self.rng.randrange(256)
        with path.open("r+b") as file:
            file.write(data)

    def may_write(self) -> None:
        """Raises OSError where a file beside the history cannot be written either."""
        if self.state != "sound":
            raise OSError(28 if self.state == "full" else 30, "no space" if self.state == "full" else "read-only")


@contextmanager
def beneath(disk: Disk, clock: Callable[[], float], rng: random.Random) -> Iterator[None]:
    """While it is entered, the program's files are on `disk`, its broker's library goes by `clock`, and what it draws
    by lot is drawn from `rng`."""

    class Connection(schema.Connection):
        """One of the program's, on this disk."""

        _on: State = "sound"

        def __init__(self, *given: Any, **more: Any) -> None:
            super().__init__(*given, **more)
            self.set_trace_callback(disk.statement)

        def execute(self, *given: Any) -> Any:
            if self._on != disk.state:
                self._on = disk.state
                for switch in _SWITCHES[disk.state]:
                    super().execute(switch)
            return super().execute(*given)

    class Redo(recovery.RedoLog):
        """One of the program's, on this disk."""

        def append(self, entry: recovery.RedoEntry, *, durable: bool = True) -> None:
            disk.statement(REDO)
            disk.may_write()
            super().append(entry, durable=durable)
            if durable:
                disk.redo_safe = self.size

        def _replace(self, path: Path, data: bytes) -> None:
            disk.may_write()
            super()._replace(path, data)
            disk.redo_safe = self.size

    def write(path: Path, data: bytes) -> None:
        disk.may_write()
        private_file.write_private(path, data)

    with ExitStack() as stack:
        stack.enter_context(patch.object(schema, "Connection", Connection))
        for module in (recovery, writer):
            stack.enter_context(patch.object(module, "RedoLog", Redo))
        stack.enter_context(patch.object(recovery, "token_hex", lambda size: rng.randbytes(size).hex()))
        stack.enter_context(patch.object(writer, "token_hex", lambda size: rng.randbytes(size).hex()))
        stack.enter_context(patch.object(paho, "time_func", clock))
        stack.enter_context(patch.object(phone, "write_private", write))
        yield
