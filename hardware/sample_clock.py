"""The converter's own beat, found from the reads of a burst: which conversion did each read get?

In continuous mode the chip converts on its own clock, up to 10 % off nominal, and keeps the last result only. Reads
come a little faster than conversions, so that a read finds either a new result or the old one again; a reader that the
kernel holds up misses conversions altogether. The time stamps alone do not tell which: a pause of one and a half
conversions may or may not hold a conversion that nobody read.

Each read says where on the beat it fell. A new result after less than one beat: a conversion ended in between. The
same result again: none did. Both mark an arc of the beat, allowed or forbidden. The beat and phase that contradict the
fewest reads are the converter's, to about a thousandth; from them each result gets its place and its time. A beat once
found is looked for first next time: it only drifts with temperature.
"""

from __future__ import annotations

from cmath import exp as cexp
from cmath import phase
from collections.abc import Iterable, Sequence
from itertools import accumulate, pairwise
from math import pi
from typing import NamedTuple

from condenser_monitor.monitor import limits

BINS = 32
BEGIN = 128  # reads
_WIDE = tuple(1 + 0.001 * step for step in range(-108, 113))
# Step (beats over the whole burst) and reach (of the beat) about the best coarse beat. Where the beat that
# contradicts nothing is narrow, the first steps pass over it.
_FINE = ((0.04, 0.0006), (0.015, 0.0012))
_NARROW = tuple(1 + 0.0005 * step for step in range(-4, 5))


