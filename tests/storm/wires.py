"""Storms under the shipped drivers: the same program and the same promises as in storm.py, but its boards are the real
ones, on register-level chips, a bus and pins that fail as wires do; with a phone beside the receiver, in a place with
summer time, and with a disk that fills up or damages the file.

Further promises: what comes from a dead chip is missing within a minute, never a healthy value; the status is never
told younger than it is; what the wires tell truly is read truly; what is held and kept stays bounded.
"""

from __future__ import annotations

import hashlib
import random
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec

from hardware.boards import Boards
from monitor import config, limits
from monitor.errors import NotifyError
from monitor.outlets.base import STUCK, EventOutlet
from monitor.outlets.phone import Target
from monitor.outlets.phone_text import Message
from monitor.records import NUMBERS, LinkState, UnitStatus
from sim.bus import VirtualClock
from tests.monitor.units import ALL, REST, UNIT
from tests.storm.plant import ADDRESSES, ON_CHIP, Plant
from tests.storm.storm import SCAN_S, WORLDS, Misfortune, Storm, played

BLIND_S = 60.0
LOOK_S = 5.0  # how often somebody looks at the status, also while a scan hangs
SIZE_MOST = 4_000_000  # bytes of the history: a storm brings a few hundred rows
FULL_PAGES = 10
ZONE = ZoneInfo("America/Chicago")
# 2026-11-01T07:00:00Z is the end of summer time there, 2026-03-08T08:00:00Z its beginning; and an ordinary day
WALLS_0_S = (1_793_516_000.0 - 300, 1_772_956_800.0 - 300, 1_784_000_000.0)
TOLERANCE = {"control_v": 0.15, "coil_a": 0.02, "compressor_a": 0.15, "fan_a": 0.03, "outdoor_c": 0.5}


class Phone(Target):
    """The phone's outlet turned by hand; its service may refuse, or hang, and then nothing turns."""

    begin = True

    def __init__(self, storm: WireStorm, settings: config.Settings) -> None:
        super().__init__(settings, "fake://phone", send=self.take, wall=storm.wall, clock=storm.clock, zone=ZONE)
        self.storm = storm
        self.down = self.hanging = False

    def start(self, history: object) -> None:
        self.open(self.storm.history)
        self.storm.history.join(self.name, begin=self.begin)

    def close(self) -> None:
        """No thread to end."""

    def take(self, message: Message) -> None:
        if self.down:
            raise NotifyError("phone", "down", "up")
        self.storm.told.append(message)

    def pump(self) -> None:
        """As the thread does, without it."""
        if self.hanging:
            return
        self._turn_began_s = self.storm.true_s
        try:
            while self.turn() == 0:
                pass
            self.history.note_error(self.name, "")
        except NotifyError as error:
            self.history.note_error(self.name, str(error))

    def settled(self) -> bool:
        """Nothing is due that has not been told."""
        return not self._plan.due(self.storm.wall())


