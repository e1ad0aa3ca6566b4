"""A season told to a real broker: whole, in order, once; over outages and ends; taken by the fleet's own ingest."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import pytest
import sqlalchemy as sa

from condenser_monitor.monitor import cli
from condenser_monitor.monitor.core.config import Mqtt
from condenser_monitor.monitor.core.errors import BrokerError, CommandError, HistoryError
from condenser_monitor.monitor.fleet import enroll
from condenser_monitor.monitor.fleet.ingest import Worker
from condenser_monitor.monitor.fleet.setup import Broker, Database, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    cycles,
    events,
    set_aside,
    sites,
    state,
)
from condenser_monitor.monitor.private_file import write_private
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker, free_port
from condenser_monitor.sim.season import UnitSeason
from condenser_monitor.sim.season_broker import broker_at, publish_season
from condenser_monitor.sim.season_fleet import broker_of, enroll_units
from condenser_monitor.sim.timeline import Planned
from tests.conformance.mqtt_tools import Listener
from tests.conftest import need
from tests.monitor.edge_tools import until
from tests.sim.one_season import one_unit
from tests.size import long_one

pytestmark = long_one

WAIT_S = 60.0  # a busy machine takes its time
FAULT = (Planned(name="contacts-fouled", at_s=100_000.0, until_s=110_000.0),)


def season(seed: int, days: float = 1.5) -> UnitSeason:
    """A day and a half, in which the contacts foul for some hours."""
    return one_unit(seed=seed, days=days, causes=FAULT)


def at(broker: PrivateBroker) -> Mqtt:
    return broker_at(f"127.0.0.1:{broker.port}")


def test_what_is_told_is_whole_in_order_and_once(shared_broker: PrivateBroker, tmp_path: Path) -> None:
    """Numbers of both topics unbroken from 1, the fault raised and cleared, the state kept; a second run adds none."""
    unit = season(9001)
    with Listener(shared_broker, f"condenser/v1/{unit.site_id}/#") as listener:
        told = publish_season(unit, tmp_path, at(shared_broker))
        listener.wait(lambda heard: heard and heard[-1].payload == "offline", WAIT_S)
        first = len(listener.heard)
        again = publish_season(unit, tmp_path, at(shared_broker))
        listener.wait(lambda heard: [one.payload for one in heard[first:]].count("offline") > 0, WAIT_S)
        heard = {name: [one.body for one in listener.named(name)] for name in ("events", "cycles", "unit")}
    assert [body["seq"] for body in heard["cycles"]] == list(range(1, told.cycles + 1))
    assert [body["seq"] for body in heard["events"]] == list(range(1, told.events + 1))
    changes = [(body["change"], body["finding"]) for body in heard["events"] if body["kind"] == "change"]
    assert changes == [("raised", "call-without-pull-in"), ("cleared", "call-without-pull-in")]
    assert told.sent_now == told.cycles + told.events > 30
    assert again == msgspec.structs.replace(told, sent_now=0)
    assert heard["unit"][-1]["sent"] == {"events": told.events, "cycles": told.cycles}
    walls = [body["started_wall_s"] for body in heard["cycles"]]
    assert walls == sorted(walls)
    assert unit.wall_0_s <= walls[0] < walls[-1] < unit.wall_0_s + 1.5 * 86_400


def test_a_broken_off_run_goes_on_where_the_broker_stands(
    shared_broker: PrivateBroker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ended in the middle of the telling; the next run sends the rest, and nothing is missing."""
    unit = season(9002)

    def asleep(_: float) -> None:
        if sent:
            raise KeyboardInterrupt

    sent: list[int] = []
    plain = History.delivered
    with Listener(shared_broker, f"condenser/v1/{unit.site_id}/+") as listener:
        with monkeypatch.context() as patched:
            patched.setattr(History, "delivered", lambda self, *it: (plain(self, *it), sent.append(1), time.sleep(0.3)))
            with pytest.raises(KeyboardInterrupt):
                publish_season(unit, tmp_path, at(shared_broker), sleep=asleep)
        told = publish_season(unit, tmp_path, at(shared_broker))
        listener.wait(lambda heard: len({(o.name, o.payload) for o in heard}) > told.cycles + told.events, WAIT_S)
        seen = {(one.name, one.body["seq"]) for one in listener.named("events", "cycles")}
    assert 0 < told.sent_now < told.cycles + told.events
    assert seen == {("cycles", n + 1) for n in range(told.cycles)} | {("events", n + 1) for n in range(told.events)}


