"""The ingest worker against a real broker: shared load, acknowledged after the commit, asked for again."""

from __future__ import annotations

import itertools
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.client as paho
import pytest
import sqlalchemy as sa
from paho.mqtt.enums import CallbackAPIVersion

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import DatabaseError
from condenser_monitor.monitor.core.records import CycleState, UnitStatus
from condenser_monitor.monitor.fleet import (
    enroll,
    resend,
    slots,
)
from condenser_monitor.monitor.fleet.ingest import Worker
from condenser_monitor.monitor.fleet.session import IngestSession
from condenser_monitor.monitor.fleet.setup import Broker, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    asks,
    cycles,
    events,
    set_aside,
    sites,
    state,
)
from condenser_monitor.monitor.fleet.tables import slots as slot_rows
from condenser_monitor.monitor.fleet.writer import IngestWriter, writer
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.monitor.publishers.broker import BrokerPublisher
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker
from tests.conftest import set_limit
from tests.fleet import payloads
from tests.fleet.bench import QUIET, _hold_slot, make_sites
from tests.fleet.load import LoadPublisher
from tests.fleet.payloads import Raw
from tests.size import long_one

pytestmark = long_one

_LONG_S = 30.0


@pytest.fixture(autouse=True)
def hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    """Minutes of patience become fractions of a second."""
    set_limit(monkeypatch, FLEET.retry_s, 0.05)
    set_limit(monkeypatch, FLEET.beat_s, 0.1)
    set_limit(monkeypatch, FLEET.sweep_s, 0.1)
    set_limit(monkeypatch, FLEET.drained_s, 0.3)
    monkeypatch.setattr(slots, "_IDLE_S", 1.0)
    monkeypatch.setattr(resend, "_PATIENCE_S", 0.2)


def _until(what: Callable[[], Any]) -> None:
    """Wait until something is so; half a minute at the most."""
    until = time.monotonic() + _LONG_S
    while not what():
        assert time.monotonic() < until, "it never came to that"
        time.sleep(0.02)


@contextmanager
def _working(store: Store, broker: PrivateBroker, count: int = 1) -> Iterator[list[Worker]]:
    """Workers in threads of their own, stopped in good order at the end."""
    settings = FleetSettings(broker=Broker(port=broker.port, username=""))
    workers = [Worker(settings, store) for _ in range(count)]
    stop = threading.Event()
    threads = [threading.Thread(target=worker.run, args=(stop.is_set,)) for worker in workers]
    for thread in threads:
        thread.start()
    try:
        _until(lambda: all(worker.listening for worker in workers))
        yield workers
    finally:
        stop.set()
        for thread in threads:
            thread.join(_LONG_S)
        assert not any(thread.is_alive() for thread in threads)


def _publish(broker: PrivateBroker, raws: Sequence[Raw], *, retain: bool = False) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    sent = [client.publish(topic, payload, qos=1, retain=retain) for topic, payload in raws]
    for info in sent:
        info.wait_for_publish(_LONG_S)
    client.disconnect()
    client.loop_stop()


def _enroll(store: Store, *names: str) -> None:
    for name in names:
        enroll.enroll(store, name, broker=Broker(), by="test", now=0.0)


def _column(store: Store, column: sa.Column[Any]) -> list[Any]:
    with store.read() as connection:
        return list(connection.scalars(sa.select(column).order_by(column)))


def _count(store: Store, table: sa.Table) -> int:
    with store.read() as connection:
        return connection.scalar(sa.select(sa.func.count()).select_from(table)) or 0


def test_two_workers_share_the_load_and_each_message_is_written_once(store: Store, broker: PrivateBroker) -> None:
    """Both take part, without being told of each other; together they have everything, once."""
    _enroll(store, "a", "b", "c")
    raws = [payloads.finding(site, seq, "revised") for seq in range(1, 201) for site in ("a", "b", "c")]
    with _working(store, broker, 2) as workers:
        _publish(broker, raws)
        _until(lambda: _count(store, events) >= len(raws))
    assert _count(store, events) == len(raws) == sum(worker.counts["taken"] for worker in workers)
    assert all(worker.counts["taken"] > 0 for worker in workers)
    assert set(_column(store, state.c.hole_since)) == {None}


