"""The demo: a simulated unit through the real drivers into the real service, a private broker, a summer of history.

Nothing here is a picture of the program: boards, engine, history and broker client are those of a Pi; only the wires
under the drivers are simulated. The page is added by the caller, who may know the web room.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from random import Random
from typing import TypeVar

import msgspec

from condenser_monitor.hardware.uncertainty import by_reading
from condenser_monitor.monitor.core.config import Mqtt, Settings
from condenser_monitor.monitor.page_settings import PageSettings, SettingsWatch
from condenser_monitor.monitor.publishers.base import Publisher
from condenser_monitor.monitor.publishers.broker import BrokerPublisher
from condenser_monitor.monitor.publishers.discovery import DiscoveryPublisher
from condenser_monitor.monitor.publishers.phone import PhonePublisher
from condenser_monitor.monitor.service.run_loop import Service
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim import scenario, season, simulate
from condenser_monitor.sim.backfill import live
from condenser_monitor.sim.broker import PrivateBroker
from condenser_monitor.sim.registers import RegisterRig
from condenser_monitor.sim.rig import Pace, ReadingsRig
from condenser_monitor.sim.weather import Weather, synthetic_year
from condenser_monitor.sim.world import World

_Answer = TypeVar("_Answer")
STORY = "story"
BEFORE_DAYS = 92.0  # a summer: what is normal, drift, wear and the trends need it
SEEN_CLOSELY_S = 24 * 3600.0  # of it, at its end, with the readings themselves
SUMMER_PACE = Pace(scan_s=5.0, quiet_s=120.0, dense_after_s=10.0)
LAST_PACE = Pace(scan_s=1.0, quiet_s=10.0, dense_after_s=60.0)
_SUMMER_END_HOUR = 243 * 24  # of the weather's year: the last of August


_OF_THE_UNIT = ("unit", "senses", "limits", "boards")  # tables of a site file that a simulated unit brings its own of


def story(name: str = STORY) -> scenario.Scenario:
    """The scenario that the demo plays."""
    return scenario.load(name)


def simulated(site: Settings, played: scenario.Scenario) -> Settings:
    """Return a site's settings with the simulated unit's nameplate, sensors and limits in place of its own."""
    return msgspec.structs.replace(site, **{name: getattr(played.settings, name) for name in _OF_THE_UNIT})


def replaced(site: Settings) -> tuple[str, ...]:
    """Return the tables of a site file that say something, and that a simulated unit brings its own of."""
    plain = Settings()
    return tuple(name for name in _OF_THE_UNIT if getattr(site, name) != getattr(plain, name))


def site_file(settings: Settings) -> str:
    """Return the site file that points other commands at this demo."""
    history, mqtt = settings.history, settings.mqtt
    return (
        f"{season.site_file(settings)}\n"
        f'[history]\nfile = "{history.file}"\nlive_dir = "{history.live_dir}"\n\n'
        f'[mqtt]\nhost = "{mqtt.host}"\nport = {mqtt.port}\nversion = "{mqtt.version}"\n'
    )


class Demo:
    """Everything but the page, in a folder of its own. `speed` is simulated seconds per second.

    `say` is told what happens in the story. With `site` the unit stands in for the boards of that site: its own
    history, the publishers that `publishers` makes for its settings, and no private broker. Use as a context; `run()`
    plays until `stop()`.
    """

    def __init__(
        self,
        *,
        speed: float = 1.0,
        say: Callable[[str], None] = print,
        before_s: float = BEFORE_DAYS * 86400.0,
        played: scenario.Scenario | None = None,
        site: Settings | None = None,
        publishers: Callable[[Settings], Sequence[Publisher]] | None = None,
    ) -> None:
        simulate.check_speed(speed)
        self.speed, self._say = speed, say
        self._stop = threading.Event()
        self._wishes: deque[Callable[[World], None]] = deque()
        self.broken: frozenset[tuple[str, str]] = frozenset()
        self._pace_news: float | None = None
        self._folder = tempfile.TemporaryDirectory(prefix="condenser-demo-")
        folder = Path(self._folder.name)
        self.scenario = story() if played is None else played
        self.broker = PrivateBroker() if site is None else None
        self._site = site
        self.settings = self._settings(folder) if site is None else simulated(site, self.scenario)
        self.history_path = Path(self.settings.history.file)
        self.site_path = folder / "demo.toml"
        self.site_path.write_text(site_file(self.settings), encoding="utf-8")
        self._publishers, self._over = publishers, False
        self.before_s = before_s
        self._weather: Weather | None = None  # after a summer it goes on, in place of the story's own
        self._service: Service | None = None
        try:
            if before_s > 0:
                self._live_the_summer()
        except BaseException:
            self.close()  # the broker is a process of its own, and would stay
            raise

    def _settings(self, folder: Path) -> Settings:
        assert self.broker is not None
        mqtt = Mqtt(host="127.0.0.1", port=self.broker.port, version=self.broker.version, readings_s=5.0)
        settings = self.scenario.settings
        site = msgspec.structs.replace(settings.site, name="Demo unit, Orchard Lane", id="demo")
        history = msgspec.structs.replace(settings.history, file=str(folder / "demo.db"), live_dir=str(folder))
        return msgspec.structs.replace(settings, site=site, mqtt=mqtt, history=history)

    def __enter__(self) -> Demo:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ the summer before

    def _live_the_summer(self) -> None:
        """The same unit's last months, sound, in weather as it comes, at the level of readings: sparsely at first, and
        the last day closely."""
        began_s = time.time() - self.before_s
        now = datetime.now()
        hour = now.hour + now.minute / 60
        start_hour = (hour - self.before_s / 3600) % 24
        plan = msgspec.structs.replace(self.scenario.plan, causes=(), calls=None, start_hour=start_hour)
        year, end_hour = synthetic_year(Random(plan.seed)), _SUMMER_END_HOUR + hour
        weather, self._weather = Weather(year, end_hour - self.before_s / 3600), Weather(year, end_hour)
        history = History(self.history_path, owner=True, keep=self.settings.history)
        rig = ReadingsRig(World(plan, weather), self.settings, pace=SUMMER_PACE, wall_0_s=began_s)
        closely_s = max(0.0, self.before_s - SEEN_CLOSELY_S)
        for part in range(1, 5):
            live(rig, history, closely_s * part / 4, keep="changes")
            if closely_s:
                self._say(f"... {closely_s * part / 4 / 86400:.0f} of {self.before_s / 86400:.0f} days")
        rig.pace = LAST_PACE
        live(rig, history, self.before_s)
        history.close()

    # ------------------------------------------------------------ the story

    def run(self) -> None:
        """Play the story at the set speed until stopped; after its end the unit simply goes on."""
        self._lines = self._script()
        world = self.scenario.world() if self._weather is None else World(self.scenario.plan, self._weather)
        while self._watched(world):
            pass

    def _publishers_of(self, settings: Settings) -> Sequence[Publisher]:
        if self._publishers is not None:
            return self._publishers(settings)
        phone = (PhonePublisher(settings),) if settings.notify.urls else ()
        return (BrokerPublisher(settings), DiscoveryPublisher(settings), *phone) if self.broker is not None else ()

    def _watched(self, world: World) -> bool:
        """Watch the world as one life of the monitor does; whether settings made on the page ask for another."""
        base = self.settings if self._site is None else self._site
        found, _ = PageSettings(self.history_path).over(base)
        settings = found if self._site is None else simulated(found, self.scenario)
        rig = RegisterRig(world, settings)
        history = History(self.history_path, owner=True, keep=settings.history)
        since_s, began_s = rig.clock(), time.monotonic()

        def pause(seconds: float) -> None:
            nonlocal since_s, began_s
            self._grant(rig.world)
            self._go_on(rig)
            rig.boards.idle(seconds, self._stop.is_set)
            self._tell(rig.clock())
            if self._pace_news is not None:
                self.speed, self._pace_news = self._pace_news, None
                since_s, began_s = rig.clock(), time.monotonic()
            ahead_s = (rig.clock() - since_s) / self.speed - (time.monotonic() - began_s)
            self._stop.wait(max(0.0, ahead_s))

        service = self._service = Service(
            settings,
            rig.boards,
            history,
            self._publishers_of(settings),
            clock=rig.clock,
            sleep=pause,
            wall=time.time,
            uncertainty=by_reading(),
            outdated=SettingsWatch(base, found).outdated,
        )
        if self._stop.is_set():
            service.stop()
        try:
            service.run()
        finally:
            service.close()
        return service.renewed

    def wish(self, change: Callable[[World], None]) -> None:
        """Have the world changed by hand, from any thread, before the next scan."""
        self._wishes.append(change)

    def ask(self, question: Callable[[World], _Answer], most_s: float = 5.0) -> _Answer | None:
        """What the world answers between two scans, or changes there; None where it does not come to that in time."""
        found: list[_Answer] = []
        done = threading.Event()

        def put(world: World) -> None:
            found.append(question(world))
            self.broken = world.timeline.by_hand()
            done.set()

        self.wish(put)
        done.wait(most_s)
        return found[0] if found else None

    def pace(self, speed: float) -> None:
        """From now on `speed` simulated seconds per second."""
        self._pace_news = speed

    def _go_on(self, rig: RegisterRig) -> None:
        """After the story an ordinary day: everything repaired, and the house itself calls."""
        if not self._over and self.scenario.plan.causes and rig.clock() >= self.scenario.duration_s:
            self._over = True
            rig.world.live_on()

    def _grant(self, world: World) -> None:
        if self._wishes:
            while self._wishes:
                self._wishes.popleft()(world)
            world.poke()
        self.broken = world.timeline.by_hand()

    def _script(self) -> Iterator[tuple[float, str]]:
        rows = [(0.0, "the unit is sound and waits for a call")]
        for cause in self.scenario.plan.causes:
            rows.append((cause.at_s, f"something breaks: {cause.name}"))
            if cause.until_s < float("inf"):
                rows.append((cause.until_s, f"it is repaired: {cause.name}"))
        rows.append(
            (self.scenario.duration_s, "the story is over: everything is repaired, and an ordinary day goes on")
        )
        return iter(sorted(rows))

    _lines: Iterator[tuple[float, str]]
    _next: tuple[float, str] | None = None

    def _tell(self, now_s: float) -> None:
        while True:
            if self._next is None:
                self._next = next(self._lines, (float("inf"), ""))
            if now_s < self._next[0]:
                return
            self._say(f"{now_s:7.0f} s  {self._next[1]}")
            self._next = None

    def stop(self) -> None:
        """End the story after the step under way."""
        self._stop.set()
        if self._service is not None:
            self._service.stop()

    def close(self) -> None:
        """Stop broker and service; remove the folder."""
        self.stop()
        if self.broker is not None:
            self.broker.close()
        self._folder.cleanup()
