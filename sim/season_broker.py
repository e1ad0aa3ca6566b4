"""A season sent to a broker: each unit's summer in a history of its own, and from there out as a Pi would send it.

Nothing of the way out is simulated: engine, history, its outbox and cursor, and the publisher are the program's own.
The folder holds SITE-ID.db, the history, and SITE-ID.json, written once the season is whole in it; a run that was
broken off goes on where the broker's last acknowledgement stands, and a season that was sent is not sent again.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import ceil
from pathlib import Path
from urllib.parse import urlsplit

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import Mqtt
from condenser_monitor.monitor.core.errors import BrokerError, CommandError, HistoryError
from condenser_monitor.monitor.publishers.broker import BrokerPublisher, read_password, tls_context
from condenser_monitor.monitor.publishers.messages import ONLINE, topic
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.backfill import live
from condenser_monitor.sim.rig import Pace
from condenser_monitor.sim.season import SEASON_PACE, UnitSeason
from condenser_monitor.sim.weather import DAY_S

PATIENCE_S = 30.0  # ours: a broker that has taken nothing for this long is down, and the run ends
_LOOK_S = 0.05
_SAID_S = 3 * limits.PUBLISHERS.poll_s.value  # the publisher's thread has looked for news by then, and sent it
_PLACED = "HOST or HOST:PORT, such as broker.example:8883"


class ReceivedNotices(msgspec.Struct, frozen=True, kw_only=True):
    """What a unit has told: numbers of its messages, and how many of them went out in this run."""

    site_id: str
    events: int
    cycles: int
    sent_now: int
    causes: tuple[str, ...]

    def __str__(self) -> str:
        counts = f"{self.cycles} cycles, {self.events} events, {self.sent_now} of them sent now"
        return f"{self.site_id}: {counts}, breaks: {', '.join(self.causes) or 'none'}"


class _Whole(msgspec.Struct, frozen=True, kw_only=True):
    """What SITE-ID.json says: which season is whole in the history beside it."""

    seed: int
    days: float
    first_day: int
    causes: tuple[str, ...]
    weather_file: str
    later_days: int = 0


def broker_at(place: str, *, username: str = "", password_file: str = "", tls: bool = False, ca_file: str = "") -> Mqtt:
    """A broker's settings from HOST or HOST:PORT (1883, with TLS 8883). Raises CommandError."""
    try:
        parts = urlsplit(f"//{place}")
        host, port = parts.hostname, parts.port
    except ValueError:
        raise CommandError("broker", place, _PLACED) from None
    if not host or parts.path or parts.username is not None or parts.query:
        raise CommandError("broker", place, _PLACED)
    encrypted = tls or bool(ca_file)
    return Mqtt(
        host=host,
        port=port or (8883 if encrypted else 1883),
        username=username,
        password_file=password_file,
        tls=encrypted,
        ca_file=ca_file,
    )


def publish_season(
    unit: UnitSeason,
    folder: str | Path,
    broker: Mqtt,
    *,
    passwords: str | Path | None = None,
    stays: bool = False,
    pace: Pace = SEASON_PACE,
    patience_s: float = PATIENCE_S,
    sleep: Callable[[float], object] = time.sleep,
) -> ReceivedNotices:
    """Live a unit's season, if the folder does not hold it yet, and tell what of it the broker has not taken.

    With `passwords`, a folder of files SITE-ID.password, the unit comes by its own account: its id and that password.
    With `stays` the broker keeps that its monitor is there: the office shows it as if it went on from now.
    Raises BrokerError when the broker takes nothing for `patience_s`, CommandError when the folder holds another season
    of this unit, HistoryError when it cannot be written.
    """
    if passwords is not None:
        place = str(Path(passwords, f"{unit.site_id}.password"))
        broker = msgspec.structs.replace(broker, username=unit.site_id, password_file=place)
    read_password(broker.password_file)  # a file that cannot be used is said before a summer is lived
    unit = _dated_as_before(unit, Path(folder))
    with _history(unit, Path(folder), pace) as history:
        publisher = BrokerPublisher(msgspec.structs.replace(unit.settings, mqtt=broker))
        history.register(publisher.name, begin=publisher.begin)
        waiting = _waiting(history)
        publisher.start(history)
        try:
            _deliver(publisher, history, patience_s, sleep)
        finally:
            publisher.close()
        if stays:
            _stay(unit, broker)
        sent = history.sent(publisher.name)
    return ReceivedNotices(
        site_id=unit.site_id,
        events=sent.get("events", 0),
        cycles=sent.get("cycles", 0),
        sent_now=waiting,
        causes=tuple(cause.name for cause in unit.causes),
    )


