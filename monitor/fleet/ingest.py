"""(edge) The ingest worker: broker -> database, acknowledged to the broker only after the commit.

Start as many as there is load for, on as many machines; each takes a slot (slots.py) and its share of the messages
(MQTT 5, 4.8.2 shared subscriptions). The worker in the first slot also listens to `availability` alone, because who is
there must be told in order, and does what one alone must do: requests, holes, tidying. When anything fails, everything
is dropped and begun again: what was not acknowledged comes again, and what was committed all the same is known again.
"""

from __future__ import annotations

import gc
import logging
import select
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from functools import partial
from types import TracebackType

from condenser_monitor.monitor.core.errors import BrokerError, DatabaseError
from condenser_monitor.monitor.fleet import inference, on_call, resend, retention, webhooks
from condenser_monitor.monitor.fleet.messages import Aside, SiteMessage, read
from condenser_monitor.monitor.fleet.reducer import Writes
from condenser_monitor.monitor.fleet.session import Arrived, IngestSession
from condenser_monitor.monitor.fleet.setup import FleetSettings
from condenser_monitor.monitor.fleet.slots import FIRST, Slots
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.writer import IngestWriter, writer
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.monitor.publishers.messages import topic

SHARED = ("events", "cycles", "unit", "answers")
_GROUP = "condenser-fleet"
_ASIDE = ("on_call", "webhooks", "infer")  # wait for others, or look at all sites: half a minute at 100,000
_DAY_S, _MINUTE_S = 86400.0, 60.0
_log = logging.getLogger(__name__)


def spare_collector() -> None:
    """Have Python look for cycles of garbage seldom. A batch makes a hundred thousand objects, none of them in a cycle;
    by the usual thresholds the collector walked all of them again and again, two fifths of a worker's time."""
    gc.freeze()
    gc.set_threshold(int(FLEET.collect_objects.value), 10, 10)


class _Collected:
    """Messages in hand: what they say, and by session what to acknowledge once that has been committed."""

    def __init__(self) -> None:
        self.said: list[SiteMessage | Aside] = []
        self.mids: dict[IngestSession, list[int]] = {}
        self.began_at = 0.0

    def __len__(self) -> int:
        return sum(map(len, self.mids.values()))


class SiteQuota:
    """How much each site may send: bytes that grow with time up to a burst. What is above is not read: it is noted once
    a minute, and what was numbered among it shows as missing and is asked for again, in small pieces."""

    def __init__(self) -> None:
        self._left: dict[str, tuple[float, float]] = {}  # bytes left, and when that was
        self._noted_at: dict[str, float] = {}
        self._burst, self._per_s = FLEET.site_burst_kb.value * 1e3, FLEET.site_kb_per_s.value * 1e3

    def admit(self, topic: str, size: int, at: float) -> bool:
        """Whether a message may be read."""
        site = topic.rpartition("/")[0]
        before = self._left.get(site)
        left = self._burst
        if before is not None:
            grown = before[0] + (at - before[1]) * self._per_s if at > before[1] else before[0]
            left = grown if grown < left else left
        admitted = size <= left
        self._left[site] = (left - size if admitted else left, at)
        return admitted

    def note(self, topic: str, at: float) -> Aside | None:
        """What to keep of a message that was not read: the first of its site in this minute."""
        site = topic.rpartition("/")[0]
        if at - self._noted_at.get(site, 0.0) < _MINUTE_S:
            return None
        self._noted_at[site] = at
        return Aside(topic, at, "the site sends more than its quota: not read, and asked for again later", b"")


class Worker:
    """One ingest process. `wall` gives seconds since 1970; `counts` is what it has done since it started;
    `listening` says whether the broker gives it messages."""

    def __init__(self, settings: FleetSettings, store: Store, *, wall: Callable[[], float] = time.time) -> None:
        self.settings, self.store, self.wall = settings, store, wall
        self.counts = {"messages": 0, "taken": 0, "known": 0, "aside": 0}
        self.listening = False

    def run(self, stopped: Callable[[], bool]) -> None:
        """Work until `stopped()`; never ends for a broker or a database that fails."""
        failed = ""
        while not stopped():
            try:
                with WorkerSession(self) as life:
                    self.listening, failed = True, ""
                    _log.info("takes in messages as worker %d", life.slot + 1)
                    while not stopped():
                        life.turn()
                    life.finish()
            except (BrokerError, DatabaseError) as error:
                self.listening = False
                if str(error) != failed:
                    _log.warning("%s; trying again", error, exc_info=error)
                failed = str(error)
                time.sleep(FLEET.retry_s.value)

    def count(self, messages: int, writes: Writes) -> None:
        """Add a committed and acknowledged batch to the counts."""
        self.counts["messages"] += messages
        self.counts["taken"] += writes.taken
        self.counts["known"] += writes.known
        self.counts["aside"] += len(writes.asides)