@pytest.mark.usefixtures("impatient_publishers")
def test_an_outage_of_the_broker_is_waited_out(broker: PrivateBroker, tmp_path: Path) -> None:
    """Down at the start, it comes back while the unit waits; everything arrives."""
    broker.stop()
    back = threading.Timer(0.5, broker.start)
    back.start()
    told = publish_season(season(9003), tmp_path, at(broker))
    back.join()
    assert told.sent_now == told.cycles + told.events > 30


def test_a_broker_that_stays_away_is_an_error_and_nothing_is_lost(tmp_path: Path) -> None:
    """After the patience is over; the season lies in its folder and need not be lived again."""
    unit = season(9004, days=0.2)
    with pytest.raises(BrokerError):
        publish_season(unit, tmp_path, broker_at(f"127.0.0.1:{free_port()}"), patience_s=0.0, sleep=lambda _: None)
    assert (tmp_path / "unit-9004.json").exists()


def test_a_season_broken_off_while_it_was_lived_is_lived_anew(shared_broker: PrivateBroker, tmp_path: Path) -> None:
    """What a killed run left of a history is not taken for a whole one."""
    unit = season(9005, days=0.7)
    (tmp_path / "unit-9005.db").write_bytes(b"half a file")
    told = publish_season(unit, tmp_path, at(shared_broker))
    assert told.cycles == publish_season(unit, tmp_path / "fresh", at(shared_broker)).cycles > 3


def test_a_folder_of_another_season_is_refused(shared_broker: PrivateBroker, tmp_path: Path) -> None:
    """The same unit with another length: told as an error, and what lies there stays."""
    publish_season(season(9006, days=0.1), tmp_path, at(shared_broker))
    kept = (tmp_path / "unit-9006.json").read_bytes()
    with pytest.raises(CommandError, match="another folder"):
        publish_season(season(9006, days=0.2), tmp_path, at(shared_broker))
    assert (tmp_path / "unit-9006.json").read_bytes() == kept


def test_a_password_that_cannot_be_read_is_said_before_a_summer_is_lived(tmp_path: Path) -> None:
    """No file, and one that everybody may read: an error, and the folder stays empty."""
    folder, broker = tmp_path / "season", broker_at("127.0.0.1:9")
    with pytest.raises(BrokerError):
        publish_season(season(9007), folder, broker, passwords=tmp_path)
    open_file = tmp_path / "unit-9007.password"
    open_file.write_text("secret\n")
    open_file.chmod(0o644)
    with pytest.raises(BrokerError, match="mode 600"):
        publish_season(season(9007), folder, broker, passwords=tmp_path)
    assert not folder.exists()


def test_a_folder_that_cannot_be_written_is_an_error(tmp_path: Path) -> None:
    """A file where the folder should be."""
    (tmp_path / "file").write_text("")
    with pytest.raises(HistoryError):
        publish_season(season(9008), tmp_path / "file", broker_at("127.0.0.1:9"))


@pytest.mark.parametrize(
    ("place", "tls", "expected"),
    [
        ("broker.example", False, ("broker.example", 1883)),
        ("broker.example", True, ("broker.example", 8883)),
        ("broker.example:18830", True, ("broker.example", 18830)),
        ("[::1]:1884", False, ("::1", 1884)),
    ],
)
def test_place_of_a_broker(place: str, tls: bool, expected: tuple[str, int]) -> None:
    """Host and port; the port is the usual one where none is given."""
    broker = broker_at(place, tls=tls)
    assert (broker.host, broker.port) == expected


@pytest.mark.parametrize("place", ["", ":1883", "host:99999", "host:port", "mqtt://host", "me:secret@host", "host/x"])
def test_place_that_is_none_is_refused(place: str) -> None:
    """No host, no port that can be, or a password where others can see it."""
    with pytest.raises(CommandError):
        broker_at(place)


# ---------------------------------------------------------------- into the fleet


@contextmanager
def _ingesting(settings: FleetSettings, store: Store) -> Iterator[Worker]:
    worker, stop = Worker(settings, store), threading.Event()
    thread = threading.Thread(target=worker.run, args=(stop.is_set,))
    thread.start()
    try:
        until(lambda: worker.listening, WAIT_S)
        yield worker
    finally:
        stop.set()
        thread.join(30.0)


