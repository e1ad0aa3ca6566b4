"""A site's books: for each topic and origin the ledger of numbers seen, and how far the site says it has numbered.

Kept as one small JSON text in the site's `state` row, so that one locked row guards everything about a site:

    {"events": {"a41f": ["1-812", 812]}, "cycles": {"a41f": ["1-455", 455]}}
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.fleet.interval_set import IntervalSet, Run
from condenser_monitor.monitor.limits import FLEET

ORIGINS_MOST = int(FLEET.origins_most.value)
RUNS_MOST = int(FLEET.runs_most.value)
_DECODER = msgspec.json.Decoder(dict[str, dict[str, tuple[str, int]]])
_ORDER_STEP = 2.0**41  # above any number of a message: a later origin outranks all of an earlier one


class Missing(NamedTuple):
    """Numbers of one topic and origin that never came."""

    topic: str
    origin: str
    first: int
    last: int


class SiteSequence:
    """One topic and origin: the ledger, and the highest number the site has told of."""

    __slots__ = ("ledger", "told")

    def __init__(self, ledger: IntervalSet, told: int) -> None:
        self.ledger, self.told = ledger, told

    def whole(self) -> bool:
        """Whether nothing is missing up to the highest number seen or told."""
        runs = self.ledger.runs
        if len(runs) == 1:
            return runs[0][0] == 1 and self.told <= runs[0][1]
        return not runs and self.told < 1

    def holes(self) -> list[Run]:
        """What is missing up to the highest number seen or told."""
        return [] if self.whole() else self.ledger.holes(self.told)


class SequenceTracker:
    """All ledgers of one site. Origins keep the order in which they were first met."""

    __slots__ = ("_books", "_origins")

    def __init__(self, text: str = "{}") -> None:
        self._books: dict[tuple[str, str], SiteSequence] = {}
        self._origins: list[str] = []
        for topic, rows in _parse(text).items():
            for origin, (runs, told) in rows.items():
                self._books[topic, origin] = SiteSequence(IntervalSet.parse(runs), told)
                if origin not in self._origins:
                    self._origins.append(origin)

    def __str__(self) -> str:
        topics: dict[str, dict[str, tuple[str, int]]] = {}
        for (topic, origin), book in self._books.items():
            topics.setdefault(topic, {})[origin] = (str(book.ledger), book.told)
        return msgspec.json.encode(topics).decode()

    def record(self, topic: str, origin: str, seq: int) -> bool:
        """Enter one number; True when it is new. Raises ValueError when the site's numbering is beyond repair."""
        book = self._book(topic, origin)
        if len(book.ledger.runs) >= RUNS_MOST and seq > book.ledger.top + 1:
            raise ValueError(f"more than {RUNS_MOST} separate runs of numbers: the site's counter is broken")
        return book.ledger.add(seq)

    def announce(self, topic: str, origin: str, top: int) -> None:
        """The site says that it has numbered up to `top`."""
        book = self._book(topic, origin)
        book.told = max(book.told, top)

    def give_up(self, topic: str, origin: str, first: int, last: int) -> int:
        """Close the holes within `first`..`last` as lost; returns how many numbers that were."""
        ledger = self._book(topic, origin).ledger
        lost = sum(min(run.last, last) - max(run.first, first) + 1 for run in ledger.holes(last) if run.last >= first)
        if lost > 0 and last >= first:
            ledger.fill(first, last)
        return max(lost, 0)

    def whole(self) -> bool:
        """Whether nothing is missing."""
        return all(book.whole() for book in self._books.values())

    def missing(self) -> list[Missing]:
        """Everything that never came, the newest origin first."""
        if self.whole():
            return []
        order = {origin: place for place, origin in enumerate(self._origins)}
        keys = sorted(self._books, key=lambda key: -order[key[1]])
        return [Missing(*key, *run) for key in keys for run in self._books[key].holes()]

    def rank(self, origin: str, seq: int) -> float:
        """Place of a message in the site's whole life: later origins after earlier ones, then by number."""
        return self._origins.index(origin) * _ORDER_STEP + seq

    def newest(self) -> float:
        """Return the place of the newest event that has been seen."""
        tops = {origin: book.ledger.top for (topic, origin), book in self._books.items() if topic == "events"}
        return max((self.rank(origin, top) for origin, top in tops.items()), default=0.0)

    def _book(self, topic: str, origin: str) -> SiteSequence:
        book = self._books.get((topic, origin))
        if book is None:
            if origin not in self._origins:
                if len(self._origins) >= ORIGINS_MOST:
                    raise ValueError(f"more than {ORIGINS_MOST} origins: the site's ids do not come from one counter")
                self._origins.append(origin)
            book = self._books[topic, origin] = SiteSequence(IntervalSet(), 0)
        return book


def _parse(text: str) -> dict[str, dict[str, tuple[str, int]]]:
    try:
        return _DECODER.decode(text)
    except msgspec.DecodeError as error:
        raise ContractError("state.books", str(error), "JSON as this program writes it") from None