def test_what_came_while_nobody_worked_is_there_afterwards(store: Store, broker: PrivateBroker) -> None:
    """The broker keeps the sessions of workers that went away."""
    _enroll(store, "a")
    with _working(store, broker):
        pass
    _publish(broker, [payloads.finding("a", seq, "revised") for seq in range(1, 51)])
    with _working(store, broker):
        _until(lambda: _count(store, events) == 50)


def test_sites_that_spoke_before_the_fleet_was_there_are_known_at_once(store: Store, broker: PrivateBroker) -> None:
    """Retained messages are not given to shared subscriptions (MQTT 5, 4.8.2); the first worker asks for them."""
    _enroll(store, "a", "b")
    retained = [payloads.unit("a", findings=("line-supply-lost",)), ("condenser/v1/b/availability", b"offline")]
    _publish(broker, retained, retain=True)
    with _working(store, broker, 2):
        _until(lambda: False in _column(store, state.c.online) and "idle" in _column(store, state.c.cycle))


def test_the_share_of_a_worker_that_is_gone_is_taken_over(store: Store, broker: PrivateBroker) -> None:
    """Its session at the broker goes on receiving a share; another worker empties the session and ends it."""
    _enroll(store, "a")
    with _working(store, broker, 2):
        pass
    raws = [payloads.finding("a", seq, "revised") for seq in range(1, 101)]
    with _working(store, broker):
        _publish(broker, raws)
        _until(lambda: _count(store, events) == 100)
        _until(lambda: _column(store, slot_rows.c.slot) == [0])


def test_bad_messages_do_not_stop_the_worker(store: Store, broker: PrivateBroker) -> None:
    """They are set aside and acknowledged; the next good one is written."""
    _enroll(store, "a")
    with _working(store, broker):
        _publish(broker, [("condenser/v1/a/events", b"?"), payloads.finding("nobody", 1, "raised")])
        _publish(broker, [payloads.finding("a", 1, "raised")])
        _until(lambda: _count(store, events) == 1)
    assert _count(store, set_aside) == 2


