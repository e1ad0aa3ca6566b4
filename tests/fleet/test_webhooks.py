"""Webhooks: signed as the published algorithm says, delivered at least once and in order, whoever dies in between.

The receiver checks each signature by the specification's own steps (https://www.standardwebhooks.com), written here
again; the vector is the one that the specification's reference libraries are tested with.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import multiprocessing as mp
import threading
import time
from collections.abc import Iterator
from email.message import Message
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import enroll, health, ingest, privacy, retention, slots, visits, webhooks
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.setup import Broker, Database, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import audit, outbox
from condenser_monitor.monitor.fleet.tables import webhooks as hooks
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.sim.broker import PrivateBroker
from tests.conftest import need
from tests.fleet import payloads
from tests.fleet.payloads import NOON, received
from tests.size import long_one

pytestmark = long_one

_SPAWN = mp.get_context("spawn")
_ME = Viewer(id=0, login="dana", name="Dana", role=Role.DISPATCHER)


class Receiver:
    """A program that takes webhooks: `answers` are the next statuses (200 when there are none); `got` what came with a
    right signature, `wrong` how many came without. While `held` is set, nothing is answered."""

    def __init__(self) -> None:
        self.secret, self.answers, self.wrong = "", list[int](), 0
        self.got: list[tuple[str, dict[str, Any]]] = []
        self.came, self.held, self.free = threading.Semaphore(0), False, threading.Event()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                if receiver.signed(self.headers, body):
                    receiver.got.append((self.headers["webhook-id"], json.loads(body)))
                else:
                    receiver.wrong += 1
                receiver.came.release()
                if receiver.held:
                    receiver.free.wait(30)
                self.send_response(receiver.answers.pop(0) if receiver.answers else 200)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}/in"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def signed(self, headers: Message, body: bytes) -> bool:
        key = base64.b64decode(self.secret[len("whsec_") :])
        content = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.{body.decode()}"
        wanted = base64.b64encode(hmac.new(key, content.encode(), hashlib.sha256).digest()).decode()
        return any(hmac.compare_digest(part, f"v1,{wanted}") for part in headers["webhook-signature"].split())

    def kinds(self) -> list[str]:
        return [body["type"] for _, body in self.got]


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    made = Receiver()
    yield made
    made.free.set()
    made.server.shutdown()
    made.server.server_close()


def _site(store: Store, name: str = "a") -> None:
    enroll.enroll(store, name, broker=Broker(), by="test", now=NOON, name=f"House {name}", vulnerability_note="oxygen")


def test_the_signature_is_that_of_the_published_vector() -> None:
    """Secret, id, instant and body as in the reference libraries give their signature; another body another one."""
    given = ("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330)
    wanted = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    assert webhooks.signature(*given, b'{"test": 2432232314}') == wanted
    assert webhooks.signature(*given, b'{"test": 2432232315}') != wanted


def test_cases_and_visits_reach_the_receiver_signed_and_in_order(store: Store, receiver: Receiver) -> None:
    """Each change is told once, with the site and never with what is noted of health; what stands already is not told
    again, and a receiver gets only what it asked for."""
    _site(store)
    receiver.secret = webhooks.add(store, "desk", receiver.url, [], by="test", now=NOON)
    webhooks.add(store, "visits", receiver.url, ["visit.made"], by="test", now=NOON)
    to = writer(store)
    to.write(received([payloads.finding("a", 1, "raised")]), NOON)
    to.write(
        received([payloads.finding("a", 2, "revised"), payloads.unit("a", findings=("call-without-pull-in",))]), NOON
    )
    with store.write() as connection:
        made = visits.book(connection, _ME, "a", kind="repair", due_day="2026-07-15", technician_id=None, now=NOON)
        visits.move(connection, _ME, made, due_day="2026-07-16", technician_id=None, now=NOON)
        visits.finish(connection, _ME, made, was="coil-open", used=[], text="", now=NOON)
    to.write(received([payloads.unit("a", wall_s=NOON + 60, origin="o1", sent={"events": 2})]), NOON + 60)
    with store.read() as connection:
        waiting = {row.name: (row.waiting, row.how) for row in webhooks.listed(connection)}
    assert waiting == {"desk": (5, "not tried yet"), "visits": (1, "not tried yet")}
    webhooks.drop(store, "visits", by="test", now=NOON)  # its secret is another one
    assert webhooks.deliver(store, lambda: NOON) == 5
    assert webhooks.deliver(store, lambda: NOON) == 0
    with store.read() as connection:
        assert [(row.waiting, row.how) for row in webhooks.listed(connection)] == [(0, "well")]
    assert receiver.wrong == 0
    assert receiver.kinds() == ["case.opened", "visit.booked", "visit.moved", "visit.made", "case.closed"]
    data = receiver.got[0][1]["data"]
    assert (data["site"], data["finding"], data["severity"]) == ("a", "call-without-pull-in", "urgent")
    assert receiver.got[3][1]["data"]["was"] == "coil-open"
    assert "oxygen" not in json.dumps(receiver.got)
    assert receiver.got[0][1]["timestamp"].endswith("Z")


def test_what_is_not_committed_is_not_told(store: Store, receiver: Receiver) -> None:
    """The outbox is written in the transaction of the change: one that is rolled back leaves nothing to tell."""
    _site(store)
    webhooks.add(store, "desk", receiver.url, [], by="test", now=NOON)

    def fail() -> None:
        with store.write() as connection:
            visits.book(connection, _ME, "a", kind="repair", due_day="2026-07-15", technician_id=None, now=NOON)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert webhooks.deliver(store, lambda: NOON) == 0


def test_a_receiver_that_refuses_is_tried_later_and_later_then_no_more(store: Store, receiver: Receiver) -> None:
    """Nine times over three days, as the specification has it, in order; then it is off and `check` says so, until it
    is resumed, with all that waited."""
    _site(store)
    receiver.secret = webhooks.add(store, "desk", receiver.url, [], by="test", now=NOON)
    to, at = writer(store), NOON
    to.write(received([payloads.finding("a", 1, "raised"), payloads.finding("a", 2, "raised", "locked-rotor")]), NOON)
    waits = []
    for _ in range(30):
        receiver.answers = [503]
        before = len(receiver.got)
        webhooks.deliver(store, lambda: at)  # noqa: B023
        if len(receiver.got) == before:
            break
        with store.read() as connection:
            hook = connection.execute(sa.select(hooks)).one()
        waits.append(hook.next_at - at)
        assert webhooks.deliver(store, lambda: hook.next_at - 0.5) == 0  # noqa: B023
        at = hook.next_at
    assert waits == [5, 300, 1800, 7200, 18000, 36000, 50400, 72000, 86400, 0]
    assert len({message_id for message_id, _ in receiver.got}) == 1
    found = health.health(store, FleetSettings(), at, ask_broker=False)
    assert any("webhook desk: 2 messages wait, the receiver answers 503" in text for text in found.problems)
    receiver.answers = []
    webhooks.resume(store, "desk", by="test", now=at, skip=True)
    assert webhooks.deliver(store, lambda: at) == 2
    assert [body["data"].get("finding") for _, body in receiver.got[-2:]] == ["locked-rotor", None]
    assert receiver.kinds()[-1] == "ping"


@pytest.mark.parametrize("status", [301, 404, 410])
def test_only_an_answer_of_the_200s_is_a_delivery(store: Store, receiver: Receiver, status: int) -> None:
    """A redirection is not followed, and 410 ends the receiver at once."""
    _site(store)
    receiver.secret = webhooks.add(store, "desk", receiver.url, [], by="test", now=NOON)
    writer(store).write(received([payloads.finding("a", 1, "raised")]), NOON)
    receiver.answers = [status]
    assert webhooks.deliver(store, lambda: NOON) == 0
    with store.read() as connection:
        (row,) = webhooks.listed(connection)
    assert (row.waiting, row.off_at is not None) == (1, status == 410)
    assert str(status) in row.problem


@pytest.mark.parametrize(
    "url",
    [
        "",
        "receiver.test",
        "http://receiver.test/",
        "http://8.8.8.8/",
        "ftp://10.0.0.1/",
        "https://a:b@c.test/",
        "https://[x/",
    ],
)
def test_a_url_that_nothing_may_be_sent_to_is_refused(tmp_path: Path, url: str) -> None:
    """Names of people go encrypted, or stay in the house."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    with pytest.raises(CommandError, match="https"):
        webhooks.add(store, "desk", url, [], by="test", now=NOON)
    with pytest.raises(CommandError, match=r"case\.opened"):
        webhooks.add(store, "desk", "https://receiver.test/", ["case"], by="test", now=NOON)
    store.close()


