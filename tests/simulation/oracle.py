"""What a storm's receivers were given, held against what was promised, message by message as it comes.

A stream is what one receiver got, as a receiver sees it: topic, number, id, and the message. What must have come is
known from the steps that the history has committed (`Ledger`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

import msgspec

from condenser_monitor.monitor.core.records import (
    AlertChange,
    Change,
    Cycle,
    Event,
)
from condenser_monitor.monitor.storage.schema import id_origin

DATES = {"wall_s", "stopped_wall_s"}  # may become known between two sendings
HEAD = {"id", "seq", "site", "run", "kind", *DATES}


class Item(NamedTuple):
    """One numbered message of `events` or `cycles`; `body` is its JSON."""

    topic: str
    seq: int
    id: str
    run: int
    body: dict[str, Any]

    @property
    def origin(self) -> str:
        """What numbered it, with the mark of a row told before it was on disk ("origin.mark")."""
        return id_origin(self.id, self.seq)


def facts(body: dict[str, Any]) -> str:
    """What a message says, without its head and dates, as text."""
    return msgspec.json.encode({k: v for k, v in body.items() if k not in HEAD}, order="sorted").decode()


def event_facts(event: Event) -> str:
    """The same of an event before it is a message."""
    return facts(msgspec.to_builtins(event))


class Stream:
    """One receiver's messages. `broken` is told of each promise that is not kept, once."""

    def __init__(self, name: str, broken: Callable[[str], None]) -> None:
        self.name, self.broken = name, broken
        self.first: dict[str, str] = {}
        self.told: Counter[str] = Counter()
        self.repeats = 0
        self.harmed: set[str] = set()  # numberings of which a damaged or lost file may have cost rows
        self.spoilt: set[str] = set()  # and those of which a damaged one may tell what nobody said
        self.begun: set[str] = set()  # numberings that a life of the program began with
        self.restarted: set[tuple[str, int]] = set()  # (numbering, run) begun without the memory of the one before
        self._seen: dict[tuple[str, str], set[int]] = {}
        self._top: dict[tuple[str, str], int] = {}
        self._standing: dict[str, bool] = {}
        self._marked: set[str] = set()  # findings last told of before the disk took it
        self.run = 0  # of the life that tells

    def forget(self) -> None:
        """What stands is known to nobody any more, and may be told again."""
        self._standing.clear()

    def take(self, item: Item) -> None:
        """One message, as it comes."""
        said = facts(item.body)
        if item.id in self.first:
            self.repeats += 1
            if self.first[item.id] != said:
                self.told[said] += 1
                if item.origin.partition(".")[0] not in self.spoilt:
                    self.broken(f"{self.name}: {item.id} came with two bodies")
            return
        self.first[item.id] = said
        self.told[said] += 1
        self._row(item)
        self._turn(item)

    def _row(self, item: Item) -> None:
        """In order, and none left out: what came before the disk took it is marked, and outside the order."""
        origin, _, mark = item.origin.partition(".")
        seen = self._seen.setdefault((origin, item.topic), set())
        top = self._top.get((origin, item.topic), 0)
        harmed = origin in self.harmed or (bool(self.spoilt) and origin not in self.begun)  # or the very id is spoilt
        if not mark:
            missing = [] if harmed else [seq for seq in range(top + 1, item.seq) if seq not in seen]
            if item.seq <= top:
                self.broken(f"{self.name}: {item.id} came after {top}")
            if missing:
                self.broken(f"{self.name}: {item.id} came, {missing[:5]} of {item.topic} never did")
            self._top[origin, item.topic] = item.seq
        seen.add(item.seq)

    def _turn(self, item: Item) -> None:
        """Each finding is raised, revised and cleared strictly in turn; afresh where a cut forgot something."""
        life = (item.origin.partition(".")[0], item.run)
        if life in self.restarted:
            self.restarted.discard(life)
            self.forget()
        change, finding = item.body.get("change"), item.body.get("finding")
        if change is None or finding is None:
            return
        marked = "." in item.origin
        if finding in self._marked and not marked and item.run < self.run:
            # Of a life before, and not to be read until now: later ones have told how it stands since.
            self._standing.pop(finding, None)
            return
        (self._marked.add if marked else self._marked.discard)(finding)
        if self._standing.get(finding, change != "raised") is (change == "raised"):
            self.broken(f"{self.name}: {finding} {change} out of turn, {item.body['t_s']:g} s, {item.id}")
        self._standing[finding] = change != "cleared"


