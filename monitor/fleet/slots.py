"""(edge) Slots: each ingest worker holds one numbered place, and with it one lasting session at the broker.

A worker that starts takes the lowest free slot, so that one that comes back finds its own session again, and workers
share the load without being told of each other. A slot is held by a lock that ends with its holder: an advisory lock of
PostgreSQL, or a locked file beside an SQLite database. The row in `slots` says when it was last used; a slot whose
holder has been gone for a while is emptied by another worker (see ingest.py).
"""

from __future__ import annotations

import fcntl
import os
import socket
from contextlib import suppress
from types import TracebackType
from typing import IO

import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import DatabaseError
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import slots
from condenser_monitor.monitor.limits import FLEET

FIRST = 0  # the slot whose holder also does what one worker alone must do
_MOST = int(FLEET.slots_most.value)
_IDLE_S = FLEET.slot_idle_s.value
_LOCK_SPACE = 0x636F6E64  # "cond": keeps our advisory locks apart from others in the same database


class Slots:
    """The slots that this process holds. Closing it, or the end of the process, frees them all."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._files: dict[int, IO[str]] = {}
        self._held: set[int] = set()
        with store.explained():
            self._connection = store.engine.connect() if store.postgres else None

    def __enter__(self) -> Slots:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self.close()

    def claim(self, now: float) -> int:
        """Take the lowest free slot. Raises DatabaseError when there are too many workers."""
        for slot in range(_MOST):
            if self.try_lock(slot):
                self.beat([slot], now, {})
                return slot
        raise DatabaseError(self._store.place, f"{_MOST} ingest workers", "fewer: no slot is free")

    def try_lock(self, slot: int) -> bool:
        """Take this slot, if nobody holds it."""
        if slot in self._held:
            return False
        taken = self._lock_file(slot) if self._connection is None else self._lock_row(slot)
        if taken:
            self._held.add(slot)
        return taken

    def abandoned(self, now: float) -> list[int]:
        """Slots that were used, and whose holder has not been heard of for a while; one of them may be taken."""
        query = sa.select(slots.c.slot).where(slots.c.used_at < now - _IDLE_S).order_by(slots.c.slot)
        with self._store.read() as connection:
            return [slot for slot in connection.scalars(query) if slot not in self._held]

    def beat(self, held: list[int], now: float, counts: dict[str, int], caught_up_at: float | None = None) -> None:
        """Say that the holder of these slots lives, what it has done, and when it had read all that it was given."""
        row = {"used_at": now, "holder": f"{socket.gethostname()}:{os.getpid()}", **counts}
        row |= {} if caught_up_at is None else {"caught_up_at": caught_up_at}
        with self._store.write() as connection:
            for slot in held:
                if not connection.execute(sa.update(slots).where(slots.c.slot == slot).values(row)).rowcount:
                    connection.execute(sa.insert(slots).values(slot=slot, **row))

    def forget(self, slot: int) -> None:
        """Free a slot that has been emptied, and its row."""
        with self._store.write() as connection:
            connection.execute(sa.delete(slots).where(slots.c.slot == slot))
        self._free(slot)

    def check(self) -> None:
        """Raises DatabaseError when the connection that holds the locks has broken: they are then anyone's."""
        if self._connection is not None:
            with self._store.explained():
                self._connection.exec_driver_sql("SELECT 1")
                self._connection.commit()

    def close(self) -> None:
        """Free all slots; their rows stay, for whoever comes next."""
        for slot in list(self._held):
            with suppress(sa.exc.SQLAlchemyError):
                self._free(slot)
        if self._connection is not None:
            self._connection.invalidate()  # a lock of the session must not go back to the pool with it
            self._connection.close()

    def _lock_row(self, slot: int) -> bool:
        assert self._connection is not None
        query = sa.text("SELECT pg_try_advisory_lock(:space, :slot)")
        with self._store.explained():
            taken = bool(self._connection.scalar(query, {"space": _LOCK_SPACE, "slot": slot}))
            self._connection.commit()  # the lock is the session's: no transaction need stay open for it
        return taken

    def _lock_file(self, slot: int) -> bool:
        file = open(f"{self._store.url.database}.slot-{slot}", "w")  # noqa: SIM115 - open while the slot is held
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            file.close()
            return False
        self._files[slot] = file
        return True

    def _free(self, slot: int) -> None:
        self._held.discard(slot)
        if self._connection is None:
            self._files.pop(slot).close()
        else:
            query = sa.text("SELECT pg_advisory_unlock(:space, :slot)")
            self._connection.execute(query, {"space": _LOCK_SPACE, "slot": slot})
            self._connection.commit()