class WorkerSession:
    """A worker between two failures: its slots, its sessions, one batch being collected and one being written."""

    def __init__(self, worker: Worker) -> None:
        self._worker, self._wall = worker, worker.wall
        self._writer: IngestWriter = writer(worker.store)
        self._sessions: dict[int, IngestSession] = {}
        self._draining: set[int] = set()
        self._batch, self._writing = _Collected(), _Collected()
        self._future: Future[Writes] | None = None
        self._sending: set[str] = set()
        self._delivered: list[str] = []
        # What is done now and then, and when next; each answers in how many seconds it is due again.
        duties = (self._beat, self._send, self._sweep, self._infer, self._on_call, self._webhooks, self._tidy)
        self._due: dict[Callable[[float], float], float] = dict.fromkeys(duties, 0.0)
        self._caught_up_at: float | None = None
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="fleet-writer")
        self._outward = {name: ThreadPoolExecutor(1, f"fleet-{name}") for name in _ASIDE}
        self._telling: dict[str, Future[int]] = {}
        self._closing = threading.Event()
        self._slots = Slots(worker.store)
        self._quota = SiteQuota()
        try:
            self._own = self._slots.claim(self._wall())
            self._sessions[self._own] = self._open(self._own)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> WorkerSession:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def slot(self) -> int:
        """The slot of this worker's own."""
        return self._own

    def close(self) -> None:
        """Drop everything; the broker keeps the sessions and what was not acknowledged."""
        self._closing.set()
        for pool in (self._pool, *self._outward.values()):
            pool.shutdown(wait=True, cancel_futures=True)
        for session in self._sessions.values():
            session.drop()
        self._slots.close()

    # ------------------------------------------------------------ turns

    def turn(self) -> None:
        """Read, hand a batch to the writer when it is time, acknowledge what it has committed, do what is due."""
        self._wait()
        self._read()
        self._settle(block=False)
        self._hand_over()
        now = self._wall()
        for act in [act for act, due_at in self._due.items() if now >= due_at]:
            self._due[act] = now + act(now)

    def finish(self) -> None:
        """Write and acknowledge what is in hand, before an orderly end."""
        self._settle(block=True)
        self._hand_over(at_once=True)
        self._settle(block=True)

    def _wait(self) -> None:
        if self._future is not None and len(self._batch) >= FLEET.batch_most.value:
            wait([self._future], timeout=FLEET.batch_wait_s.value)
            return
        if any(session.unread for session in self._sessions.values()):
            return
        # While a batch is being written the wait is short: its end does not wake us.
        timeout_s = FLEET.batch_wait_s.value / (20 if self._future or self._batch else 1)
        select.select(list(self._sessions.values()), [], [], timeout_s)

    def _read(self) -> None:
        emptied = True
        for session in self._sessions.values():
            room = int(FLEET.batch_most.value) - len(self._batch)
            emptied = emptied and room > 0
            if room > 0:
                arrived = session.turn(room)
                emptied = emptied and len(arrived) < room
                if arrived:
                    self._collect(session, arrived, self._wall())
        if emptied:
            self._caught_up_at = self._wall()

    def _collect(self, session: IngestSession, arrived: list[Arrived], at: float) -> None:
        batch, admit = self._batch, self._quota.admit
        if not batch.mids:
            batch.began_at = at
        batch.mids.setdefault(session, []).extend([item.mid for item in arrived])
        for _, name, payload in arrived:
            said = read(name, payload, at) if admit(name, len(payload), at) else self._quota.note(name, at)
            if said is not None:
                batch.said.append(said)

    def _hand_over(self, *, at_once: bool = False) -> None:
        count = len(self._batch)
        if self._future is not None or not count:
            return
        now = self._wall()
        waited = now - self._batch.began_at
        if at_once or count >= FLEET.batch_most.value or not 0 <= waited < FLEET.batch_wait_s.value:
            self._writing, self._batch = self._batch, _Collected()
            self._future = self._pool.submit(self._writer.write, self._writing.said, now)

    def _settle(self, *, block: bool) -> None:
        if self._future is None or not (block or self._future.done()):
            return
        writes, self._future = self._future.result(), None
        done, self._writing = self._writing, _Collected()
        for session, mids in done.mids.items():
            session.acknowledge(mids)
        self._worker.count(len(done), writes)

    # ------------------------------------------------------------ sessions

    def _open(self, slot: int) -> IngestSession:
        session = IngestSession(self._worker.settings.broker, f"{_GROUP}-{slot}")
        try:
            session.subscribe(*(f"$share/{_GROUP}/{topic('+', name)}" for name in SHARED))
            if slot == FIRST:
                session.subscribe(topic("+", "availability"), retained=True)
                # The broker does not give what it keeps to shared subscriptions: ask once. In a session that goes on
                # too: mosquitto (2.0.11) keeps that over a restart, but not its shared subscriptions, and what the
                # units said meanwhile is lost; what was numbered among it shows as missing then.
                session.subscribe(topic("+", "unit"), retained=True)
                session.unsubscribe(topic("+", "unit"))
        except BrokerError:
            session.drop()
            raise
        return session

    def _adopt(self, now: float) -> None:
        """Take over what workers that are gone have left: the first slot for good, others to empty their sessions."""
        for slot in self._slots.abandoned(now):
            if not self._slots.try_lock(slot):
                continue
            if slot == FIRST:
                self._sessions[slot] = self._open(slot)
                self._drain(self._own)
                self._own = slot
            else:
                self._sessions[slot] = IngestSession(self._worker.settings.broker, f"{_GROUP}-{slot}")
                self._drain(slot)

    def _drain(self, slot: int) -> None:
        """Take no new messages by this session, only those that the broker has queued for it."""
        session = self._sessions[slot]
        session.unsubscribe(*(f"$share/{_GROUP}/{topic('+', name)}" for name in SHARED))
        session.heard_s = time.monotonic()
        self._draining.add(slot)

    def _end_drained(self) -> None:
        busy = self._batch.mids.keys() | self._writing.mids.keys()
        for slot in list(self._draining):
            session = self._sessions[slot]
            if session not in busy and time.monotonic() - session.heard_s > FLEET.drained_s.value:
                session.end()
                del self._sessions[slot]
                self._draining.discard(slot)
                self._slots.forget(slot)

    # ------------------------------------------------------------ duties

    def _beat(self, now: float) -> float:
        self._slots.check()
        self._slots.beat(list(self._sessions), now, self._worker.counts, self._caught_up_at)
        self._adopt(now)
        self._end_drained()
        return FLEET.beat_s.value

    def _send(self, now: float) -> float:
        if self._own == FIRST:
            delivered, self._delivered = self._delivered, []
            resend.sent(self._worker.store, delivered, now)
            self._sending -= set(delivered)
            for wish in resend.unsent(self._worker.store, self._sending):
                self._sending.add(wish.id)
                self._sessions[FIRST].publish(wish.topic, wish.payload, partial(self._delivered.append, wish.id))
        return 1.0

    def _sweep(self, now: float) -> float:
        full = self._own == FIRST and resend.sweep(self._writer, now) >= FLEET.sweep_sites.value
        return 1.0 if full else FLEET.sweep_s.value  # a broker that restarts may leave a hole at every site

    def _infer(self, now: float) -> float:
        self._tell("infer", partial(inference.infer, writer(self._worker.store), now))
        return FLEET.infer_s.value

    def _on_call(self, now: float) -> float:
        self._tell("on_call", partial(on_call.notify, self._worker.store, self._worker.settings.on_call, now))
        return FLEET.on_call_s.value

    def _webhooks(self, now: float) -> float:
        self._tell("webhooks", partial(webhooks.deliver, self._worker.store, self._wall, stopped=self._closing.is_set))
        return FLEET.webhook_s.value

    def _tidy(self, now: float) -> float:
        if self._own == FIRST:
            retention.tidy(self._worker.store, now)
        return _DAY_S

    def _tell(self, name: str, act: Callable[[], int]) -> None:
        """Do in a thread of its own what may take long, unless it still does; its failure is this session's."""
        before = self._telling.get(name)
        if self._own == FIRST and (before is None or before.done()):
            self._telling[name] = self._outward[name].submit(act)
            if before is not None:
                before.result()