class SampleClock:
    """The beat of one converter. `beat_s` is the best estimate so far, `known` whether it was measured."""

    def __init__(self) -> None:
        self.beat_s = 1 / limits.ADC_RATE_HZ.value
        self.known = False
        self._trusted = 0  # bursts for which the beat is taken as it is
        self._spared = 0  # short bursts that tell no beat and need no new search, as one has just failed

    def times(self, stamps: Sequence[float], fresh: Sequence[bool]) -> list[float | None] | None:
        """When the conversion of each fresh read ended, s, to a constant: None for a read too close to the turn of the
        beat to say; None for all where the reads do not tell.

        `stamps` are the times of all reads in order, `fresh` whether each got a new result.
        """
        news = [at_s for at_s, new in zip(stamps, fresh, strict=True) if new]
        if len(news) < limits.BEAT_READS.value or not self._plausible(news):
            return None
        if self._trusted > 0 and self._gapless(stamps, news):
            self._trusted -= 1
            return [news[0] + place * self.beat_s for place in range(len(news))]
        return self._searched(stamps, fresh, news)

    def _gapless(self, stamps: Sequence[float], news: Sequence[float]) -> bool:
        """Every conversion was read and known for new: no pause between reads is long enough for two to end in it, and
        the results keep to the beat from first to last (one that has the code of the one before looks old)."""
        if max(b - a for a, b in pairwise(stamps)) >= self.beat_s * (1.0 - limits.BEAT_MARGIN.value / 2):
            return False
        after = [at_s - place * self.beat_s for place, at_s in enumerate(news)]
        return max(after) - min(after) < self.beat_s * (1.0 + limits.BEAT_MARGIN.value)

    def _searched(
        self, stamps: Sequence[float], fresh: Sequence[bool], news: Sequence[float]
    ) -> list[float | None] | None:
        if self._spared > 0 and self._hopeless(stamps, news):
            self._spared -= 1
            return None
        zero_s = stamps[0]
        reads = [(a - zero_s, b - zero_s, new) for a, b, new in zip(stamps, stamps[1:], fresh[1:], strict=False)]
        found = self._search(reads, news)
        if found is None:
            self.known, self._spared = False, int(limits.BEAT_BURSTS.value)
            return None
        width, self.beat_s, phase_s = found
        margin = limits.BEAT_MARGIN.value + width / BINS / 2
        self.known, self._trusted = True, int(limits.BEAT_BURSTS.value)
        if self._gapless(stamps, news):
            return [news[0] + place * self.beat_s for place in range(len(news))]
        start_s = zero_s + phase_s
        places = self._places(news, start_s)
        whole = places[-1] - places[0] == len(places) - 1
        return [
            start_s + place * self.beat_s
            if whole or margin <= (at_s - start_s) / self.beat_s % 1.0 <= 1.0 - margin
            else None
            for place, at_s in zip(places, news, strict=True)
        ]

    def _hopeless(self, stamps: Sequence[float], news: Sequence[float]) -> bool:
        """By the last beat so many conversions gave the code of the one before (the noise of a lead that carries
        nothing) that no beat would be believed. A whole search for each such burst would be most of a scan's work."""
        missing = (news[-1] - news[0]) / self.beat_s - (len(news) - 1)
        return len(stamps) <= BEGIN and missing > limits.BEAT_CONTRADICTED.value * len(stamps)

    def _plausible(self, news: Sequence[float]) -> bool:
        """Enough of the results changed: a signal that lies flat gives the same code again and tells no beat."""
        return (len(news) - 1) * self.beat_s > limits.BEAT_SHARE.value * (news[-1] - news[0])

    def _search(
        self, reads: Sequence[tuple[float, float, bool]], news: Sequence[float]
    ) -> tuple[int, float, float] | None:
        """(width in bins of the phases that are as good, beat, phase)."""
        bound = limits.BEAT_CONTRADICTED.value
        longest_s = (news[-1] - news[0]) / max(len(news) - 2, 1)
        # A beat roughly right runs away over a long burst: its begin tells the beat, all of it the last digits.
        begin = reads[:BEGIN]
        nominal_s = 1 / limits.ADC_RATE_HZ.value
        tries = [(self.beat_s, _NARROW)] if self.known else []
        for around_s, ratios in (*tries, (nominal_s, _WIDE)):
            best = _best(begin, (around_s * ratio for ratio in ratios), longest_s)
            # Steps of a thousandth miss the beat by half of one, and contradict some reads more than the beat itself.
            if best is None or best[0] > 2.0 * bound * len(begin):
                continue
            for share, reach in _FINE:
                step = share / len(reads)
                fine = (best[2] * (1 + step * place) for place in range(-int(reach / step), int(reach / step) + 1))
                finer = _best(reads, fine, longest_s)
                if finer is not None and finer[0] <= bound * len(reads):
                    return -finer[1], finer[2], finer[3]
        return None

    def _places(self, news: Sequence[float], start_s: float) -> list[int]:
        """The place on the beat of each result, no two alike.

        A read close to the turn of the beat may lie on either side of it; of all rising rows of places the one is taken
        that moves reads across the turn by the least, in sum (dynamic programming over three places for each read).
        """
        rows: list[list[tuple[int, float, int]]] = []  # for each result: (place, least sum up to here, choice before)
        before: list[tuple[int, float, int]] = [(-(10**9), 0.0, 0)]
        for at_s in news:
            place, part = divmod((at_s - start_s) / self.beat_s, 1.0)
            row = []
            for move, cost in ((-1, part), (0, 0.0), (1, 1.0 - part)):
                reached = [(total, choice) for choice, (last, total, _) in enumerate(before) if last < place + move]
                if reached:
                    total, choice = min(reached)
                    row.append((int(place) + move, total + cost, choice))
            if not row:  # three results in one beat: no chip does that, the stamps are wrong
                row = [(before[-1][0] + 1, before[-1][1] + 1.0, len(before) - 1)]
            rows.append(row)
            before = row
        choice = min(range(len(before)), key=lambda place: before[place][1])
        places = []
        for row in reversed(rows):
            place, _, choice = row[choice]
            places.append(place)
        return places[::-1]


class Shift(NamedTuple):
    """How times to a constant become times of the clock: moved by `by_s`, and stretched by `rate` about `middle_s`."""

    by_s: float
    rate: float
    middle_s: float
    half_s: float  # the truth lies within this of it

    def at(self, time_s: float) -> float:
        """The time of the clock."""
        return time_s + self.by_s + self.rate * (time_s - self.middle_s)


