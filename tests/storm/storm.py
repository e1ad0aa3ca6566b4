"""The whole program in deterministic time under seeded misfortune: power cuts, a disk that fails, senses that hang,
receivers that are down, slow or forgetful, a wall clock that steps, floods of requests. Same seed, same run.

Real: engine, judgement, alerts, history on a real file, the outlet's cursor and order, the service's step. Simulated:
the wires (scans of a plain unit that breaks and is mended), time, and whoever receives the events.
"""

from __future__ import annotations

import hashlib
import random
import shutil
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from monitor import config
from monitor.errors import BrokerError
from monitor.history.file import History
from monitor.history.kept import Kept
from monitor.outlets.base import EventOutlet
from monitor.outlets.messages import id_origin
from monitor.records import (
    AlertChange,
    Change,
    Event,
    LinkState,
    Request,
    RequestKind,
    Scan,
    StartTransient,
    UnitStatus,
)
from monitor.service import Boards, Service, Watchdog
from sim.bus import VirtualClock
from tests.monitor.units import ALL, REST, RUN, UNIT, but

WALL_0_S = 1_784_000_000.0
SCAN_S = 2.0
BLIND_S = 60.0 + 3 * SCAN_S
Misfortune = tuple[float, str, Callable[[], object]]
NO_PULL = but(RUN, load=False, coil_a=0.0, compressor_a=0.0, fan_a=0.0)
WORLDS: tuple[dict[str, Any], ...] = (
    *(REST, RUN, RUN, NO_PULL, but(RUN, fan_a=0.0), but(RUN, compressor_a=0.0)),
    *(but(RUN, control_v=19.0), but(REST, thermostat=True), but(REST, control_power=False)),
    but(RUN, supply=False, load=False, compressor_a=0.0, fan_a=0.0),
    but(REST, load=True, compressor_a=9.0, fan_a=1.0),
)


