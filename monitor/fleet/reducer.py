"""A batch of messages folded onto what is known of their sites: what to write, and nothing else.

`fold` is a function of its arguments; the caller holds the sites' rows locked, so that what it read is what it
changes, and writes all of `Writes` and the new books in one transaction.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import msgspec

from condenser_monitor.monitor.fleet import active_alerts
from condenser_monitor.monitor.fleet.active_alerts import ActiveAlerts
from condenser_monitor.monitor.fleet.days import office_day
from condenser_monitor.monitor.fleet.messages import (
    NUMBERED,
    Aside,
    SiteMessage,
    origin,
    placed_at,
    read_episodes,
)
from condenser_monitor.monitor.fleet.sequence_tracker import SequenceTracker
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.monitor.publishers.messages import ROOT, Answered, CycleDone, Event, Online, UnitNow

AsideRow = tuple[float, str, str, bytes]
EventRow = tuple[int, float, str, int, str, str, str, str, float, str]
EpisodeRow = tuple[int, str, str, float, float | None, float, str, str, str]
CycleRow = tuple[int, float, str, int, *tuple[float | int | None, ...]]
PASSING_S = FLEET.hole_patience_s.value  # how far messages of one site may pass each other on their way
PAYLOAD_KEPT = 4096  # of a message set aside: enough to see what is wrong with it


class SiteNow(msgspec.Struct, kw_only=True):
    """The row of `state` of one site while a batch is folded onto it."""

    site_id: int
    site: str
    revoked: bool = False
    heard_at: float | None = None
    online: bool | None = None
    online_at: float | None = None
    cycle: str | None = None
    break_at: str | None = None
    outdoor_c: float | None = None
    service_until_at: float | None = None
    unit_at: float | None = None
    unit_rank: float | None = None
    unit_received_at: float | None = None
    clock_off_s: float | None = None
    hole_since: float | None = None
    books: SequenceTracker


class UnitDay(msgspec.Struct):
    """What a batch adds to a row of `site_days`."""

    cycles: int = 0
    starts: int = 0
    run_s: float = 0.0
    amp_s: float = 0.0
    degree_s: float = 0.0
    measured_s: float = 0.0
    outdoor_max_c: float | None = None


class Ask(msgspec.Struct, frozen=True):
    """A request that was answered: whose, its kind and, for a resend, which numbers it asked for."""

    site_id: int
    request: str
    topic: str = ""
    origin: str = ""
    from_seq: int = 1
    to_seq: int = 0


class Writes(msgspec.Struct):
    """Everything one batch writes. `taken` and `known` count numbered messages that were new and those seen before."""

    events: list[EventRow] = []
    cycles: list[CycleRow] = []
    days: dict[tuple[int, str], UnitDay] = {}
    standing: dict[tuple[int, str], ActiveAlerts] = {}
    snapshots: dict[int, str] = {}
    episodes: dict[tuple[int, str, str], EpisodeRow] = {}
    answers: dict[str, tuple[float, bool, str]] = {}
    asides: list[AsideRow] = []
    taken: int = 0
    known: int = 0


class Fold:
    """One batch on its way: `sites` and `rows` as read under lock, `writes` as they grow."""

    def __init__(
        self,
        sites: Mapping[str, SiteNow],
        rows: Mapping[int, active_alerts.Rows] | None = None,
        asks: Mapping[str, Ask] | None = None,
    ) -> None:
        self.sites, self.asks = sites, asks or {}
        self.rows: dict[int, active_alerts.Rows] = dict(rows or {})
        self.touched: dict[int, SiteNow] = {}
        self.writes = Writes()
        self._last: dict[str, UnitNow] = {}

    def reduce(self, messages: Iterable[SiteMessage | Aside], now: float) -> Writes:
        """Fold all messages in; `now` is when holes found by this batch began."""
        messages = list(messages)
        self._last = {m.site: m.body for m in messages if isinstance(m, SiteMessage) and isinstance(m.body, UnitNow)}
        for message in messages:
            if isinstance(message, Aside):
                self._aside(message.received_at, message.topic, message.reason, message.payload)
            else:
                self._one(message)
        for site in self.touched.values():
            site.hole_since = None if site.books.whole() else site.hole_since or now
        return self.writes

    def _one(self, message: SiteMessage) -> None:
        site = self.sites.get(message.site)
        if site is None:
            # The broker lets enrolled ones in only, so this one has been erased since: what it says is not to be kept.
            self._refuse(message, "no such site is enrolled", b"")
            return
        try:
            if site.revoked:
                raise ValueError("the site's enrolment has been revoked")
            _FOLDS[type(message.body)](self, site, message)
        except ValueError as error:
            self._refuse(message, str(error), message.payload)
            return
        self.touched[site.site_id] = site
        if not (isinstance(message.body, Online) and not message.body.online):  # the broker said that, not the site
            site.heard_at = max(site.heard_at or 0.0, message.received_at)

    def _refuse(self, message: SiteMessage, reason: str, payload: bytes) -> None:
        self._aside(message.received_at, f"{ROOT}/{message.site}/{message.topic}", reason, payload)

    def _aside(self, at: float, topic: str, reason: str, payload: bytes) -> None:
        self.writes.asides.append((at, topic, reason, payload[:PAYLOAD_KEPT]))

    def _new(self, site: SiteNow, message: SiteMessage, source: str, seq: int) -> bool:
        new = site.books.record(message.topic, source, seq)
        self.writes.taken += new
        self.writes.known += not new
        return new

    def _rows(self, site: SiteNow) -> active_alerts.Rows:
        return self.rows.setdefault(site.site_id, {})

    def event(self, site: SiteNow, message: SiteMessage) -> None:
        body = message.body
        assert isinstance(body, Event)
        source = origin(body)
        if body.finding.startswith(active_alerts.OFFICE):
            raise ValueError(f"{body.finding} is a name of the office's own")
        if not self._new(site, message, source, body.seq):
            return
        at = placed_at(body.wall_s, message.received_at)
        step = body.change or body.state
        kind = "finding" if body.change else "alert"
        head = (site.site_id, at, source, body.seq, kind, body.finding, str(step), body.severity.value)
        self.writes.events.append((*head, message.received_at, message.text))
        rank = site.books.rank(source, body.seq)
        row = active_alerts.apply_event(self._rows(site), body, site_id=site.site_id, rank=rank, at=at)
        if row is not None:
            self.writes.standing[site.site_id, row.finding] = row

    def cycle(self, site: SiteNow, message: SiteMessage) -> None:
        body = message.body
        assert isinstance(body, CycleDone)
        source = origin(body)
        if not self._new(site, message, source, body.seq):
            return
        at = placed_at(body.started_wall_s, message.received_at)
        start_s = body.transient.duration_s if body.transient else None
        numbers = (body.compressor_a, body.compressor_max_a, body.fan_a, body.control_v, body.coil_a, body.outdoor_c)
        delays = (body.run_s, body.pull_in_s, body.run_delay_s)
        row = (site.site_id, at, source, body.seq, *delays, *numbers, body.compressor_starts, start_s)
        self.writes.cycles.append(row)
        day = office_day(at)
        _add(self.writes.days.setdefault((site.site_id, day), UnitDay()), body)

    def unit(self, site: SiteNow, message: SiteMessage) -> None:
        body = message.body
        assert isinstance(body, UnitNow)
        if _superseded(body, self._last[message.site]):
            return
        for topic in NUMBERED:
            if topic in body.sent:
                site.books.announce(topic, body.origin, body.sent[topic])
        at = placed_at(body.wall_s, message.received_at)
        # One that does not say how far it has numbered: the newest event may have come after it.
        told = body.sent.get("events")
        rank = site.books.newest() - 0.5 if told is None else site.books.rank(body.origin, told)
        if self._older(site, rank, at, message.received_at):
            return
        site.unit_at, site.cycle, site.break_at = at, body.cycle, body.break_at
        site.unit_rank, site.unit_received_at = rank, message.received_at
        site.clock_off_s = None if body.wall_s is None else round(body.wall_s - message.received_at, 1)
        site.service_until_at = body.service_until_wall_s
        site.outdoor_c = body.readings.outdoor_c
        self.writes.snapshots[site.site_id] = message.text
        for one in read_episodes(bytes(body.episodes)):
            if one.since_wall_s is not None:  # a monitor that does not know the time tells of it again when it does
                key = (site.site_id, body.origin, one.id)
                times, whole = (one.since_wall_s, one.over_wall_s, at), msgspec.json.encode(one).decode()
                kept = (*key, *times, whole, one.severity.value, one.state.value)
                self.writes.episodes[key] = kept
        for row in active_alerts.apply_unit(self._rows(site), body, site_id=site.site_id, rank=rank, at=at):
            self.writes.standing[site.site_id, row.finding] = row

    @staticmethod
    def _older(site: SiteNow, rank: float, at: float, received_at: float) -> bool:
        """Whether a `unit` message was made before the one that is known. Between two with no event in between, dates
        decide only where both came together: workers pass each other by seconds, a wrong clock stays wrong."""
        if site.unit_rank is None or rank != site.unit_rank:
            return site.unit_rank is not None and rank < site.unit_rank
        together = received_at - (site.unit_received_at or 0.0) < PASSING_S
        return together and site.unit_at is not None and at < site.unit_at

    def online(self, site: SiteNow, message: SiteMessage) -> None:
        body = message.body
        assert isinstance(body, Online)
        if site.online is not body.online:
            site.online, site.online_at = body.online, message.received_at

    def answer(self, site: SiteNow, message: SiteMessage) -> None:
        body = message.body
        assert isinstance(body, Answered)
        ask = self.asks.get(body.id)
        if ask is None or ask.site_id != site.site_id:  # not ours: another office may ask too
            return
        self.writes.answers[body.id] = (message.received_at, body.done, body.why)
        if ask.request != "resend":
            return
        below = (body.first_seq or 1) - 1 if body.done else ask.to_seq
        lost = site.books.give_up(ask.topic, ask.origin, ask.from_seq, min(below, ask.to_seq))
        if lost:
            reason = f"{lost} messages from {ask.from_seq} on are lost: {body.why or 'the site no longer keeps them'}"
            self._aside(message.received_at, f"{ROOT}/{site.site}/{ask.topic}", reason, message.payload)


def _superseded(unit: UnitNow, last: UnitNow) -> bool:
    """Whether the last `unit` message of the site in this batch was made after this one: it says all that this says,
    and is true for longer. Not so where their order cannot be known for sure."""
    if unit is last or unit.wall_s is None or last.wall_s is None or unit.wall_s > last.wall_s:
        return False
    numbers = unit.sent.keys() == last.sent.keys() and all(unit.sent[name] <= last.sent[name] for name in unit.sent)
    return unit.origin == last.origin and "events" in unit.sent and numbers


def _add(day: UnitDay, cycle: CycleDone) -> None:
    day.cycles += 1
    day.starts += cycle.compressor_starts
    day.run_s += cycle.run_s
    if cycle.outdoor_c is not None:
        day.outdoor_max_c = max(cycle.outdoor_c, cycle.outdoor_c if day.outdoor_max_c is None else day.outdoor_max_c)
        if cycle.compressor_a is not None:
            day.amp_s += cycle.compressor_a * cycle.run_s
            day.degree_s += cycle.outdoor_c * cycle.run_s
            day.measured_s += cycle.run_s


_FOLDS = {
    Event: Fold.event,
    CycleDone: Fold.cycle,
    UnitNow: Fold.unit,
    Online: Fold.online,
    Answered: Fold.answer,
}
