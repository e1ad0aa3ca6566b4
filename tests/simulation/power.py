"""What a storm lays its hand on beneath the program.

The disk beneath SQLite, the redo log and every other file, at the calls of the C library (tests/crash/shim.c): full,
read-only, failing, or taking a part of each write; a cut at any of these calls, and one of the states that a file
system may leave of it, by lot (tests/crash/traced.py). And whatever would differ from one run to the next.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Literal
from unittest.mock import patch

import paho.mqtt.client as paho

from condenser_monitor.monitor.storage import recovery, schema, writer
from tests.crash import shim, traced

State = Literal["sound", "full", "read-only", "failing", "short"]
Image = dict[str, bytes]
_RULES = {"sound": "", "full": "nospace", "read-only": "readonly", "short": "short"}
REDO = "a line of the redo log"
_SHARED = "-shm"  # an index of the log that every first opener makes again


class Disk:
    """The disk of one storm's files in `home`. `arm` sets a cut; `image` is what the program had written when it came,
    None until then. `states` counts the states that cuts of power left."""

    def __init__(self, home: Path, rng: random.Random, on_cut: Callable[[], None]) -> None:
        self.home, self.rng, self.on_cut = home, rng, on_cut
        self.image: Image | None = None
        self.power = False
        self.states = 0
        self._state: State = "sound"
        self._left: int | None = None
        self.lied = False
        self._kept = traced.Disk(rng=rng)
        self._after: list[traced.Change] = []  # what came after the cut
        self._ended: int | None = None  # how many of them came before the next statement
        self._ruled = ""
        if shim.loaded():  # without it a storm may be calm, and nothing else
            shim.rule(home, "", record=True)
            shim.taken()  # of the storm before

    # ------------------------------------------------------------ moods

    @property
    def state(self) -> State:
        """How the disk is."""
        return self._state

    @state.setter
    def state(self, state: State) -> None:
        begin = self.rng.choice((1, 2, 5, 11))
        self._state = state
        self._ruled = _RULES.get(state, f"eio {begin} {begin + self.rng.choice((1, 3, 20))}")
        shim.rule(self.home, self._ruled, record=True)

    @contextmanager
    def by_hand(self) -> Iterator[None]:
        """While it is entered, the test itself writes there, whatever the disk's mood."""
        shim.rule(self.home, "", record=True)
        try:
            yield
        finally:
            shim.rule(self.home, self._ruled, record=True)

    def _look(self) -> None:
        """Take in what has been written since it was last looked at."""
        for one in traced.changes(shim.taken()):
            if self.image is None:
                self._kept.apply(one)
            elif one.kind != "said":
                self._after.append(one)

    # ------------------------------------------------------------ cuts

    def arm(self, statements: int, *, power: bool) -> None:
        """Cut at the so manieth statement from now; `power`: what was not sent to the disk may be lost too."""
        self._left, self.power, self.image = statements, power, None

    @property
    def armed(self) -> bool:
        """A cut is to come."""
        return self._left is not None

    def statement(self, sql: str) -> None:
        """SQLite, or the redo log, begins to do something."""
        if self.image is not None and self._ended is None:
            self._look()
            self._ended = len(self._after)
        if self._left is None or self.image is not None:
            return
        self._left -= 1
        if self._left <= 0:
            self.cut()

    def cut(self) -> None:
        """Now, or at one of the calls of what begins here: what is in the files then is all that is left."""
        self._look()
        self.image = self.files()
        self.on_cut()

    def lose(self, image: Image) -> None:
        """Cut the power now; a disk that lied has what it had then, though it said that it has all since."""
        self.image, self.lied = image, True
        self.on_cut()

    def restore(self) -> None:
        """Put the files as the cut left them."""
        assert self.image is not None
        self._look()
        done = self._after[: self.rng.randint(0, len(self._after) if self._ended is None else self._ended)]
        left = self.image
        if self.power and not self.lied:
            left = self._reached(done)
        elif not self.power:
            left = self._killed(left, done)
        shim.rule(self.home, "")
        for path in [path for path in self.home.rglob("*") if path.is_file()]:
            path.unlink()
        for name, data in left.items():
            (self.home / name).parent.mkdir(exist_ok=True)
            (self.home / name).write_bytes(data)
        self._kept.begin({str(self.home / name): data for name, data in left.items() if not name.startswith("live/")})
        self.image = self._left = self._ended = None
        self._after, self.lied = [], False
        shim.rule(self.home, self._ruled, record=True)

    def _reached(self, done: list[traced.Change]) -> Image:
        """After a cut of power: what the file system had sent."""
        for one in done:
            self._kept.apply(one)
        self.states += 1
        return {str(Path(path).relative_to(self.home)): data for path, data in self._kept.sampled().items()}

    def _killed(self, image: Image, done: list[traced.Change]) -> Image:
        """After a kill: what the program had written."""
        seen = traced.Disk()
        seen.begin({str(self.home / name): data for name, data in image.items()})
        for one in done:
            seen.apply(one)
        return {str(Path(path).relative_to(self.home)): data for path, data in seen.files().items()}

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
        with self.by_hand(), path.open("r+b") as file:
            file.write(data)


@contextmanager
def beneath(disk: Disk, clock: Callable[[], float], rng: random.Random) -> Iterator[None]:
    """While it is entered, the program's files are on `disk`, its broker's library goes by `clock`, and what it draws
    by lot is drawn from `rng`."""

    class Connection(schema.Connection):
        """One of the program's, on this disk."""

        def __init__(self, *given: Any, **more: Any) -> None:
            super().__init__(*given, **more)
            self.set_trace_callback(disk.statement)

    class Redo(recovery.RedoLog):
        """One of the program's, on this disk."""

        def append(self, entry: recovery.RedoEntry, *, durable: bool = True) -> None:
            disk.statement(REDO)
            super().append(entry, durable=durable)

    with ExitStack() as stack:
        stack.enter_context(patch.object(schema, "Connection", Connection))
        for module in (recovery, writer):
            stack.enter_context(patch.object(module, "RedoLog", Redo))
        stack.enter_context(patch.object(recovery, "token_hex", lambda size: rng.randbytes(size).hex()))
        stack.enter_context(patch.object(writer, "token_hex", lambda size: rng.randbytes(size).hex()))
        stack.enter_context(patch.object(paho, "time_func", clock))
        yield
