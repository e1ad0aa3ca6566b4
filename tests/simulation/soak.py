"""A month of an ordinary summer under the drivers, in virtual time: does memory grow, does a file?

    python -m tests.simulation.soak --days 30                       # about three quarters of an hour of processor time
    python -m tests.simulation.soak --days 30 --figures month.csv   # and every hour's figures
    python -m tests.simulation.soak --days 6 --warm 3 --trace       # and who holds more than a day after the warm-up

The shipped drivers run on register-level chips (tests/simulation/quick.py), above them service, engine, history and the
publishers in their own threads (in_step.py): a real broker, which is away for a day in the middle, and a phone
whose service hangs for another day. Each day the unit runs 24 times for a third of an hour; a call is not followed, the
contacts chatter, another fault each day, a chip is gone for ten minutes; somebody asks for things, a reader looks at
history and status every hour (summer.py). After the fifth day the program is ended and started again; from
then on it is one life, as a leak would begin again with each. What is watched, and the verdict, is in
tests/simulation/watched.py; exit status 1 when a bound is broken.

What is lighter than live: scans come at the service's own rate (`--scan`, a second) from 10 s before each thing that
happens until 80 s after it, and through `--whole` hours of each day; while nothing happens they come every `--quiet`
seconds. A scan is always whole: every burst has its full length and rate. In the dense stretches the contacts are
looked at between two scans as in life; outside of them nothing moves at the pins.
"""

from __future__ import annotations

import argparse
import gc
import os
import signal
import sqlite3
import sys
import threading
import time
from array import array
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

import msgspec

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.readings import NUMBERS
from condenser_monitor.monitor.core.records import (
    Request,
    RequestKind,
)
from condenser_monitor.monitor.service.run_loop import Service, ServiceWatchdog
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker
from tests.monitor.units import ALL, REST, UNIT
from tests.simulation import summer
from tests.simulation.holders import grown, held
from tests.simulation.in_step import Broker, Office, Phone
from tests.simulation.plant import ADDRESSES
from tests.simulation.quick import QuickPlant
from tests.simulation.sampled import Sampler
from tests.simulation.summer import Life, life
from tests.simulation.watched import (
    HEAD,
    Hour,
    Judged,
    day_line,
    read,
    verdict,
    written,
)

DAY_S, HOUR_S = 86400.0, 3600.0
SITE = "soak"
OFFICE_SCANS = 5  # how often the office is asked to take what has come
MIDNIGHT_S = 1_784_005_200.0  # 2026-07-14 at the start of the day in the phone's place
GROWN_SHOWN = 25
BEFORE_S, AFTER_S = 10.0, 80.0  # scans are dense from before something happens until after it