class Receiver(EventOutlet):
    """An outlet turned by hand; it may refuse, or take a row and lose the receipt, so that the row comes again."""

    name = "receiver"
    begin = True

    def __init__(self, rng: random.Random, clock: Callable[[], float], got: list[Kept]) -> None:
        super().__init__(clock=clock)
        self.rng, self.got = rng, got
        self.down = self.forgetful = False

    def start(self, history: History) -> None:
        self.history = history
        history.join(self.name, begin=self.begin)

    def close(self) -> None:
        """No thread to end."""

    def deliver(self, kept: Kept, status: UnitStatus | None) -> None:
        if self.down:
            raise BrokerError("receiver", "down", "up")
        self.got.append(kept)
        if self.forgetful and self.rng.random() < 0.3:
            raise BrokerError("receiver", "took the row, lost the receipt", "both")

    def pump(self) -> None:
        """Turn until nothing waits or something fails."""
        for _ in range(1000):
            try:
                if self.turn() > 0:
                    return
            except BrokerError:
                return


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
    """One seeded run in `folder`. `play()` runs it to a calm end; `check()` holds it against the promises."""

    def __init__(self, seed: int, folder: Path, steps: int = 240) -> None:
        self.rng = random.Random(seed)
        self.folder, self.steps = folder, steps
        self.clock = self._clock()
        self.wall_off_s = 0.0
        self.readings: dict[str, Any] = REST
        self.blind_left = self.odd_left = 0
        self.blind_since_s: float | None = None
        self.got: list[Kept] = []
        self.forgotten: list[int] = []
        self.damaged: set[str] = set()  # numberings of which a damaged file held what nobody had been told
        self.anew: set[tuple[str, int]] = set()  # (numbering, run) begun without the memory of the one before
        self.log: list[str] = []
        self.life = 0
        self.broken: list[str] = []
        self._begin(folder / "life-0")

    @property
    def true_s(self) -> float:
        """The time that nothing in a storm can move but time itself, s."""
        return self.clock()

    # ------------------------------------------------------------ what a storm on other wires has otherwise

    def _clock(self) -> VirtualClock:
        return VirtualClock()

    def _boards(self, settings: config.Settings) -> Boards:
        return Wires(self)

    def _outlets(self, settings: config.Settings) -> tuple[EventOutlet, ...]:
        self.receiver = Receiver(self.rng, self.clock, self.got)
        return (self.receiver,)

    def _settings(self, keep: config.History) -> config.Settings:
        return config.Settings(unit=UNIT, senses=config.Senses(fitted=ALL), history=keep)

    # ------------------------------------------------------------ lives of the program

    def _begin(self, home: Path) -> None:
        home.mkdir(parents=True, exist_ok=True)
        self.home, self.born_s = home, self.true_s
        keep = config.History(file=str(home / "h.db"), live_dir=str(home / "live"))
        settings = self._settings(keep)
        self.history = History(keep.file, owner=True, keep=keep, clock=self.clock, wall=self.machine_wall)
        self.service = Service(
            settings,
            self._boards(settings),
            self.history,
            self._outlets(settings),
            clock=self.clock,
            sleep=lambda seconds: None,
            wall=self.wall,
            watchdog=Watchdog(""),
        )

    def wall(self) -> float:
        return WALL_0_S + self.true_s + self.wall_off_s

    def machine_wall(self) -> float:
        """What the machine's clock says, right or wrong."""
        return WALL_0_S + self.true_s + self.wall_off_s

    def power_cut(self) -> None:
        """What the disk holds at this instant is all that the next life has; the memory file system is gone."""
        self._note_forgetting()
        self.life += 1
        home = self.folder / f"life-{self.life}"
        home.mkdir()
        for part in ("h.db", "h.db-wal"):
            if (self.home / part).exists():
                shutil.copy(self.home / part, home / part)
        self.history.close()
        self._begin(home)

    def restart(self) -> None:
        """An orderly end and a new start."""
        self._note_forgetting()
        self.service.close()
        self._begin(self.home)

    def _note_forgetting(self) -> None:
        """What was told while the disk took nothing is known to nobody in the next life, and may be told again."""
        if self.history.health().held:
            self.forgotten.append(len(self.got))

    # ------------------------------------------------------------ what the wires say

    def scan(self) -> Scan:
        t_s = self.true_s - self.born_s
        if self.blind_left > 0:
            if self.rng.random() < 0.5:
                raise OSError(5, "the bus hangs")
            return Scan(t_s=t_s, wall_s=self.wall())
        said = dict(self.readings)
        if self.odd_left > 0:
            name = self.rng.choice(ALL)
            said[name] = None if self.rng.random() < 0.5 else (REST if said[name] == RUN[name] else RUN)[name]
        return Scan(t_s=t_s, wall_s=self.wall(), **said)

    # ------------------------------------------------------------ the storm

    def play(self) -> None:
        """Misfortunes for `steps` steps, then calm until everything is delivered."""
        for _ in range(self.steps):
            self._misfortune()
            self._step()
        self._calm()
        for _ in range(60):
            self._step()

    def _calm(self) -> None:
        """The storm is over."""
        self.blind_left = self.odd_left = 0
        self.receiver.down = self.receiver.forgetful = False
        self._disk(sound=True)
        self.readings = REST

    def misfortunes(self) -> tuple[Misfortune, ...]:
        """What may happen before a step: (probability, name, act)."""
        return (
            (0.030, "world", self._turn_world),
            (0.008, "blind", lambda: setattr(self, "blind_left", self.rng.choice((1, 3, 20, 45)))),
            (0.010, "odd", lambda: setattr(self, "odd_left", self.rng.choice((1, 1, 2, 10)))),
            (0.010, "receiver down", lambda: setattr(self.receiver, "down", not self.receiver.down)),
            (0.010, "forgetful", lambda: setattr(self.receiver, "forgetful", not self.receiver.forgetful)),
            (0.008, "power cut", self.power_cut),
            (0.005, "restart", self.restart),
            (0.008, "wall clock", self._step_wall),
            (0.008, "disk", lambda: self._disk(sound=self.rng.random() < 0.6)),
            (0.010, "requests", self._flood),
        )

    def _misfortune(self) -> None:
        roll = self.rng.random()
        for share, name, act in self.misfortunes():
            if roll < share:
                self.log.append(f"{self.true_s:g} {name}")
                act()
                return
            roll -= share

    def _turn_world(self) -> None:
        self.readings = self.rng.choice(WORLDS)

    def _step_wall(self) -> None:
        self.wall_off_s += self.rng.choice((-3600.0, 3600.0, 86400.0, -86400.0, 1.0))

    def _disk(self, *, sound: bool) -> None:
        """A disk that takes no more writes, by SQLite's own switch."""
        db = self.history._owned()._db
        if db is not None:
            db.execute(f"PRAGMA query_only = {0 if sound else 1}")

    def _flood(self) -> None:
        for _ in range(self.rng.choice((1, 5, 30))):
            kind = self.rng.choice(list(RequestKind))
            finding = self.rng.choice(("call-without-pull-in", "line-supply-lost", "no-such-finding"))
            hours = self.rng.choice((None, 0.1, 2.0, 1e6))
            request = Request(
                id=f"r{self.rng.getrandbits(48):x}", request=kind, by="storm", finding=finding, hours=hours
            )
            self.history.add_request(request)

    def _step(self) -> None:
        self.clock.sleep(SCAN_S)
        self.service.step()
        self.receiver.pump()
        self._watch_blindness()
        self.blind_left = max(0, self.blind_left - 1)
        self.odd_left = max(0, self.odd_left - 1)

    def _watch_blindness(self) -> None:
        """A blind monitor says so within a minute, and nothing of the unit looks alive meanwhile."""
        if self.blind_left <= 0:
            self.blind_since_s = None
            return
        self.blind_since_s = self.true_s if self.blind_since_s is None else self.blind_since_s
        if self.true_s - max(self.blind_since_s, self.born_s) < BLIND_S:
            return
        status, age_s = self.history.status(), self.history.status_age_s()
        fresh = age_s is not None and age_s <= BLIND_S
        alive = status is not None and any(link.state is LinkState.LIVE for link in status.links)
        if fresh and alive:
            self.broken.append(f"{self.true_s:g} s: blind, yet a link looks live")

    # ------------------------------------------------------------ the promises

    def check(self) -> list[str]:
        """What was promised and not kept; empty when all was."""
        first: dict[str, Kept] = {}
        for kept in self.got:
            if kept.id in first and first[kept.id].body != kept.body:
                self.broken.append(f"{kept.id} came with two bodies")
            first.setdefault(kept.id, kept)
        self._in_order(list(first.values()))
        self._without_gaps(first.values())
        self._in_turn()
        health = self.history.health()
        if health.held or any(outlet.waiting for outlet in health.outlets.values()):
            self.broken.append(f"not everything arrived: {health}")
        return self.broken

    def _in_order(self, rows: Sequence[Kept]) -> None:
        newest: dict[tuple[str, str], int] = {}
        for kept in rows:
            origin = id_origin(kept.id, kept.seq)
            if "." in origin:
                continue  # told while the disk was failing: marked, and outside the row
            last = newest.get((origin, kept.topic))
            if last is not None and kept.seq <= last:
                self.broken.append(f"{kept.id} came after {last}")
            newest[origin, kept.topic] = kept.seq

    def _without_gaps(self, rows: Iterable[Kept]) -> None:
        """Of each numbering everything came, from the first on; a mark in the id says only when it was told."""
        numbers: dict[tuple[str, str], set[int]] = {}
        for kept in rows:
            origin = id_origin(kept.id, kept.seq).partition(".")[0]
            numbers.setdefault((origin, kept.topic), set()).add(kept.seq)
        for (origin, topic), seen in numbers.items():
            missing = set(range(1, max(seen) + 1)) - seen
            if missing and origin not in self.damaged:
                self.broken.append(f"{origin} {topic}: {sorted(missing)[:5]} never came")

    def _in_turn(self) -> None:
        """Each finding is raised, revised and cleared strictly in turn; afresh after a cut that forgot something."""
        seen: set[str] = set()
        standing: dict[str, bool] = {}
        anew = set(self.anew)
        for place, kept in enumerate(self.got):
            life = (id_origin(kept.id, kept.seq).partition(".")[0], kept.run)
            if place in self.forgotten or life in anew:
                anew.discard(life)
                standing.clear()
            if kept.id in seen or not isinstance(kept.body, Change):
                continue
            seen.add(kept.id)
            change, finding = kept.body.change, kept.body.finding
            if standing.get(finding, change != "raised") is (change == "raised"):
                self.broken.append(f"{finding} {change} out of turn, {kept.body.t_s:g} s, {kept.id}")
            standing[finding] = change != "cleared"

    def digest(self) -> str:
        """One word for all that was received and all that happened."""
        told: list[Event] = [k.body for k in self.got if isinstance(k.body, Change | AlertChange)]
        return hashlib.sha256(msgspec.json.encode((self.log, told))).hexdigest()

    def close(self) -> None:
        """Let go of the files."""
        self.service.close()


AnyStorm = TypeVar("AnyStorm", bound=Storm)


def played(storm: AnyStorm) -> AnyStorm:
    """The storm, played to its end, checked and closed."""
    try:
        storm.play()
        storm.check()
    finally:
        storm.close()
    return storm


def run(seed: int, folder: Path, steps: int = 240) -> Storm:
    """One whole storm, checked."""
    return played(Storm(seed, folder, steps))