def test_nothing_of_a_webhook_outlives_its_time_or_its_site(store: Store, receiver: Receiver) -> None:
    """Erasing a site takes what was told of it; the log never holds the secret; a month later what was told is gone."""
    _site(store)
    _site(store, "b")
    secret = webhooks.add(store, "desk", receiver.url, [], by="test", now=NOON)
    writer(store).write(received([payloads.finding("a", 1, "raised"), payloads.finding("b", 1, "raised")]), NOON)
    privacy.erase(store, "a", by="test", now=NOON)
    with store.read() as connection:
        assert "House a" not in str(connection.execute(sa.select(outbox)).all())
        assert secret not in str(connection.execute(sa.select(audit)).all())
    assert retention.tidy(store, NOON + 31 * 86400)["outbox"] == 1


def _work(port: int, url: str) -> None:
    """An ingest worker in a process of its own, hurried."""
    for limit, value in ((FLEET.retry_s, 0.05), (FLEET.beat_s, 0.1), (FLEET.webhook_s, 0.05)):
        setattr(FLEET, limit.key, limit._replace(value=value))
    slots._IDLE_S = 1.0
    settings = FleetSettings(broker=Broker(port=port, username=""), database=Database(url=url))
    ingest.Worker(settings, Store(url)).run(lambda: False)