# ---------------------------------------------------------------- the season in its history


@contextmanager
def _history(unit: UnitSeason, folder: Path, pace: Pace) -> Iterator[History]:
    """The unit's history with the whole season in it."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _live_once(unit, folder, pace)
    except OSError as error:
        if isinstance(error, HistoryError):
            raise
        raise HistoryError(str(folder), error.strerror or str(error), "a folder that can be written") from None
    with _opened(unit, folder) as history:
        yield history


def _live_once(unit: UnitSeason, folder: Path, pace: Pace) -> None:
    mark = folder / f"{unit.site_id}.json"
    wanted = _Whole(
        seed=unit.seed,
        days=unit.days,
        first_day=unit.first_day,
        causes=tuple(cause.name for cause in unit.causes),
        weather_file=unit.weather_file,
        later_days=unit.later_days,
    )
    if mark.exists():
        _same(mark, wanted)
        return
    for rest in folder.glob(f"{unit.site_id}.db*"):  # of a run that was broken off before anything was sent
        rest.unlink()
    with _opened(unit, folder) as history:
        live(unit.rig(pace), history, unit.days * DAY_S, keep="events")
    mark.write_bytes(msgspec.json.encode(wanted))


def _dated_as_before(unit: UnitSeason, folder: Path) -> UnitSeason:
    """The season with the dates under which the folder holds it, if it does."""
    mark = folder / f"{unit.site_id}.json"
    kept = _read(mark) if unit.later_days and mark.is_file() else None
    if kept is None or ceil(kept.days) != ceil(unit.days):
        return unit
    return msgspec.structs.replace(unit, later_days=kept.later_days, days=kept.days)


def _read(mark: Path) -> _Whole:
    try:
        return msgspec.json.decode(mark.read_bytes(), type=_Whole)
    except msgspec.DecodeError as error:
        raise CommandError(str(mark), str(error), "a folder of this command's own") from None


def _same(mark: Path, wanted: _Whole) -> None:
    found = _read(mark)
    if found != wanted:
        raise CommandError(str(mark), f"{found.days:g} days of seed {found.seed}", "another folder for another season")


def _opened(unit: UnitSeason, folder: Path) -> History:
    place = folder / f"{unit.site_id}.db"
    keep = config.HistorySettings(file=str(place), live_dir=str(folder))
    return History(place, owner=True, keep=keep, wall=lambda: unit.wall_0_s + unit.days * DAY_S)


# ---------------------------------------------------------------- out


def _deliver(publisher: BrokerPublisher, history: History, patience_s: float, sleep: Callable[[float], object]) -> None:
    """Wait until everything is acknowledged, then have the publisher say how the unit stands, and go."""
    moved_s, left = time.monotonic(), -1
    while (rest := _waiting(history)) > 0:
        if rest != left:
            moved_s, left = time.monotonic(), rest
        elif time.monotonic() - moved_s > patience_s:
            why = history.health().publishers[publisher.name].error or "no answer"
            raise BrokerError(publisher.name, f"{why}; {rest} messages not acknowledged", "a broker that takes them")
        sleep(_LOOK_S)
    status = history.status()
    if status is not None:
        publisher.offer((), status)
        sleep(_SAID_S)


def _stay(unit: UnitSeason, broker: Mqtt) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"{unit.site_id}-stays")
    if broker.username:
        client.username_pw_set(broker.username, read_password(broker.password_file))
    if broker.tls:
        client.tls_set_context(tls_context(broker.ca_file))
    try:
        client.connect(broker.host, broker.port)
        client.loop_start()
        client.publish(topic(unit.site_id, "availability"), ONLINE, qos=1, retain=True).wait_for_publish(PATIENCE_S)
        client.disconnect()
        client.loop_stop()
    except (OSError, ValueError, RuntimeError) as error:
        raise BrokerError(f"broker {broker.host}:{broker.port}", str(error), "a broker that takes messages") from None


def _waiting(history: History) -> int:
    """Rows of the outbox that the broker has not acknowledged."""
    return history.health().publishers[BrokerPublisher.name].waiting