class WireStorm(Storm):
    """One seeded run under the drivers."""

    def __init__(self, seed: int, folder: Path, steps: int = 90) -> None:
        self.plant = Plant(seed)
        self.told: list[Message] = []
        self.dead_since_s: dict[int, float | None] = dict.fromkeys(ADDRESSES)
        self.stepped_s = self.looked_s = -1e9
        self.hung_since_s: float | None = None
        self.began_at_s = random.Random(seed).choice(WALLS_0_S)
        self.clock_known = seed % 3 != 0
        self.longest_scan_s = 0.0
        self.plant.show(REST)
        super().__init__(seed, folder, steps)
        self.plant.clock.follow = self._look

    # ------------------------------------------------------------ otherwise than in the storm above ideal senses

    def _clock(self) -> VirtualClock:
        return self.plant.clock

    def wall(self) -> float | None:
        return self.began_at_s + self.true_s + self.wall_off_s if self.clock_known else None

    def machine_wall(self) -> float:
        return self.wall() or self.true_s

    def _settings(self, keep: config.History) -> config.Settings:
        notify = config.Notify(daily_silence_check=True, silence_check_at="02:00", quiet_from="22:00", quiet_to="01:30")
        boards = config.Boards(scan_s=SCAN_S)
        senses = config.Senses(fitted=ALL)
        return config.Settings(unit=UNIT, senses=senses, history=keep, notify=notify, boards=boards)

    def _boards(self, settings: config.Settings) -> Boards:
        self.boards = self.plant.boards(settings, self.wall)
        return self.boards

    def _outlets(self, settings: config.Settings) -> tuple[EventOutlet, ...]:
        self.phone = Phone(self, settings)
        return (*super()._outlets(settings), self.phone)

    def _begin(self, home: Path) -> None:
        super()._begin(home)
        if self.history.memory() is None or self.service.engine.memory_refused:  # the damage was in it
            self.anew.add((self.history.origin, self.history._owned().run))

    def power_cut(self) -> None:
        self._note_damage()
        self.boards.close()
        super().power_cut()

    def misfortunes(self) -> tuple[Misfortune, ...]:
        return (
            (0.060, "world", self._turn_world),
            (0.012, "no answer", lambda: self._chip("absent", True)),
            (0.008, "stuck", lambda: self._chip("stuck", True)),
            (0.008, "frozen", lambda: self._chip("frozen", True)),
            (0.012, "errors", lambda: self._chip("error_rate", self.rng.choice((0.001, 0.02, 0.3, 1.0)))),
            (0.008, "noise", lambda: self._chip("noise_codes", self.rng.choice((5.0, 60.0, 500.0)))),
            (0.006, "fast or slow", lambda: self._chip("clock_error", self.rng.choice((-0.1, 0.1)))),
            (0.010, "supply dips", lambda: self.plant.at(self.rng.random(), self._dip)),
            (0.008, "bus hangs", self._hang),
            (0.010, "pin sticks", lambda: self.plant.held.add(self.rng.choice(tuple(self.plant.wanted)))),
            (0.008, "pin flickers", lambda: self.plant.flickering.add(self.rng.choice(tuple(self.plant.wanted)))),
            (0.008, "empty jack", self._unplug),
            (0.030, "wires mended", self._mended),
            (0.010, "receiver down", lambda: setattr(self.receiver, "down", not self.receiver.down)),
            (0.008, "forgetful", lambda: setattr(self.receiver, "forgetful", not self.receiver.forgetful)),
            (0.010, "phone down", lambda: setattr(self.phone, "down", not self.phone.down)),
            (0.010, "phone hangs", lambda: setattr(self.phone, "hanging", not self.phone.hanging)),
            (0.008, "power cut", self.power_cut),
            (0.005, "restart", self.restart),
            (0.010, "wall clock", self._step_wall),
            (
                0.004,
                "an hour",
                lambda: setattr(self, "wall_off_s", self.wall_off_s + self.rng.choice((3600.0, -3600.0))),
            ),
            (0.010, "clock known", lambda: setattr(self, "clock_known", True)),
            (0.008, "disk", lambda: self._disk(sound=self.rng.random() < 0.5)),
            (0.006, "disk full", self._fill),
            (0.005, "damage", self._damage),
            (0.004, "damaged at start", self._cut_and_damage),
            (0.004, "file gone", self._remove),
            (0.004, "live file damaged", lambda: self._spoil(self.history._live.path)),
            (0.008, "requests", self._flood),
        )

    # ------------------------------------------------------------ wires

    def _turn_world(self) -> None:
        self.readings = self.rng.choice(WORLDS)
        self.plant.at(self.rng.random() * SCAN_S, lambda: self.plant.show(self.readings))

    def _chip(self, what: str, value: object) -> None:
        chip = self.plant.chips[self.rng.choice(ADDRESSES)]
        self.plant.at(self.rng.random() * SCAN_S, lambda: setattr(chip, what, value))

    def _dip(self) -> None:
        self.plant.chips[self.rng.choice(ADDRESSES)].restart()

    def _hang(self) -> None:
        self.plant.bus.hang_s = self.rng.choice((0.05, 1.0, 20.0))

    def _unplug(self) -> None:
        name = self.rng.choice(("coil_a", "compressor_a", "fan_a"))
        for inputs in self.plant.inputs.values():
            inputs.unplugged.add(name)

    def _mended(self) -> None:
        self.plant.settle()

    # ------------------------------------------------------------ disk

    def _fill(self) -> None:
        """A disk that is full: SQLite may take no page more than it has."""
        db = self.history._owned()._db
        if db is not None:
            db.execute(f"PRAGMA max_page_count = {FULL_PAGES}")

    def _disk(self, *, sound: bool) -> None:
        super()._disk(sound=sound)
        db = self.history._owned()._db
        if db is not None and sound:
            db.execute("PRAGMA max_page_count = 1073741823")

    def _damage(self) -> None:
        """Bytes of the file are not what was written."""
        self._note_damage()
        self._spoil(self.history.path)

    def _spoil(self, path: Path) -> None:
        if path.exists():
            data = bytearray(path.read_bytes())
            for _ in range(self.rng.choice((1, 20, 400))):
                if data:
                    data[self.rng.randrange(len(data))] = self.rng.randrange(256)
            with path.open("r+b") as file:
                file.write(data)

    def _cut_and_damage(self) -> None:
        self.power_cut()
        self.service.close()
        self._damage()
        self._begin(self.home)

    def _remove(self) -> None:
        self._note_damage()
        for end in ("", "-wal", "-shm"):
            self.history.path.with_name(self.history.path.name + end).unlink(missing_ok=True)

    def _note_damage(self) -> None:
        """What the file holds beyond the receiver's cursor may be lost with it, and what was told told again."""
        self.damaged.add(self.history.origin)
        self.forgotten.append(len(self.got))

    # ------------------------------------------------------------ a step and who looks on

    def _step(self) -> None:
        began_s = self.true_s
        self.service.step()
        self.longest_scan_s = max(self.longest_scan_s, self.true_s - began_s)
        self.stepped_s = began_s
        self.receiver.pump()
        self.phone.pump()
        self._watch()
        self.boards.idle(max(0.0, began_s + SCAN_S - self.true_s))

    def _look(self, now_s: float) -> None:
        """Time has passed, in a scan or between two."""
        self.hung_since_s = (self.hung_since_s or now_s) if self.phone.hanging else None
        for address in ADDRESSES:
            dead = self.plant.dead(address)
            self.dead_since_s[address] = (self.dead_since_s[address] or now_s) if dead else None
        if now_s - self.looked_s >= LOOK_S:
            self._watch()

    def _watch(self) -> None:
        """Nothing of what cannot be known looks alive, and nothing looks younger than it is."""
        now_s = self.looked_s = self.true_s
        status, age_s = self.history.status(), self.history.status_age_s()
        if status is None or age_s is None or self.born_s > self.stepped_s:
            return
        if age_s < now_s - self.stepped_s - SCAN_S - self.longest_scan_s:
            self.broken.append(f"{now_s:g} s: told as {age_s:g} s old, stepped at {self.stepped_s:g}")
        if age_s > BLIND_S:
            return
        for address, since_s in self.dead_since_s.items():
            if since_s is not None and now_s - max(since_s, self.born_s) > self._blind_s():
                self._missing(address, status)
        if self.hung_since_s is not None and now_s - max(self.hung_since_s, self.born_s) > 2 * BLIND_S:
            self._said(STUCK)

    def _blind_s(self) -> float:
        """A minute, and three scans; scans that take long themselves are told by the age of the status."""
        return BLIND_S + 3 * max(SCAN_S, self.longest_scan_s)

    def _missing(self, address: int, status: UnitStatus) -> None:
        names = ON_CHIP[address]
        shown = {name: status.readings[name] for name in names if status.readings.get(name) is not None}
        alive = [link.name for link in status.links if link.sense in names and link.state is LinkState.LIVE]
        if shown or alive:
            self.broken.append(f"{self.true_s:g} s: the chip at {address:#x} is dead, yet {shown} {alive}")

    def _said(self, what: str) -> None:
        if self.history.health().outlets[self.phone.name].error != what:
            self.broken.append(f"{self.true_s:g} s: the phone hangs and nobody says so")

    def _calm(self) -> None:
        super()._calm()
        self.clock_known = True
        self.phone.down = self.phone.hanging = False
        self.plant.settle()
        self.plant.show(REST)

    # ------------------------------------------------------------ the promises

    def check(self) -> list[str]:
        super().check()
        for _ in range(3):  # one odd scan is nothing: the monitor does not believe it either
            wrong = self._wrong()
            if not wrong:
                break
            self._step()
        else:
            self.broken.append(f"in the calm the wires are read wrongly: {wrong}")
        if not self.phone.settled():
            self.broken.append("the phone was not told everything")
        self._bounded()
        return self.broken

    def _wrong(self) -> dict[str, object]:
        """Readings of the last scan that are not what is on the wires."""
        status = self.history.status()
        assert status is not None
        seen = status.readings
        wrong = {name: seen[name] for name in ALL if name not in NUMBERS and seen[name] is not REST[name]}
        for name in NUMBERS:
            if seen[name] is None or abs(seen[name] - REST[name]) > TOLERANCE[name]:
                wrong[name] = seen[name]
        return wrong

    def _bounded(self) -> None:
        boards, health = self.boards, self.history.health()
        sizes = {
            "history": (health.size_bytes, SIZE_MOST),
            "files": (sum(1 for _ in self.home.iterdir()), 3 + 3 + 3 * int(limits.HISTORY["set_aside_most"].value)),
            "quick scans": (len(boards._quick), limits.QUICK_SCANS.value),
            "edges": (max(len(presence._edges) for presence in boards._presence.values()), 256),
            "scan, s": (self.longest_scan_s, 200.0),
        }
        self.broken += [f"{name}: {found} of {most}" for name, (found, most) in sizes.items() if found > most]

    def digest(self) -> str:
        return super().digest() + hashlib.sha256(msgspec.json.encode(self.told)).hexdigest()


def run(seed: int, folder: Path, steps: int = 90) -> WireStorm:
    """One whole storm, checked."""
    return played(WireStorm(seed, folder, steps))
