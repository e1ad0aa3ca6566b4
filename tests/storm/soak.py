"""A month of an ordinary summer under the drivers, in virtual time: does memory grow, does a file?

    python -m tests.storm.soak --days 30 --scan 60
    python -m tests.storm.soak --days 30 --scan 60 --keep 5     # so that what is dropped shows in the files

The shipped drivers run on register-level chips (tests/storm/plant.py), above them service, engine, history, a receiver
and a phone. Each day the unit runs 24 times for a third of an hour; a call is not followed for a while, a chip is gone
for ten minutes, the receiver is away for an hour, somebody asks for things, a reader looks at history and status every
hour, and every fifth day the program is started anew. Prints a line a day: resident memory, Python's objects, the
size of the history's files, rows kept, and the processor time.

What is lighter than live: scans come every `--scan` seconds and not every second, and between two scans the contacts
are looked at only around the moments at which something changes (where every 10 ms finds nothing else). A scan itself
is whole: every burst has its full length and rate.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

from monitor import config
from monitor.history.file import History
from monitor.records import NUMBERS, Request, RequestKind
from monitor.service import Service, Watchdog
from tests.monitor.units import ALL, REST, RUN, UNIT, but
from tests.storm.plant import ADDRESSES, Plant
from tests.storm.storm import WALL_0_S

DAY_S, HOUR_S = 86400.0, 3600.0
DEAF = but(RUN, load=False, compressor_a=0.0, fan_a=0.0, coil_a=0.0)


class Day(NamedTuple):
    """What is measured at the end of a simulated day. Sizes in bytes."""

    day: int
    rss: int
    objects: int
    history: int
    files: int
    rows: int
    told: int
    cpu_s: float

    def line(self) -> str:
        """One row of the table."""
        return (
            f"day {self.day:3}: RSS {self.rss / 1e6:6.1f} MB, {self.objects:7} objects, "
            f"history {self.history / 1e6:6.2f} MB in {self.files} files, {self.rows} rows, {self.told} told, "
            f"{self.cpu_s:.0f} s of processor"
        )


class Taker:
    """Takes the outbox's rows once an hour, but when it is away; keeps only their number."""

    def __init__(self) -> None:
        self.count = 0
        self.away = False

    def take(self, history: History) -> None:
        """All that waits."""
        while not self.away and (rows := history.outbox("soak", begin=True)):
            self.count += len(rows)
            history.delivered("soak", rows[-1].place)


class Soak:
    """One site over many days, in `folder`."""

    def __init__(self, folder: Path, scan_s: float, keep_days: float = 30.0) -> None:
        self.folder, self.scan_s = folder, scan_s
        self.plant = Plant(1)
        self.plant.show(REST)
        self.taker = Taker()
        self.asked = 0
        self.keep = config.History(
            file=str(folder / "h.db"), live_dir=str(folder / "live"), readings_days=keep_days, events_days=keep_days
        )
        self._begin()

    def _begin(self) -> None:
        settings = config.Settings(
            unit=UNIT,
            senses=config.Senses(fitted=ALL),
            history=self.keep,
            boards=config.Boards(scan_s=self.scan_s),
        )
        clock = self.plant.clock
        self.history = History(self.keep.file, owner=True, keep=self.keep, clock=clock, wall=self.wall)
        self.boards = self.plant.boards(settings, self.wall)
        self.service = Service(
            *(settings, self.boards, self.history),
            clock=clock,
            sleep=self.sleep,
            wall=self.wall,
            watchdog=Watchdog(""),
        )

    def wall(self) -> float:
        """Seconds since 1970."""
        return WALL_0_S + self.plant.clock()

    def sleep(self, seconds: float) -> None:
        """Time passes; the boards look at the contacts when something has changed."""
        until_s = self.plant.clock() + seconds
        while (due_s := self.plant.next_s()) is not None and due_s <= until_s:
            self.plant.sleep(due_s - self.plant.clock())
            self.boards.idle(0.03)
        self.plant.sleep(until_s - self.plant.clock())

    # ------------------------------------------------------------ a day

    def day(self, number: int) -> Day:
        """Live through one day; what was measured at its end."""
        if number % 5 == 4:
            self.service.close()
            self._begin()
        for hour in range(24):
            self._plan(hour)
            until_s = self.plant.clock() + HOUR_S
            while self.plant.clock() < until_s:
                self.service.run(steps=10)
            self._look(hour)
        gc.collect()
        files = [path for path in self.folder.rglob("*") if path.is_file()]
        return Day(
            day=number,
            rss=rss(),
            objects=len(gc.get_objects()),
            history=sum(path.stat().st_size for path in files),
            files=len(files),
            rows=self.history.latest_events(1)[0].place if self.history.latest_events(1) else 0,
            told=self.taker.count,
            cpu_s=time.process_time(),
        )

    def _plan(self, hour: int) -> None:
        at, show = self.plant.at, self.plant.show
        at(600.0, lambda: show(DEAF if hour == 15 else RUN))
        at(1800.0, lambda: show(REST))
        chip = self.plant.chips[ADDRESSES[hour % 2]]
        if hour in (3, 12):
            at(900.0, lambda: setattr(chip, "absent", True))
            at(1500.0, lambda: setattr(chip, "absent", False))
        self.taker.away = hour == 9

    def _look(self, hour: int) -> None:
        self.taker.take(self.history)
        wall_s = self.wall()
        for name in NUMBERS:
            self.history.readings(name, wall_s - DAY_S, wall_s)
        self.history.lanes(wall_s - DAY_S, wall_s)
        self.history.health()
        for _ in range(3):
            self.asked += 1
            kind = RequestKind.ACKNOWLEDGE if hour % 2 else RequestKind.SERVICE
            finding = "call-without-pull-in" if hour % 2 else None
            self.history.add_request(Request(id=f"s{self.asked}", request=kind, by="soak", finding=finding, hours=0.1))

    def close(self) -> None:
        """Let go of the files."""
        self.service.close()


def rss() -> int:
    """Resident memory of this process, bytes."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def run(
    folder: Path, days: int, scan_s: float, say: Callable[[str], Any] = lambda line: None, *, keep_days: float = 30.0
) -> list[Day]:
    """So many days; says a line for each."""
    soak = Soak(folder, scan_s, keep_days)
    found = []
    try:
        for number in range(1, days + 1):
            found.append(soak.day(number))
            say(found[-1].line())
    finally:
        soak.close()
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it in a directory of its own."""
    parser = argparse.ArgumentParser(prog="python -m tests.storm.soak")
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--scan", type=float, default=10.0, help="seconds between scans")
    parser.add_argument("--keep", type=float, default=30.0, help="days for which readings and events are kept")
    chosen = parser.parse_args(arguments)
    with TemporaryDirectory(prefix="soak") as folder:
        say = lambda line: print(line, flush=True)  # noqa: E731 - said once
        run(Path(folder), chosen.days, chosen.scan, say, keep_days=chosen.keep)
    return 0


if __name__ == "__main__":
    sys.exit(main())