class Soak:
    """One site over many hours, in `folder`."""

    def __init__(self, folder: Path, plan: Life, broker: PrivateBroker) -> None:
        self.folder, self.plan, self.broker = folder, plan, broker
        self.plant = QuickPlant(1)
        self.plant.show(REST)
        self.office = Office(SITE)
        self.office.connect(broker.port)
        self.asked = self.scans = self.hours_lived = self._told = 0
        self.dense: list[tuple[float, float]] = []
        self.began_s = self.plant.clock()
        self.table = array("d")  # no objects: what is watched must not grow by the watching
        self.keep = config.HistorySettings(
            file=str(folder / "h.db"),
            live_dir=str(folder / "live"),
            readings_days=plan.keep_days,
            events_days=plan.keep_days,
        )
        self._begin()

    def _settings(self) -> config.Settings:
        return config.Settings(
            site=config.Site(id=SITE),
            unit=UNIT,
            senses=config.SensorSettings(fitted=ALL),
            history=self.keep,
            boards=config.BoardSettings(scan_s=self.plan.scan_s),
            mqtt=config.Mqtt(host="127.0.0.1", port=self.broker.port),
            notify=config.Notify(daily_silence_check=True),
        )

    def _begin(self) -> None:
        """A life of the program."""
        settings, clock = self._settings(), self.plant.clock
        self.history = History(self.keep.file, owner=True, keep=self.keep, clock=clock, wall=self.wall)
        self.boards = self.plant.boards(settings, self.wall)
        self.publisher = Broker(settings, clock=clock)
        self.phone = Phone(settings, clock, self.wall, self._hanging)
        publishers = (self.publisher, self.phone)
        self.service = Service(
            *(settings, self.boards, self.history, publishers),
            clock=clock,
            sleep=self.sleep,
            wall=self.wall,
            watchdog=ServiceWatchdog(""),
        )

    def _hanging(self) -> bool:
        return self.plan.hung[0] <= self.hours_lived < self.plan.hung[1]

    def wall(self) -> float:
        """Seconds since 1970."""
        return MIDNIGHT_S + self.plan.first * HOUR_S + self.plant.clock() - self.began_s

    # ------------------------------------------------------------ time

    def sleep(self, seconds: float) -> None:
        """After a scan: the publishers do what is due, then time passes, a while of it where nothing happens."""
        self.scans += 1
        self.publisher.pump()
        self.phone.pump()
        if self.scans % OFFICE_SCANS == 0:
            self.office.pump()
        now_s = self.plant.clock()
        until_s = now_s + max(seconds, 0.0)
        next_s = self._dense_from(until_s)
        if next_s > until_s:
            until_s = max(until_s, min(until_s - self.plan.scan_s + self.plan.quiet_s, next_s))
            self.plant.sleep(until_s - now_s)
        else:
            self.boards.idle(until_s - now_s)

    def _dense_from(self, at_s: float) -> float:
        """From when on scans are dense: `at_s` where they are."""
        while self.dense and self.dense[0][1] < at_s:
            self.dense.pop(0)
        return max(at_s, self.dense[0][0]) if self.dense else float("inf")

    def _at(self, at_s: float, what: Callable[[], Any]) -> None:
        """Have it happen at a moment of the clock, densely watched."""
        self.plant.at(at_s - self.plant.clock(), what)
        self.dense.append((at_s - BEFORE_S, at_s + AFTER_S))

    # ------------------------------------------------------------ an hour

    def hour(self) -> Hour:
        """Live through one hour; what was measured at its end."""
        number = self.hours_lived
        if number == self.plan.restarted > 0:
            self._end()
            self._begin()
        self._broker(number)
        start_s = self.began_s + number * HOUR_S
        self._plan(*divmod(number + self.plan.first, 24), start_s)
        self.dense.sort()
        while self.plant.clock() < start_s + HOUR_S:
            self.service.run(steps=5)
        self._look(number)
        self.hours_lived += 1
        found = self._measured(number)
        self.table.extend(found)
        return found

    def _broker(self, number: int) -> None:
        if number == self.plan.away[0] < self.plan.away[1]:
            self.office.close()
            self.broker.stop()
        if number == self.plan.away[1] > self.plan.away[0]:
            self.broker.start()
            self.office.connect(self.broker.port)

    def _plan(self, day: int, hour: int, start_s: float) -> None:
        for after_s, readings in summer.hour(day, hour):
            self._at(start_s + after_s, lambda readings=readings: self.plant.show(readings))  # type: ignore[misc]
        if hour in summer.CHIP_GONE:
            chip = self.plant.chips[ADDRESSES[day % 2]]
            for after_s, gone in summer.GONE:
                self._at(start_s + after_s, lambda gone=gone: setattr(chip, "absent", gone))  # type: ignore[misc]
        if summer.LAST_WHOLE - self.plan.whole < hour <= summer.LAST_WHOLE:
            self.dense.append((start_s, start_s + HOUR_S))

    def _look(self, number: int) -> None:
        """What people do: look at the page, ask for things here and through the broker."""
        wall_s = self.wall()
        self.history.readings(NUMBERS[number % len(NUMBERS)], wall_s - DAY_S, wall_s)
        self.history.lanes(wall_s - DAY_S, wall_s)
        self.history.latest_events(50)
        hour = (number + self.plan.first) % 24
        self._ask(RequestKind.ACKNOWLEDGE, "call-without-pull-in" if hour == 21 else "sensor-silent")
        if hour % 8 == 2:
            self._ask(RequestKind.SERVICE, None)
        self.office.ask("fan-not-running")

    def _ask(self, kind: RequestKind, finding: str | None) -> None:
        self.asked += 1
        self.history.add_request(Request(id=f"s{self.asked}", request=kind, by="soak", finding=finding, hours=0.1))

    # ------------------------------------------------------------ what is measured

    def _measured(self, number: int) -> Hour:
        gc.collect()
        engine, health = self.service.engine, self.history.health()
        sizes = {path: path.stat().st_size for path in self.folder.rglob("*") if path.is_file()}
        live = sum(size for path, size in sizes.items() if path.parent.name == "live")
        history, wal = (sizes.pop(self.folder / name, 0) for name in ("h.db", "h.db-wal"))
        backups, redo = (
            sum(sizes.pop(path) for path in [*sizes] if path.name.startswith(f"h.db.{kind}"))
            for kind in ("backup", "redo")
        )
        return Hour(
            hour=number,
            cpu_s=time.process_time(),
            scans=self.scans,
            rss=rss(),
            objects=len(gc.get_objects()),
            blocks=sys.getallocatedblocks(),
            threads=threading.active_count(),
            descriptors=len(list(Path("/proc/self/fd").iterdir())),
            history=history,
            wal=wal,
            live=live,
            backups=backups,
            redo=redo,
            files=sum(sizes.values()) - live,
            rows=self._rows(),
            waiting=max(publisher.waiting for publisher in health.publishers.values()),
            memory=len(engine.memory()),
            alerts=len(msgspec.json.encode(engine._alarms.memory())),
            queue=self._queued(),
            told=self.told,
        )

    def _rows(self) -> int:
        with sqlite3.connect(f"file:{self.folder / 'h.db'}?mode=ro", uri=True) as db:
            count: int = db.execute("SELECT count(*) FROM outbox").fetchone()[0]
        db.close()
        return count

    def _queued(self) -> int:
        """All that waits in the process's own memory, in items."""
        keeper, boards = self.history._owned(), self.boards
        held = len(keeper.held.rows) + len(keeper.held.answers) + len(keeper.held.starts) + len(keeper.held_requests)
        edges = sum(len(presence._edges) for presence in boards._presence.values())
        return held + edges + len(boards._quick) + len(boards._starts) + self.publisher.queue() + self.phone.queue()

    def _end(self) -> None:
        self.service.close()
        self._told += self.phone.told
        self.phone.told = 0

    @property
    def told(self) -> int:
        """Messages that the phone took so far."""
        return self._told + self.phone.told

    def settle(self) -> None:
        """Some minutes in which what waits for the broker is delivered."""
        until_s = self.plant.clock() + 600.0
        self.dense.append((self.plant.clock(), until_s))
        while self.plant.clock() < until_s:
            self.service.run(steps=20)
            time.sleep(0.002)  # the broker is another process

    def close(self) -> None:
        """Let go of the files and the broker."""
        self._end()
        self.office.close()

    def hours(self) -> list[Hour]:
        """All figures so far."""
        wide = len(Hour._fields)
        rows = [self.table[place : place + wide] for place in range(0, len(self.table), wide)]
        return [Hour(*(round(value, 3) if value % 1 else int(value) for value in row)) for row in rows]  # type: ignore[arg-type]