def test_nothing_is_acknowledged_that_was_not_committed(
    store: Store, broker: PrivateBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The database refuses the first batches, some after the commit has gone through: everything is there in the end,
    once, although nobody sends anything again but the broker."""
    _enroll(store, "a")
    real, calls = IngestWriter.write, iter(range(10**6))

    def failing(to: IngestWriter, batch: Any, now: float) -> Any:
        call = next(calls)
        written = None if call % 3 == 0 else real(to, batch, now)
        if call < 8 or written is None:
            raise DatabaseError("test", "a database that fails", "one that does not")
        return written

    monkeypatch.setattr(IngestWriter, "write", failing)
    with _working(store, broker):
        _publish(broker, [payloads.finding("a", seq, "revised") for seq in range(1, 301)])
        _until(lambda: next(calls) > 12 and _count(store, events) == 300)
    assert _column(store, events.c.seq) == list(range(1, 301))
    assert _count(store, asks) == 0


def test_a_broker_that_restarts_is_found_again(store: Store, broker: PrivateBroker) -> None:
    """After a broker's death, with all it had not saved, the worker goes on by itself."""
    _enroll(store, "a")
    with _working(store, broker) as (worker,):
        _publish(broker, [payloads.finding("a", 1, "raised")])
        _until(lambda: _count(store, events) == 1)
        broker.kill()
        _until(lambda: not worker.listening)
        broker.start()
        _until(lambda: worker.listening)
        _publish(broker, [payloads.finding("a", 2, "cleared")])
        _until(lambda: _count(store, events) == 2)


def test_what_is_said_between_a_broker_s_restart_and_the_worker_s_return_is_known(
    store: Store, broker: PrivateBroker
) -> None:
    """mosquitto forgets shared subscriptions when it ends, though it keeps the session: what was said before the worker
    is back, the unit's own state too, is there all the same: the broker keeps `unit`, the site what it numbered."""
    _enroll(store, "a")
    with _working(store, broker):
        pass
    broker.stop()
    broker.start()
    _publish(broker, [payloads.finding("a", 1, "raised")])
    _publish(broker, [payloads.unit("a", cycle="locked-out", origin="o1", sent={"events": 1})], retain=True)
    with _working(store, broker):
        _until(lambda: _column(store, state.c.cycle) == ["locked-out"])
        _until(lambda: _count(store, asks) == 1 or _count(store, events) == 1)


def _status(t_s: float) -> UnitStatus:
    return UnitStatus(
        site="a",
        name="a",
        t_s=t_s,
        wall_s=payloads.NOON + t_s,
        cycle=CycleState.IDLE,
        cycle_since_s=0.0,
        links=(),
        readings={"outdoor_c": 31.0},
        findings=(),
        alerts=(),
        break_at=None,
    )


def test_lost_messages_are_asked_of_the_real_monitor_and_come_again(
    store: Store, broker: PrivateBroker, history: History
) -> None:
    """A monitor's own publisher sends its history while the fleet is not there: every message is lost, the newest too.
    The fleet learns from the retained `unit` message how many there are, asks, and has them all in the end."""
    _enroll(store, "a")
    for t_s in range(1, 8):
        change = msgspec.json.decode(payloads.finding("a", t_s, "raised" if t_s % 2 else "cleared")[1])
        record = msgspec.convert({k: v for k, v in change.items() if k not in ("id", "seq")}, payloads.Change)
        history.step(
            now_s=float(t_s), wall_s=payloads.NOON + t_s, status=_status(t_s), memory=lambda: b"{}", events=[record]
        )
    publisher = BrokerPublisher(config.parse(f'[site]\nid = "a"\n[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n'))
    publisher.start(history)
    try:
        publisher.offer((), _status(8))
        _until(lambda: history.sent("mqtt").get("events") == 7)
        with _working(store, broker):
            _until(lambda: publisher.offer((), _status(9)) is None and _count(store, events) == 7)
            _until(lambda: set(_column(store, state.c.hole_since)) == {None})
            _until(lambda: _column(store, asks.c.done) == [True])
    finally:
        publisher.close()
    assert _column(store, events.c.seq) == [1, 2, 3, 4, 5, 6, 7]
    assert _count(store, cycles) == 0
    assert _column(store, sites.c.site) == ["a"]


def test_an_unanswered_request_is_repeated_ever_more_seldom() -> None:
    """First at once; then after the pause, twice the pause, four times; after an answer, soon."""
    again = resend._AGAIN_S
    assert resend.due(None, 0.0)
    for unanswered, wait in ((1, again), (2, 2 * again), (5, 16 * again)):
        tries = resend.ResendTries(unanswered, 1000.0)
        assert not resend.due(tries, 999.0 + wait)
        assert resend.due(tries, 1000.0 + wait)
    assert resend.due(resend.ResendTries(0, 1000.0), 1000.0 + resend._PATIENCE_S)


def test_a_site_that_never_answers_is_given_up_with_a_note(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """After the last try the numbers are closed as lost and set down as such; nothing is asked any more."""
    _enroll(store, "a")
    to = writer(store)
    to.write(payloads.received([payloads.finding("a", 5, "raised")]), payloads.NOON)
    monkeypatch.setattr(resend, "_ASKS_MOST", 3)
    now = payloads.NOON + 1
    for _ in range(8):
        now += 1e5
        resend.sweep(to, now)
    assert _count(store, asks) == 3
    assert _column(store, state.c.hole_since) == [None]
    (reason,) = _column(store, set_aside.c.reason)
    assert "1 to 4" in reason


def test_sites_that_wait_for_an_answer_hold_nobody_up(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """More of them than are asked in one sweep do not answer: those with younger holes are asked all the same, so many
    in a sweep, all of them in the end."""
    monkeypatch.setattr(resend, "_SWEEP_MOST", 3)
    names = [f"s{number}" for number in range(10)]
    _enroll(store, *names)
    to = writer(store)
    for number, name in enumerate(names):
        to.write(payloads.received([payloads.finding(name, 5, "raised")]), payloads.NOON + number // 5)
    asked = [resend.sweep(to, payloads.NOON + 100.0 + at) for at in (0, 1, 2, 3, 90)]
    assert asked == [3, 3, 3, 1, 0]
    assert len(set(_column(store, asks.c.site_id))) == 10
    assert resend.sweep(to, payloads.NOON + 100.0 + 90.0 + resend._AGAIN_S) == 3


def test_a_long_hole_is_asked_for_in_parts(store: Store) -> None:
    """No request is for more than a site sends at once."""
    _enroll(store, "a")
    to = writer(store)
    to.write(payloads.received([payloads.finding("a", 2001, "raised")]), payloads.NOON)
    resend.sweep(to, payloads.NOON + 1000)
    (body,) = _column(store, asks.c.body)
    asked = msgspec.json.decode(body)
    assert (asked["from_seq"], asked["to_seq"], asked["origin"], asked["topic"]) == (1, 500, "o1", "events")


def _has(store: Store, count: int) -> bool:
    return _count(store, cycles) == count


def _back_up(source: Path, target: Path) -> None:
    with closing(sqlite3.connect(source)) as whole, closing(sqlite3.connect(target)) as backup:
        whole.backup(backup)


def test_a_database_set_back_to_a_backup_is_made_whole_by_the_sites(tmp_path: Path, broker: PrivateBroker) -> None:
    """What came after the backup is found missing from the numbers that the sites tell, and comes again, once."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    make_sites(store, 3)
    publisher = LoadPublisher(broker.port, range(3))
    for expected in (9, 18):
        with _working(store, broker):
            for _ in range(3):
                publisher.round()
            assert publisher.settle(_LONG_S)
            _until(partial(_has, store, expected))
        if expected == 9:
            _back_up(tmp_path / "fleet.db", tmp_path / "backup.db")
    store.close()
    back = Store(f"sqlite:///{tmp_path}/backup.db")
    assert _count(back, cycles) == 9
    with _working(back, broker):
        publisher.say_all()
        _until(lambda: publisher.listen(0.1) is None and _count(back, cycles) == 18)
        _until(lambda: publisher.listen(0.1) is None and set(_column(back, state.c.hole_since)) == {None})
    publisher.close()
    assert len(set(_column(back, cycles.c.seq))) == 6
    back.close()


def test_an_answer_behind_thousands_of_messages_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """After an outage the broker gives what it had kept before it answers; with a clock that counts 10 ms at each look
    1,500 messages take 15 s, three times the patience with a silent one. Meanwhile the client's own duties are done,
    or the broker would hear no sign of life from it and drop it."""
    with PrivateBroker(QUIET) as broker:
        _hold_slot(broker.port, "", 0)
        publisher = LoadPublisher(broker.port, range(500))
        while publisher.sent < 1500:
            publisher.round()
        assert publisher.settle(_LONG_S)
        publisher.close()
        looks = itertools.count()
        monkeypatch.setattr(time, "monotonic", lambda: 0.01 * next(looks))
        duties, misc = itertools.count(), paho.Client.loop_misc
        monkeypatch.setattr(paho.Client, "loop_misc", lambda client: (next(duties), misc(client))[1])
        back = IngestSession(Broker(port=broker.port, username=""), "condenser-fleet-0")
        back.subscribe("condenser/v1/+/availability")
        assert back.resumed
        assert next(duties) >= 1500
        assert len(back.turn(2000)) >= 1500
        back.drop()