def test_a_worker_killed_while_it_tells_tells_again_under_the_same_id(tmp_path: Path, receiver: Receiver) -> None:
    """Killed with the message at the receiver and its answer still to come; the next worker tells it once more, then
    the rest, in order, and nothing is lost."""
    need("mosquitto")
    url = f"sqlite:///{tmp_path}/fleet.db"
    store = Store(url)
    store.migrate()
    _site(store)
    receiver.secret = webhooks.add(store, "desk", receiver.url, [], by="test", now=NOON)
    names = ("locked-rotor", "fan-not-running", "call-without-pull-in")
    now = time.time()  # the worker's clock is the real one, and it drops what is months old
    raised = [payloads.finding("a", n + 1, "raised", name, wall_s=now) for n, name in enumerate(names)]
    writer(store).write(received(raised, now), now)
    receiver.held = True
    with PrivateBroker() as broker:
        first = _SPAWN.Process(target=_work, args=(broker.port, url), daemon=True)
        first.start()
        assert receiver.came.acquire(timeout=60)
        first.kill()
        first.join()
        receiver.held = False
        receiver.free.set()
        second = _SPAWN.Process(target=_work, args=(broker.port, url), daemon=True)
        second.start()
        for _ in names:
            assert receiver.came.acquire(timeout=60)
        second.terminate()
        second.join()
    ids = [message_id for message_id, _ in receiver.got]
    assert ids[0] == ids[1]
    assert [body["data"]["finding"] for _, body in receiver.got] == [names[0], *names]
    assert receiver.wrong == 0
    store.close()