@contextmanager
def _office(tmp_path: Path) -> Iterator[tuple[FleetSettings, Store]]:
    """A fleet on SQLite with a broker that lets in only whom it has enrolled, and an ingest at work."""
    need("mosquitto")
    for parent in (tmp_path, *tmp_path.parents[:2]):
        parent.chmod(0o755)
    database = Database(url=f"sqlite:///{tmp_path}/fleet.db")
    store = Store(database.url)
    store.migrate()
    secret = tmp_path / "fleet.password"
    write_private(secret, enroll.fleet_password(store).encode())
    files = tmp_path / "files"
    files.mkdir()
    enroll.write_broker_files(store, files)
    lines = [line for line in enroll.broker_config(files).splitlines() if "persistence" not in line]
    with PrivateBroker([line for line in lines if "autosave" not in line]) as broker:
        (tmp_path / "pid").write_text(str(broker.pid))
        settings = FleetSettings(
            database=database,
            broker=Broker(
                port=broker.port, password_file=str(secret), files=str(files), pid_file=str(tmp_path / "pid")
            ),
        )
        with _ingesting(settings, store):
            yield settings, store
    store.close()


def test_enrolled_units_tell_their_season_to_the_fleet(tmp_path: Path) -> None:
    """Two units with accounts of their own: every cycle and event is in the database once, nothing is set aside; their
    dates end today, also when told again on another day, and their monitors stay."""
    now = 1_790_000_000.0
    first = [season(9010).until(now), season(9011).until(now)]
    assert all(0.0 <= now - (unit.wall_0_s + unit.days * 86_400.0) < 86_400.0 for unit in first)
    longer = season(9010, days=3.0).until(now)
    assert longer.wall_0_s + longer.days * 86_400.0 == pytest.approx(now)
    assert 2.0 < longer.days <= 3.0
    units, folder = [*first, *(unit.until(now + 3 * 86_400.0) for unit in first)], tmp_path / "season"
    with _office(tmp_path) as (settings, store):
        assert enroll_units(settings, units, folder) == 2
        assert enroll_units(settings, units, folder) == 0
        told = {
            unit.site_id: publish_season(unit, folder, broker_of(settings), passwords=folder, stays=True)
            for unit in units
        }
        until(lambda: _count(store, cycles) == sum(one.cycles for one in told.values()), WAIT_S)
        until(lambda: _count(store, events) == sum(one.events for one in told.values()), WAIT_S)
        with store.read() as connection:
            rows = connection.execute(sa.select(sites.c.site, sites.c.id).order_by(sites.c.site)).all()
            counts = sa.select(cycles.c.site_id, sa.func.count()).group_by(cycles.c.site_id)
            per_site: dict[int, int] = dict(tuple(row) for row in connection.execute(counts))
        assert {name: per_site[key] for name, key in rows} == {name: one.cycles for name, one in told.items()}
        assert _count(store, set_aside) == 0
        until(lambda: _count(store, sa.select(state).where(state.c.online).subquery()) == 2, WAIT_S)


def test_a_unit_enrolled_elsewhere_is_not_enrolled_again(tmp_path: Path) -> None:
    """Its password is not here: an error that says so, and its account stays as it is."""
    settings = FleetSettings(database=Database(url=f"sqlite:///{tmp_path}/fleet.db"))
    store = Store(settings.database.url)
    store.migrate()
    enroll_units(settings, [season(9012)], tmp_path / "one")
    with store.read() as connection:
        before = connection.execute(sa.select(sites)).all()
    with pytest.raises(CommandError, match=r"unit-9012\.password"):
        enroll_units(settings, [season(9012)], tmp_path / "other")
    with store.read() as connection:
        assert connection.execute(sa.select(sites)).all() == before
    store.close()


def _count(store: Store, table: sa.FromClause) -> int:
    with store.read() as connection:
        return connection.scalar(sa.select(sa.func.count()).select_from(table)) or 0


# ---------------------------------------------------------------- the command


def test_the_command_tells_of_each_unit_as_it_is_done(
    shared_broker: PrivateBroker, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two units by two processes, in order; told once more, nothing is left to send."""
    place = f"127.0.0.1:{shared_broker.port}"
    command = ["season", str(tmp_path), "--units", "2", "--days", "0.3", "--seed", "9020", "--broker", place]
    assert cli.main([*command, "--jobs", "2"]) == 0
    first = capsys.readouterr().out.splitlines()
    assert [line.split(":")[0] for line in first] == ["1/2 unit-9020", "2/2 unit-9021"]
    assert cli.main(command) == 0
    assert capsys.readouterr().out.count("0 of them sent now") == 2


def test_the_command_says_what_it_cannot_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A broker that is none, no jobs at all: exit status 2 and a sentence."""
    assert cli.main(["season", str(tmp_path), "--days", "0.1", "--broker", "mqtt://x"]) == 2
    assert cli.main(["season", str(tmp_path), "--days", "0.1", "--jobs", "0"]) == 2
    assert "jobs" in capsys.readouterr().err