class Ledger:
    """What was committed, so that it must come; and what may have been, as the power went in the middle of it."""

    def __init__(self) -> None:
        self.must: Counter[str] = Counter()
        self.may: Counter[str] = Counter()
        self.spoilt = False  # a damaged row may say what nobody said
        self._pending: list[str] = []

    def brought(self, events: Iterable[Event]) -> None:
        """A step brought these, and they are on their way to the disk."""
        self._pending += [event_facts(event) for event in events if isinstance(event, Change | AlertChange | Cycle)]

    def committed(self) -> None:
        """All of it is on the disk."""
        self.must.update(self._pending)
        self._pending.clear()

    def cut(self) -> None:
        """The program is gone: nobody knows what of it was written."""
        self.may.update(self._pending)
        self._pending.clear()

    def harmed(self, *, spoilt: bool) -> None:
        """The file is: what it held may be lost, or `spoilt`."""
        self.may.update(self.must)
        self.must.clear()
        self.cut()
        self.spoilt |= spoilt

    def judge(self, stream: Stream, *, all_of_it: bool) -> None:
        """Hold a stream against it: nothing that nobody brought; in the end (`all_of_it`) everything committed."""
        known = self.must + self.may + Counter(self._pending)
        for said in () if self.spoilt else stream.told - known:
            stream.broken(f"{stream.name}: told more often than it was brought: {said[:200]}")
        if all_of_it:
            for said in self.must - stream.told:
                stream.broken(f"{stream.name}: committed and never came: {said[:200]}")


class PhoneRecord:
    """What the phone's service has taken, episode by episode, held to the rule of the broker's messages: each once, or
    once more after a cut; never not at all. It asks the program nothing: it knows what was taken and when cuts came."""

    ONCE = ("alarm", "missed", "off")

    def __init__(self, broken: Callable[[str], None]) -> None:
        self.broken = broken
        self.ever: set[str] = set()  # episodes that the phone was told anything of
        self._times: Counter[tuple[str, str]] = Counter()
        self._excused: Counter[tuple[str, str]] = Counter()
        self._ended: dict[str, bool] = {}

    def cut(self) -> None:
        """The program ended without order, or on a disk that took nothing: what was taken may not be known to the next
        life, and be told once more."""
        self._excused.update(self._times.keys())
        self._ended.clear()

    def forget(self) -> None:
        """The memory of episodes is lost: their names may mean others from now on."""
        self._times.clear()
        self._excused.clear()
        self._ended.clear()

    def take(self, kind: str, episode: str) -> None:
        """One episode of a message that the service took."""
        self.ever.add(episode)
        key = (kind, episode)
        self._times[key] += 1
        if kind in self.ONCE and self._times[key] > 1 + self._excused[key]:
            self.broken(f"phone: {kind} of {episode} told {self._times[key]} times, {self._excused[key]} cuts")
        if kind == "over" and self._ended.get(episode):
            self.broken(f"phone: the end of {episode} told twice without its coming back")
        self._ended[episode] = kind == "over"

    def judge(self, believed: Iterable[str], urgent: Iterable[str]) -> None:
        """In the end: `believed` are the episodes of which the program believes that the phone was told, `urgent` those
        that are open and that it must have been told of."""
        for episode in sorted({*believed, *urgent} - self.ever):
            self.broken(f"phone: {episode} was never told")