def rss() -> int:
    """Resident memory of this process, bytes."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


class Outcome(NamedTuple):
    """A soak that is over."""

    hours: list[Hour]
    judged: list[Judged]
    office: Office
    told: int

    @property
    def broken(self) -> list[str]:
        """Names of what did not stay within its bounds; "events" where the office missed one or was told none."""
        names = [one.name for one in self.judged if one.broken]
        return [*names, *(["events"] if self.office.missing or not self.office.taken else [])]


def run(
    folder: Path,
    plan: Life,
    warm_hours: int,
    say: Callable[[str], Any] = lambda line: None,
    each: Callable[[Hour], Any] = lambda hour: None,
    *,
    trace: bool = False,
) -> Outcome:
    """So many hours; says a line for each day, and calls `each` with each hour's figures. `trace`: and at the end, who
    holds more objects than a day after the warm-up."""
    before: Counter[str] | None = None
    with PrivateBroker() as broker:
        soak = Soak(folder, plan, broker)
        try:
            for number in range(plan.hours):
                each(soak.hour())
                if trace and number == warm_hours + 23:  # a day later, each thing of a day has been made once
                    before = _held(soak)
                if number % 24 == 23:
                    say(day_line(soak.hours()[-24:]))
            for line in grown(before, _held(soak), GROWN_SHOWN) if before is not None else ():
                say(line)
            soak.settle()
        finally:
            soak.close()
    hours = soak.hours()
    return Outcome(hours, verdict(hours, warm_hours), soak.office, soak.told)


def _held(soak: Soak) -> Counter[str]:
    """Who holds how many objects; what is no part of the program comes last."""
    gc.collect()
    service = soak.service
    program = {"engine": service.engine, "history": soak.history, "broker": soak.publisher, "phone": soak.phone}
    own = {"boards": soak.boards, "service": service, "soak": soak}
    modules = {name: vars(module) for name, module in list(sys.modules.items())}
    return held({**program, **own, **modules})


def _say(line: str) -> None:
    print(line, flush=True)


def _file(path: Path) -> Callable[[Hour], Any]:
    """What puts each hour's figures into a file at once, so that a soak that is broken off has told them."""
    path.write_text(HEAD, encoding="utf-8")

    def put(hour: Hour) -> None:
        with path.open("a", encoding="utf-8") as file:
            file.write(written(hour))

    return put


