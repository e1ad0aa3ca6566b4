"""The whole program in deterministic time under seeded misfortune. Same seed, same run, to the byte of its log.

Real: engine, judgement, alerts, history on a real file, the shipped publishers in their own threads with the broker's
library on a real socket, the service's step, the page's JSON. Simulated: the wires (scans of a plain unit that breaks
and is mended; under the shipped drivers in wires.py), time, the broker at the socket's other end (broker.py), the
phone's service, the disk's moods and the instant of a cut (power.py). Promises are held at each step (judge.py, watch
here), and at the end, after a calm, everything must have come.
"""

from __future__ import annotations

import hashlib
import os
import random
import tempfile
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from functools import cache
from math import inf
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from flask import Flask
from flask.testing import FlaskClient

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import (
    Answer,
    EpisodeState,
    Event,
    LinkState,
    Request,
    RequestKind,
    Scan,
    Severity,
    StartTransient,
    UnitStatus,
)
from condenser_monitor.monitor.publishers.messages import OFFLINE, ONLINE
from condenser_monitor.monitor.publishers.phone_text import PhoneMessage
from condenser_monitor.monitor.service.run_loop import BoardReader, Service, ServiceWatchdog
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.schema import id_origin
from condenser_monitor.sim.bus import VirtualClock
from condenser_monitor.web.access import Access
from condenser_monitor.web.app import create_app
from condenser_monitor.web.context import PageContext
from tests.monitor.edge_tools import forget_held
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
    but,
)
from tests.simulation import on_disk
from tests.simulation.broker import MOODS, SLOWEST_S, Broker
from tests.simulation.broker import Message as Heard
from tests.simulation.on_disk import OnDisk
from tests.simulation.oracle import Item, Ledger, PhoneRecord, Stream, event_facts
from tests.simulation.power import Disk, beneath
from tests.simulation.stepped_publishers import (
    Killable,
    PhoneService,
    SteppedBroker,
    SteppedPhone,
)

SITE = "storm"
MOODS_OF_DISK = ("full", "read-only", "failing", "short")
REQUESTS = f"condenser/v1/{SITE}/requests"
SCAN_S = 2.0
SLICE_S = 1.0  # how often publishers, broker and onlookers have their turn
BLIND_S = 60.0
SLACK_S = 3 * SCAN_S
SILENT_SCANS = limits.SENSOR_SILENT.scans.value  # blind meanwhile, the monitor wants as many to judge by
# 2026-11-01T07:00:00Z is the end of summer time in the phone's place, 2026-03-08T08:00:00Z its beginning; and a day
WALLS_0_S = (1_793_516_000.0 - 300, 1_772_956_800.0 - 300, 1_784_000_000.0)
Misfortune = tuple[float, str, Callable[[], object]]
NO_PULL = but(RUN, load=False, coil_a=0.0, compressor_a=0.0, fan_a=0.0)
WORLDS: tuple[dict[str, Any], ...] = (
    *(REST, RUN, RUN, NO_PULL, but(RUN, fan_a=0.0), but(RUN, compressor_a=0.0)),
    *(but(RUN, control_v=19.0), but(REST, thermostat=True), but(REST, control_power=False)),
    but(RUN, supply=False, load=False, compressor_a=0.0, fan_a=0.0),
    but(REST, load=True, compressor_a=9.0, fan_a=1.0),
)
_H, _E = limits.HISTORY, limits.PUBLISHERS
MOST = {
    "rows held": _H.held_most.value,
    "requests waiting": _H.requests_most.value,
    "requests waiting in all": 2 * _H.requests_most.value,  # on the disk, and in memory since it failed
    "items for the broker": 2 * _E.in_flight.value + 2 * _E.resend_most.value + 60,
    "refusals remembered": _E.refusals_per_min.value,
    "alarms planned": 40.0,
    "threads": 2.0,
    "descriptors": 40.0,
    "history, bytes": 6e6,
    "live, bytes": 2e6,
    "files": 3 + 5 + 3 * _H.set_aside_most.value,
    "engine's memory, bytes": 256e3,
}
_JUNK = (b"", b"{", b"\xff\xfe", b"[" * 3000, b'{"id":"q","request":"open-the-door","by":"x"}', b"x" * 5000)


