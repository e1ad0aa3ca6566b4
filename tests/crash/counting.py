"""A program that is killed at a chosen SQL statement, for test_each_statement.py. Run as a process of its own.

    python -m tests.crash.counting DIRECTORY STEPS EVERY

It owns a history and takes STEPS steps of a tiny engine that counts: its memory is the number of steps it has taken,
and each step brings a change, sometimes a cycle, sometimes an answer. It delivers what is in the outbox by adding it to
a file, then moves the cursor. For each SQL statement of such a run there is a child process that kills itself with
SIGKILL as SQLite begins it, in a directory named for its number, and a second child that goes on from what it finds.
Prints the number of statements of a whole run, made in the directory `0`.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
from pathlib import Path
from typing import Any

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Answer, Event, Request, RequestKind
from condenser_monitor.monitor.storage import schema, status_cache
from condenser_monitor.monitor.storage.history import History
from tests.monitor.edge_tools import (
    WALL_S,
    Hand,
    change,
    cycle,
    status,
)


def arm(kill_at: int) -> list[str]:
    """Kill this process when SQLite begins its `kill_at`-th statement in any connection; the statements begun."""
    begun: list[str] = []

    def traced(statement: str) -> None:
        begun.append(statement)
        if len(begun) == kill_at:
            os.kill(os.getpid(), signal.SIGKILL)

    real = sqlite3.connect

    def connect(*given: Any, **more: Any) -> sqlite3.Connection:
        db: sqlite3.Connection = real(*given, **more)
        db.set_trace_callback(traced)
        return db

    for module in (schema, status_cache):
        module.sqlite3.connect = connect
    return begun


def deliver(history: History, folder: Path) -> None:
    """Write down what is waiting, safely, and only then move the cursor."""
    with (folder / "delivered").open("a") as file:
        for kept in history.outbox("file", begin=True):
            file.write(f"{kept.topic} {kept.seq} {kept.id}\n")
            file.flush()
            os.fsync(file.fileno())
            history.delivered("file", kept.offset)


def main(folder: Path, steps: int, kill_at: int) -> None:
    """Take the steps that are left."""
    begun = arm(kill_at)
    clock = Hand()
    keep = config.HistorySettings(file=str(folder / "history.db"), live_dir=str(folder / "live"))
    with History(keep.file, owner=True, keep=keep, clock=clock, wall=lambda: WALL_S) as history:
        done = int(history.memory() or b"0")
        deliver(history, folder)
        while done < steps:
            done += 1
            events: list[Event] = [change(float(done), finding=f"f{done}"), *([cycle(float(done))] if done % 2 else [])]
            history.add_request(Request(id=f"r{done}", request=RequestKind.RESUME, by="Sam"), source="broker")
            answers = [Answer(id=request.id, done=True) for request in history.requests()]
            history.step(
                now_s=float(done),
                wall_s=WALL_S + done,
                status=status(float(done)),
                memory=lambda: str(done).encode(),  # noqa: B023 - asked for at once
                events=events,
                answers=answers,
            )
            deliver(history, folder)
    (folder / "count").write_text(str(len(begun)))


def child(folder: Path, steps: int, kill_at: int) -> int:
    """Run in a process of its own; its exit status, negative for the signal that ended it."""
    folder.mkdir(parents=True, exist_ok=True)
    number = os.fork()
    if number == 0:
        status_ = 1
        try:
            main(folder, steps, kill_at)
            status_ = 0
        finally:
            os._exit(status_)
    return os.waitstatus_to_exitcode(os.waitpid(number, 0)[1])


def each(folder: Path, steps: int, every: int) -> None:
    """A whole run, then one killed at each statement (each `every`-th) and taken up again."""
    assert child(folder / "0", steps, 0) == 0
    total = int((folder / "0" / "count").read_text())
    for kill_at in range(1, total + 1, every):
        assert child(folder / str(kill_at), steps, kill_at) == -signal.SIGKILL, kill_at
        assert child(folder / str(kill_at), steps, 0) == 0, kill_at
    print(total)


if __name__ == "__main__":
    each(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