def _judge(hours: Sequence[Hour], warm_hours: int) -> int:
    """Say the verdict on figures that were kept."""
    judged = verdict(hours, warm_hours)
    for one in judged:
        _say(one.line())
    return 1 if any(one.broken for one in judged) else 0


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it in a directory of its own; exit status 1 when a bound is broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation.soak")
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument(
        "--warm", type=float, default=8.0, help="days before growth counts: more than --keep and its drops"
    )
    parser.add_argument("--scan", type=float, default=1.0, help="seconds between scans when something happens")
    parser.add_argument("--quiet", type=float, default=10.0, help="seconds between scans when nothing does")
    parser.add_argument("--whole", type=int, default=1, help="hours of each day with scans every --scan seconds")
    parser.add_argument("--keep", type=float, default=5.0, help="days for which readings and events are kept")
    parser.add_argument("--figures", type=Path, help="file for each hour's figures (CSV)")
    parser.add_argument("--trace", action="store_true", help="say at the end who holds more than a day into it")
    parser.add_argument("--judge", type=Path, help="only judge the figures in this file")
    chosen = parser.parse_args(arguments)
    warm_hours = round(chosen.warm * 24)
    if chosen.judge:
        return _judge(read(chosen.judge), warm_hours)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # the broker is to end with us
    how = {"scan_s": chosen.scan, "quiet_s": chosen.quiet, "whole": chosen.whole, "keep_days": chosen.keep}
    with TemporaryDirectory(prefix="soak") as folder, Sampler() as sampler:
        each = _file(chosen.figures) if chosen.figures else lambda hour: None
        done = run(Path(folder), life(round(chosen.days * 24), **how), warm_hours, _say, each, trace=chosen.trace)
    for line in (*sampler.lines(), *(one.line() for one in done.judged)):
        _say(line)
    office = done.office
    _say(f"the office was told {office.taken} times, {office.twice} twice, {office.missing} missing; phone {done.told}")
    _say("broken: " + ", ".join(done.broken) if done.broken else "all within their bounds")
    return 1 if done.broken else 0


if __name__ == "__main__":
    sys.exit(main())