class Wires:
    """Boards that say what the storm has them say."""

    def __init__(self, storm: Storm) -> None:
        self.storm = storm

    def scan(self) -> Scan:
        return self.storm.scan()

    def changes(self) -> list[Scan]:
        return []

    def idle(self, seconds: float, stop: Callable[[], bool] = lambda: False) -> None:
        """Time is the storm's."""

    def starts(self) -> list[StartTransient]:
        return []

    def faults(self) -> dict[str, str]:
        return {}

    def close(self) -> None:
        """Nothing to let go of."""


class Storm:
    """One seeded run in `folder`. `play()` runs it to a calm end; `check()` holds what is left against the promises.
    `without` are the numbers of misfortunes that do not happen; `happened` has those that did, with their names."""

    def __init__(self, seed: int, folder: Path, steps: int = 110, without: frozenset[int] = frozenset()) -> None:
        self.seed, self.rng, self.steps, self.without = seed, random.Random(seed), steps, without
        self.happened: list[tuple[int, str]] = []
        self._rolled = self.lives = 0
        self.cuts: Counter[str] = Counter()
        self.folder, self.home = folder, folder / "home"
        self.home.mkdir(parents=True)
        self.clock = self._clock()
        self.log: list[str] = []
        self.broken: list[str] = []
        self.wall_off_s, self.began_at_s = 0.0, self.rng.choice(WALLS_0_S)
        self.clock_known = seed % 3 != 0
        self.readings: dict[str, Any] = REST
        self.blind_left = self.odd_left = self.deaf_left = self.wild_left = 0
        self.blind_how, self.deaf_name = "raise", ALL[0]
        self.seen_s = self.clock()  # when the last scan was taken
        self.silent_scans = dict.fromkeys(ALL, 0)  # that this life has taken since
        self.silent_s: dict[str, float | None] = dict.fromkeys(ALL)  # since when a reading cannot be known
        self.told: list[PhoneMessage] = []
        self.asked: dict[str, bool] = {}  # requests of the office -> whether it must be answered without asking again
        self.answers: dict[str, bytes] = {}
        self._told_ahead: list[Event] = []
        self.remembered: set[bytes] = set()  # all that engines have made to be kept
        self.alive = False
        self.hung_since_s: float | None = None
        self.reopen_s = 0.0
        self.stream, self.ledger = Stream("office", self.breaks), Ledger()
        self.phones = PhoneRecord(self.breaks)
        self.broker = Broker(self.clock, self.rng, self.note)
        self.service_of_phones = PhoneService()
        self.disk = Disk(self.home, self.rng, self._dark)
        self._heard = 0
        self._base = {"threads": threading.active_count(), "descriptors": len(os.listdir("/proc/self/fd"))}
        self._stack = ExitStack()
        self._stack.enter_context(beneath(self.disk, self.clock, random.Random(f"{seed}/lots")))
        self._begin()
        self.reader = History(self.home / "h.db", keep=self.keep, clock=self.clock, wall=self.machine_wall)
        self.browser = browser(PageContext(self.reader, self.settings, Access(folder / "access"), self.machine_wall))

    # ------------------------------------------------------------ what is written down

    def note(self, text: str) -> None:
        """A line of the log."""
        self.log.append(f"{self.clock():.3f} {text}".replace(str(self.folder), ""))

    def breaks(self, promise: str) -> None:
        """A promise that was not kept."""
        self.note(f"BROKEN {promise}")
        self.broken.append(f"{self.clock():g} s: {promise}")

    def digest(self) -> str:
        """One word for all that happened and all that was told."""
        return hashlib.sha256("\n".join(self.log).encode()).hexdigest()

    # ------------------------------------------------------------ what a storm on other wires has otherwise

    def _clock(self) -> VirtualClock:
        return VirtualClock(1000.0)

    def _boards(self) -> BoardReader:
        return Wires(self)

    def _senses(self) -> tuple[str, ...]:
        return ALL

    def _idle(self, seconds: float) -> None:
        self.clock.sleep(seconds)

    # ------------------------------------------------------------ lives of the program

    @property
    def keep(self) -> config.HistorySettings:
        """Where the history is, and its live file."""
        return config.HistorySettings(file=str(self.home / "h.db"), live_dir=str(self.home / "live"))

    @property
    def settings(self) -> config.Settings:
        """The site file's."""
        return config.Settings(
            site=config.Site(id=SITE),
            unit=UNIT,
            senses=config.SensorSettings(fitted=self._senses()),
            history=self.keep,
            boards=config.BoardSettings(scan_s=SCAN_S),
            mqtt=config.Mqtt(host="played", version="3.1.1" if self.seed % 5 == 4 else "5"),
            notify=config.Notify(
                daily_silence_check=True, silence_check_at="02:00", quiet_from="22:00", quiet_to="01:30"
            ),
        )

    def _begin(self) -> None:
        """A life of the program."""
        self.born_s, self.first_seen_s, self.silent_scans = self.clock(), inf, dict.fromkeys(ALL, 0)
        settings = self.settings
        left = on_disk.read(self.home / "h.db", self.remembered, self.home / "live")
        self.history = History(
            self.keep.file,
            owner=True,
            keep=self.keep,
            clock=self.clock,
            wall=self.machine_wall,
            background=lambda work: work(),
        )
        self.boards = self._boards()
        self.phone = SteppedPhone(settings, self)
        self.mqtt = SteppedBroker(settings, self.clock, self.broker)
        self.publishers: tuple[Killable, ...] = (self.mqtt, self.phone)
        self.service = Service(
            *(settings, self.boards, self.history, self.publishers),
            clock=self.clock,
            sleep=lambda seconds: None,
            wall=self.wall,
            watchdog=ServiceWatchdog(""),
        )
        self._listen(self.service)
        self.alive = True
        self._hold_memory(left)
        if self.ledger.spoilt and self.history.origin not in self.stream.begun:
            for names in (self.stream.harmed, self.stream.spoilt):
                names.add(self.history.origin)  # read from a damaged file, it may be spoilt itself
        self.stream.begun.add(self.history.origin)
        self.lives += 1
        self.note(f"begun: {self.history.origin}, run {self.history._owned().run}")

    def _hold_memory(self, left: OnDisk) -> None:
        """What the disk held, this life knows: nothing is forgotten without a damage that the disk shows."""
        status = self.service.engine.status()
        standing = {found.name for found in status.findings}
        alerts = {alert.finding: alert.state.value for alert in status.alerts}
        missing = left.standing - standing
        other = {name: state for name, state in left.alerts.items() if name in alerts and alerts[name] != state}
        gone = {name for name, state in left.alerts.items() if name not in alerts and state != "out-of-service"}
        forgot = self.history.memory() is None or bool(self.service.engine.memory_refused) or missing or other or gone
        if forgot and left.memory is not None and not left.damages:
            why = self.service.engine.memory_refused
            self.breaks(f"forgotten without a damage: {why} findings {missing}, alerts {other} {gone}")
        for what in left.wrong:
            self.breaks(what)
        if forgot or left.damages:
            self.stream.restarted.add((self.history.origin, self.history._owned().run))
            self.phones.forget()

    def _listen(self, service: Service) -> None:
        """What the engine brings is entered in the ledger, and what it remembers is known."""
        evaluate, request, step = service._evaluate, service._request, service.history.step

        def judged(*given: Any) -> list[Event]:
            found = evaluate(*given)
            self.ledger.brought(found)
            return found

        def requested(one: Request, wall_s: float | None) -> tuple[Answer, Sequence[Event]]:
            answer, found = request(one, wall_s)
            self.ledger.brought(found)
            return answer, found

        def kept(*, memory: Callable[[], bytes], **more: Any) -> bool:
            def made() -> bytes:
                body = memory()
                self.remembered.add(body)
                return body

            return step(memory=made, **more)

        service._evaluate, service._request = judged, requested  # type: ignore[method-assign, assignment]
        service.history.step = kept  # type: ignore[method-assign]

    def wall(self) -> float | None:
        """Seconds since 1970, right or wrong; None while the machine does not know."""
        return self.began_at_s + self.clock() + self.wall_off_s if self.clock_known else None

    def machine_wall(self) -> float:
        """What the machine's clock says."""
        return self.wall() or self.clock()

    def restart(self) -> None:
        """An orderly end and a new start."""
        self._note_forgetting()
        self.alive = False
        self.service.close()
        self.broker.pump(self.clock())
        self._hear()
        self.ledger.cut()
        self._begin()

    def _note_forgetting(self) -> None:
        """What was told while the disk took nothing is known to nobody in the next life, and may be told again."""
        keeper = self.history._owned()
        if keeper.held or keeper.held_requests or keeper.failed_s is not None or self._told_ahead:
            self.phones.cut()
            self.ledger.cut()
            # Told under the mark of this life, and on the disk all the same, where it would not even undo a line.
            self.ledger.may.update(event_facts(body) for body in (*self._held_events(), *self._told_ahead))
            self.stream.forget()
            self._ask_again()
        self._told_ahead.clear()

    def _held_events(self, *, told: bool = False) -> list[Event]:
        """What waits for the disk; of it what was `told` before."""
        rows = [row for row in self.history._owned().held.rows if not told or "." in id_origin(row.id, row.seq)]
        return [row.body for row in rows if not isinstance(row.body, Answer)]

    def _ask_again(self) -> None:
        self.asked = dict.fromkeys(self.asked, False)

    # ------------------------------------------------------------ cuts

    def _dark(self) -> None:
        """The cut: from here on nothing leaves the machine. What the program does yet may be lost."""
        self.broker.dark = True
        self._told_ahead = self._held_events(told=True)

    def cut(self, *, power: bool, at: int, dead_s: float = 0.0) -> None:
        """At the so manieth statement from now (before any, for 0), dead for so long."""
        self.reopen_s = dead_s
        self.disk.arm(at, power=power)
        if at == 0:
            self.disk.cut()
            self._die()

    def _die(self) -> None:
        """The process is gone; another begins on what the disk holds."""
        self.cuts["lying disk" if self.disk.lied else "power" if self.disk.power else "kill -9"] += 1
        self.note(f"cut: {'power' if self.disk.power else 'kill -9'}, dead for {self.reopen_s:g} s")
        self._note_forgetting()
        self.phones.cut()
        self.ledger.cut()
        self.alive = False
        line = self.broker.line
        for publisher in self.publishers:
            publisher.kill()
        self.broker.dark = False
        if not self.disk.power:
            self.broker.cut()  # the system closes a killed process's sockets
        elif line is not None:
            line.gone = True  # nobody tells the broker
        self.history.close()
        forget_held(self.keep)
        self.boards.close()
        self.disk.restore()
        self._pass(self.reopen_s)
        self._begin()
        if self.disk.image is not None:
            self._die()

    def _lying_disk(self, steps: int) -> None:
        """For so many steps the disk says that it has everything, and then the power goes: it has nothing of it. What
        was told in them is told; what was not is lost; no number is given out a second time."""
        if self.disk.state != "sound" or self.disk.armed or self.history._owned().held:
            return
        left, must = self.disk.files(), Counter(self.ledger.must)
        for _ in range(steps):
            self._step()
        self.reopen_s = 0.0
        self.disk.arm(0, power=True)
        self.disk.lose(left)
        lost, self.ledger.must = self.ledger.must - must, must
        self.ledger.may.update(lost)
        self.stream.forget()
        self.phones.forget()
        self._ask_again()
        self._die()

    # ------------------------------------------------------------ what the wires say

    def scan(self) -> Scan:
        t_s = self.clock() - self.born_s
        if self.blind_left > 0 and self.blind_how == "raise":
            raise OSError(5, "the bus fails")
        if self.blind_left > 0 and self.blind_how == "hang":
            self.blind_left = 0
            self._pass(self.rng.choice((10.0, 50.0, 90.0)))
            raise TimeoutError(110, "the bus hung")
        if self.blind_left > 0:
            self._silence(ALL, ())
            self._seen()
            return Scan(t_s=t_s, wall_s=self.wall())
        said = dict(self.readings)
        if self.odd_left > 0:
            name = self.rng.choice(ALL)
            said[name] = None if self.rng.random() < 0.5 else (REST if said[name] == RUN[name] else RUN)[name]
        if self.deaf_left > 0:
            said[self.deaf_name] = None
        self._silence((self.deaf_name,) if self.deaf_left > 0 else (), ALL)
        self._seen()
        return Scan(t_s=t_s, wall_s=self.wall(), **said)

    def _seen(self) -> None:
        self.seen_s = self.clock()
        self.first_seen_s = min(self.first_seen_s, self.seen_s)

    def _silence(self, silent: tuple[str, ...], of: tuple[str, ...]) -> None:
        for name in of:
            if name not in silent:
                self.silent_s[name], self.silent_scans[name] = None, 0
        for name in silent:
            self.silent_scans[name] += 1
            self.silent_s[name] = self.clock() if self.silent_s[name] is None else self.silent_s[name]

    # ------------------------------------------------------------ the storm

    def play(self) -> None:
        """Misfortunes for `steps` steps, then calm until everything is delivered."""
        for _ in range(self.steps):
            self._misfortune()
            self._step()
        self._calm()
        for turn in range(200):
            self._step()
            if turn > 15 and self._settled():
                return

    def _calm(self) -> None:
        """The storm is over; the office asks again for what it may have missed the answer to."""
        self.note("calm")
        self.blind_left = self.odd_left = self.deaf_left = self.wild_left = 0
        self.service_of_phones.down = self.service_of_phones.hanging = False
        self.broker.turn("sound")
        if self.disk.state != "sound":
            self.disk.state = "sound"
        self.readings, self.clock_known = REST, True
        for tag, sure in self.asked.items():
            if not sure and tag not in self.answers:
                self._ask(tag)

    def _settled(self) -> bool:
        health = self.history.health()
        return (
            not health.held
            and all(not publisher.waiting for publisher in health.publishers.values())
            and self.phone.settled()
            and self.asked.keys() <= self.answers.keys()
            and self._said() == ONLINE
        )

    def misfortunes(self) -> tuple[Misfortune, ...]:
        """What may happen before a step: (probability, name, act)."""
        chance = self.rng
        return (
            (0.040, "world", self._turn_world),
            (0.006, "flood of changes", lambda: setattr(self, "wild_left", 15)),
            (0.012, "blind", self._blind),
            (0.008, "odd", lambda: setattr(self, "odd_left", chance.choice((1, 1, 2, 10)))),
            (0.008, "one sense silent", self._deafen),
            *self._edge_misfortunes(),
            (0.008, "phone down", self._phone_down),
            (0.008, "phone hangs", self._phone_hangs),
            (0.004, "lying disk", lambda: self._lying_disk(chance.choice((1, 3, 10)))),
        )

    def _edge_misfortunes(self) -> tuple[Misfortune, ...]:
        """Those that no wire has a part in."""
        chance = self.rng
        return (
            (0.030, "broker", lambda: self._mood(chance.choice(MOODS))),
            (0.020, "broker sound", lambda: self._mood("sound")),
            (0.005, "line breaks", self.broker.cut),
            (0.006, "power cut", lambda: self.cut(power=True, at=chance.choice((0, 1, 3, 10, 20, 40)))),
            (0.006, "kill -9", lambda: self.cut(power=False, at=chance.choice((0, 1, 3, 10, 20, 40)))),
            (0.002, "long dead", lambda: self.cut(power=True, at=0, dead_s=chance.choice((20.0, 100.0, 4000.0)))),
            (0.004, "restart", self.restart),
            (0.006, "wall clock", self._step_wall),
            (0.004, "clock known", lambda: setattr(self, "clock_known", True)),
            (0.006, "disk fails", lambda: setattr(self.disk, "state", chance.choice(MOODS_OF_DISK))),
            (0.016, "disk sound", lambda: setattr(self.disk, "state", "sound")),
            (0.002, "damage", self._damage),
            (0.002, "damaged at start", self._cut_and_damage),
            (0.002, "file gone", self._remove),
            (0.002, "live file damaged", lambda: self.disk.spoil(self.history._live.path)),
            (0.008, "requests here", self._flood_here),
            (0.010, "requests", lambda: self._flood(chance.choice((1, 3, 10)))),
            (0.003, "flood of requests", lambda: self._flood(chance.choice((120, 250)))),
            (0.002, "flood of nonsense", lambda: self._nonsense(100)),
            (0.003, "flood of resends", lambda: self._resends(80)),
        )

    def _misfortune(self) -> None:
        self._rolled += 1
        self.rng.seed(f"{self.seed}/{self._rolled}")  # one that is left out changes none of the others
        if self.wild_left > 0:
            self.wild_left -= 1
            self._turn_world()
        roll = self.rng.random()
        for share, name, act in self.misfortunes():
            if roll < share:
                if self._rolled in self.without:
                    return
                self.happened.append((self._rolled, name))
                self.note(name)
                act()
                return
            roll -= share

    def _turn_world(self) -> None:
        self.readings = self.rng.choice(WORLDS)

    def _blind(self) -> None:
        self.blind_left, self.blind_how = self.rng.choice((1, 3, 20, 45)), self.rng.choice(("raise", "none", "hang"))

    def _deafen(self) -> None:
        self.deaf_left, self.deaf_name = self.rng.choice((10, 45)), self.rng.choice(ALL)

    def _phone_down(self) -> None:
        self.service_of_phones.down = not self.service_of_phones.down

    def _phone_hangs(self) -> None:
        self.service_of_phones.hanging = not self.service_of_phones.hanging

    def _mood(self, mood: str) -> None:
        self.note(f"broker is {mood}")
        self.broker.turn(mood)

    def _step_wall(self) -> None:
        self.wall_off_s += self.rng.choice((-3600.0, 3600.0, 86400.0, -86400.0, 1.0))

    # ------------------------------------------------------------ damage

    def _harm(self, *, spoilt: bool = True) -> None:
        """What the file holds beyond the receiver's cursor may be lost with it, or `spoilt`, and what was told told
        again."""
        names = self.stream.begun | {self.history.origin}  # a life that could not open it does not know which
        self.stream.harmed |= names
        self.stream.spoilt |= names if spoilt else set()
        self.stream.forget()
        self.phones.forget()
        self.ledger.harmed(spoilt=spoilt)
        self.asked.clear()  # answers given before may be damaged: the office gives these up

    def _damage(self) -> None:
        self._harm()
        self.disk.spoil(self.home / "h.db")

    def _cut_and_damage(self) -> None:
        self._harm()
        self.alive = False
        self.service.close()
        self.broker.pump(self.clock())
        self._hear()
        self._harm()
        self.disk.spoil(self.home / "h.db")
        self._begin()

    def _remove(self) -> None:
        self._harm(spoilt=False)
        with self.disk.by_hand():
            for end in ("", "-wal", "-shm"):
                (self.home / f"h.db{end}").unlink(missing_ok=True)

    # ------------------------------------------------------------ requests

    def _request(self, tag: str) -> Request:
        kind = self.rng.choice(list(RequestKind))
        finding = self.rng.choice(("call-without-pull-in", "line-supply-lost", "no-such-finding"))
        return Request(
            id=tag, request=kind, by="storm", finding=finding, hours=self.rng.choice((None, 0.1, 2.0, 900.0))
        )

    def _flood_here(self) -> None:
        """At the page."""
        for _ in range(self.rng.choice((1, 5, 30, 150))):
            self.history.add_request(self._request(f"r{self.rng.getrandbits(48):x}"))
        waiting = len(self.history.requests())
        self._bound("requests waiting in all", waiting)

    def _flood(self, count: int) -> None:
        """At the broker; some of it is nonsense, and some asks for old rows again."""
        for _ in range(count):
            lot = self.rng.random()
            if lot < 0.1:
                self._nonsense(1)
            elif lot < 0.15:
                self._resend(self.rng.randrange(1, 50), 20)
            else:
                tag = f"q{self.rng.getrandbits(48):x}"
                self.asked[tag] = count <= 10 and self.disk.state == "sound" and not self.disk.armed
                self._ask(tag)
        if count > 10:
            self._ask_again()

    def _nonsense(self, count: int) -> None:
        for _ in range(count):
            self.broker.ask("", REQUESTS, self.rng.choice(_JUNK), retain=self.rng.random() < 0.3)

    def _resends(self, count: int) -> None:
        """While receipts are slow to come."""
        self._mood(self.rng.choice(("withholding", "slow")))
        for _ in range(count):
            self._resend(1, 1000)

    def _resend(self, first: int, many: int) -> None:
        order = {"id": "again", "request": "resend", "topic": "events", "from_seq": first, "to_seq": first + many}
        self.broker.ask("", REQUESTS, msgspec.json.encode(order))

    def _ask(self, tag: str) -> None:
        self.broker.ask(tag, REQUESTS, msgspec.json.encode(self._request(tag)))

    # ------------------------------------------------------------ a step, and what happens meanwhile

    def _step(self) -> None:
        began_s = self.clock()
        self.service.step()
        self._scanned(began_s)
        self._settle_accounts()
        if self.disk.image is None:
            self._pass(began_s + SCAN_S - self.clock())
        if self.disk.armed and self.disk.image is None:
            self.disk.cut()
        if self.disk.image is not None:
            self._die()
        self.blind_left, self.odd_left = max(0, self.blind_left - 1), max(0, self.odd_left - 1)
        self.deaf_left = max(0, self.deaf_left - 1)

    def _scanned(self, began_s: float) -> None:
        """A step that began then is over."""

    def _settle_accounts(self) -> None:
        """What the step brought is on the disk, or it is not."""
        keeper = self.history._owned()
        self.stream.begun.add(self.history.origin)
        self.stream.run = keeper.run
        if self.disk.image is None and not keeper.held.rows:
            self.ledger.committed()

    def _pass(self, seconds: float) -> None:
        """Time passes: publishers, broker and onlookers have their turns."""
        until_s = self.clock() + seconds
        while (left_s := until_s - self.clock()) > 1e-9:
            slice_s = SLICE_S if left_s < 200.0 else 20.0
            self._idle(min(slice_s, left_s))
            self._send_due()
        self._watch()

    def _send_due(self) -> None:
        for publisher in self.publishers if self.alive and self.disk.image is None else ():
            publisher.move()
        self.broker.pump(self.clock())
        self._hear()

    def _hear(self) -> None:
        """What has come to the office, as it comes."""
        new, self._heard = self.broker.heard[self._heard :], len(self.broker.heard)
        for one in new:
            self.note(f"heard {one.channel} {one.payload.decode()}")
            self._take(one)

    def _take(self, one: Heard) -> None:
        if one.channel in ("events", "cycles"):
            body = msgspec.json.decode(one.payload)
            self.stream.take(Item(one.channel, body["seq"], body["id"], body["run"], body))
        elif one.channel == "answers":
            tag = msgspec.json.decode(one.payload)["id"]
            if self.answers.setdefault(tag, one.payload) != one.payload and self.asked.get(tag):
                self.breaks(f"two answers to {tag}")

    def take_message(self, message: PhoneMessage, items: Sequence[tuple[str, str]] = ()) -> None:
        """The phone's service took a message about these (kind, episode)."""
        if not self.broker.dark:
            for kind, episode in items:
                self.phones.take(kind, episode)
            self.told.append(message)
            self.note(f"phone {msgspec.json.encode(message).decode()}")

    # ------------------------------------------------------------ what must hold at each step

    def _watch(self) -> None:
        """Nothing of what cannot be known looks alive; a blind monitor says so; what is kept stays bounded."""
        if self.disk.image is not None:
            return
        self._watch_page()
        self._watch_availability()
        if self.alive:
            self._watch_senses()
            self._watch_phone()
            self._watch_bounds()

    def _blind_since_s(self) -> float:
        """Since when nobody has seen the unit; a life just begun has a minute to."""
        return max(self.seen_s, self.born_s) if self.alive else self.seen_s

    def _watch_page(self) -> None:
        """The page says that it is blind when nothing was seen for longer than it may believe."""
        unseen_s = self.clock() - self.seen_s
        if unseen_s < BLIND_S and self.rng.random() > 0.1:
            return
        answer = msgspec.json.decode(self.browser.get("/api/v1/status").data)
        if unseen_s > self.settings.stale_s + SLACK_S and not answer["blind"]:
            self.breaks(f"nothing seen for {unseen_s:g} s, and the page believes a status {answer['age_s']} s old")
        if not answer["blind"] and self.alive:
            self._hold_silent(msgspec.convert(answer["status"], UnitStatus), "page")

    def _said(self) -> str:
        found = self.broker.retained.get("availability")
        return OFFLINE if found is None else found.payload.decode()

    def _watch_availability(self) -> None:
        """A minute after the last scan the broker tells everybody that the monitor is not there, or blind; the line's
        own troubles have their minute first."""
        now_s = self.clock()
        since_s = max(self._blind_since_s(), self.broker.mood_s)
        if self.broker.mood == "withholding":
            return  # what is said then waits behind what has no receipt, until the line is given up
        # A slow line takes up to so long for each message, and what is in flight is ahead of what is said now.
        behind_s = SLOWEST_S * limits.PUBLISHERS.in_flight.value if self.broker.mood == "slow" else 0.0
        if now_s - since_s > BLIND_S + SLACK_S + behind_s and self._said() != OFFLINE:
            self.breaks(f"unseen since {self._blind_since_s():g} s, and the broker still says {self._said()}")

    def _watch_senses(self) -> None:
        status, age_s = self.history.status(), self.history.status_age_s()
        if status is None or age_s is None or age_s > BLIND_S:
            return
        if age_s < self.clock() - self.seen_s - SLACK_S:
            self.breaks(f"told as {age_s:g} s old, seen at {self.seen_s:g} s")
        self._hold_silent(status, "status")

    def _hold_silent(self, status: UnitStatus, where: str) -> None:
        """What cannot be known is missing, dead to nobody, and after a minute said to be silent; a life knows of none
        before its first scan."""
        silent = {
            name
            for name, since_s in self.silent_s.items()
            if since_s is not None and self.seen_s - max(since_s, self.first_seen_s) > self._blind_most_s()
        }
        judged = {name for name in silent if self.silent_scans[name] >= SILENT_SCANS}
        shown = {name: status.readings[name] for name in sorted(silent) if status.readings.get(name) is not None}
        links = [one for one in status.links if one.sense in silent and not one.inferred]
        alive = [one.name for one in links if one.state is LinkState.LIVE]
        if shown or alive:
            self.breaks(f"{where}: {sorted(silent)} silent, yet {shown} {alive}")
        if judged and not any(found.name == "sensor-silent" for found in status.findings):
            self.breaks(f"{where}: {sorted(judged)} silent, and nobody says so")

    def _blind_most_s(self) -> float:
        """A minute, and three scans."""
        return BLIND_S + SLACK_S

    def _watch_phone(self) -> None:
        """A service that hangs is said on the health page within a minute of the first message it did not take."""
        hangs = self.phone._sending or (self.service_of_phones.hanging and self.hung_since_s is not None)
        if not hangs or self.phone.settled():
            self.hung_since_s = None
            return
        self.hung_since_s = self.hung_since_s or self.clock()
        late = self.clock() - max(self.hung_since_s, self.born_s) > BLIND_S + SLACK_S
        said = self.history.health().publishers.get("phone")
        if late and said is not None and not said.error:
            self.breaks("the phone's service hangs and nobody says so")

    def _watch_bounds(self) -> None:
        keeper = self.history._owned()
        self._bound("rows held", len(keeper.held.rows))
        self._bound("requests waiting", len(keeper.held_requests))
        self._bound("items for the broker", self.mqtt.queue())
        self._bound("refusals remembered", len(self.mqtt._refusals))
        self._bound("alarms planned", self.phone.queue())
        self._bound("threads", threading.active_count() - self._base["threads"])
        if self.rng.random() < 0.05:
            files = [path for path in self.home.rglob("*") if path.is_file()]
            sizes = {path.name: path.stat().st_size for path in files}
            self._bound("files", len(files))
            self._bound("history, bytes", sum(sizes.get(name, 0) for name in ("h.db", "h.db-wal")))
            self._bound("live, bytes", sum(path.stat().st_size for path in files if path.parent.name == "live"))
            self._bound("descriptors", len(os.listdir("/proc/self/fd")) - self._base["descriptors"])
            self._bound("engine's memory, bytes", len(self.service.engine.memory()))

    def _bound(self, what: str, found: float) -> None:
        if found > MOST[what]:
            self.breaks(f"{what}: {found:g} of {MOST[what]:g}")

    # ------------------------------------------------------------ the end

    def check(self) -> list[str]:
        """What was promised and not kept; empty when all was."""
        health = self.history.health()
        rows = {publisher.name: len(self.history.outbox(publisher.name, begin=True)) for publisher in self.publishers}
        if health.held or any(rows.values()):  # rows that damage has spoilt count as waiting, and nobody can have them
            self.breaks(f"not everything arrived: {health.publishers} {health.disk_error} {health.notes}")
        self.ledger.judge(self.stream, all_of_it=True)
        if missing := [tag for tag in self.asked if tag not in self.answers]:
            self.breaks(f"never answered: {missing[:5]}")
        if not self.phone.settled():
            self.breaks("the phone was not told everything")
        self.phones.judge(self.phone.believed(), self._urgent())
        if self._said() != ONLINE:
            self.breaks("all is well, and the broker says offline")
        return self.broken

    def _urgent(self) -> list[str]:
        """Episodes in the last status that nobody may have been left without a word of."""
        status = self.history.status()
        if status is None or status.service_until_wall_s is not None:
            return []
        return [
            one.id
            for one in status.episodes
            if one.severity is Severity.URGENT
            and one.state is EpisodeState.ACTIVE
            and one.answered_by is None
            and one.snoozed_until_wall_s is None
        ]

    def close(self) -> None:
        """Let go of the files."""
        if self.alive:
            self.service.close()
        self.reader.close()
        self.broker.cut()
        self._stack.close()


@cache
def _page() -> Flask:
    with tempfile.TemporaryDirectory() as folder:
        return create_app(Path(folder) / "none.db", config.Settings(unit=UNIT), access_file=Path(folder) / "access")


def browser(window: PageContext) -> FlaskClient:
    """Who looks at the shipped page of this window. Its routes are made once for all storms of a process."""
    page = _page()
    page.extensions["window"] = window
    return page.test_client()


AnyStorm = TypeVar("AnyStorm", bound=Storm)


def played(storm: AnyStorm) -> AnyStorm:
    """The storm, played to its end, checked and closed."""
    try:
        storm.play()
        storm.check()
    finally:
        storm.close()
    return storm


def run(seed: int, folder: Path, steps: int = 110) -> Storm:
    """One whole storm, checked."""
    return played(Storm(seed, folder, steps))