def anchor(stamps: Sequence[float], fresh: Sequence[bool], times: Sequence[float | None]) -> Shift | None:
    """Where the ends of conversions lie on the clock of the reads; None where the reads contradict each other.

    Each conversion ended after the read before the one that got it, and before that one. `times` are those of the fresh
    reads on the converter's beat, to a constant. The bounds are intersected over the burst, for the beat as found and a
    little beside it; of what is possible the middle is taken, each beat weighing by how much room it leaves.
    """
    bounds = [(before_s, at_s) for before_s, at_s, new in zip((stamps[0], *stamps), stamps, fresh, strict=False) if new]
    known = [(low, high, at_s) for (low, high), at_s in zip(bounds, times, strict=True) if at_s is not None]
    if len(known) < limits.BEAT_READS.value:
        return None
    middle_s = (known[0][2] + known[-1][2]) / 2
    # Whatever the rate, the narrowest bounds are corners of the hull: some ten of the hundred.
    lows = _upper_hull([(at_s - middle_s, low - at_s) for low, _, at_s in known])
    highs = _upper_hull([(at_s - middle_s, at_s - high) for _, high, at_s in known])
    weight = moved = turned = widest = 0.0
    for step in range(-_RATES, _RATES + 1):
        rate = step * _RATE_STEP
        low = max(bound_s - rate * off_s for off_s, bound_s in lows)
        high = -max(bound_s + rate * off_s for off_s, bound_s in highs)
        room = high - low
        if room > 0.0:
            weight += room
            moved += room * (low + high) / 2
            turned += room * rate
            widest = max(widest, room)
    if weight <= 0.0:
        return None
    return Shift(moved / weight, turned / weight, middle_s, widest / 2)


def _upper_hull(points: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """The corners of the convex hull that lie above, of points in the order of their first number (monotone chain)."""
    hull: list[tuple[float, float]] = []
    for x, y in points:
        while len(hull) >= 2:
            (x_1, y_1), (x_2, y_2) = hull[-2:]
            if (x_2 - x_1) * (y - y_1) < (x - x_1) * (y_2 - y_1):
                break
            hull.pop()
        hull.append((x, y))
    return hull


_RATES, _RATE_STEP = 30, 1e-4  # a beat trusted for some bursts may be off by a few thousandths


def _best(
    reads: Sequence[tuple[float, float, bool]], beats: Iterable[float], longest_s: float
) -> tuple[float, int, float, float] | None:
    """(reads contradicted, -width in bins of the phases that do so least, beat, phase) of the best beat.

    Of those that contradict equally few, the widest: the truth is most likely in the middle of what is possible.
    """
    found = [(*_contradicted(reads, beat_s), beat_s) for beat_s in beats if beat_s <= longest_s]
    if not found:
        return None
    least, width, phase_s, beat_s = min(found)
    return least, width, beat_s, phase_s


def _contradicted(reads: Sequence[tuple[float, float, bool]], beat_s: float) -> tuple[int, int, float]:
    """(how many reads the best phase contradicts, minus how many bins do as well, the middle of those in s)."""
    change = [0] * (BINS + 1)
    scale = BINS / beat_s
    most = 0
    for before_s, at_s, new in reads:
        if at_s - before_s >= beat_s:
            most += not new
            continue
        first, last = int(before_s * scale) % BINS, int(at_s * scale) % BINS
        sign = 1 if new else -1
        most += new
        change[first] += sign
        change[last] -= sign
        if last < first or (last == first and at_s - before_s > beat_s / 2):
            change[0] += sign
    agreed = list(accumulate(change[:BINS]))
    best = max(agreed)
    middle = sum(cexp(2j * pi * (place + 1) / BINS) for place, votes in enumerate(agreed) if votes == best)
    return most - best, -agreed.count(best), phase(middle) / (2 * pi) % 1 * beat_s
