"""(edge) Where sites are, from the owner's own list of places: no service is asked. A list is CSV with a header row
`area,latitude,longitude`: postal codes, towns or quarters, degrees north and east. A site lies where the last and
longest area that is named in its address lies, so that `4 Elm Street, Townley 60601` may be found by either.

Distances are great circles; the order of a day's visits is that of the nearest next one, mended by turning
stretches around (2-opt: G. A. Croes, Operations Research 6 (1958) 791) and moving a few stops (I. Or, thesis, 1976)
while that shortens the way. Roads are not known.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping, Sequence
from functools import cache, lru_cache
from itertools import pairwise
from math import asin, cos, hypot, radians, sin
from pathlib import Path
from typing import NamedTuple

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.limits import FLEET

_EARTH_KM = 6371.0088  # mean radius R1 of the Earth (H. Moritz, Geodetic Reference System 1980)
_MENDED_MOST = int(FLEET.route_stops.value)
_MOVED_MOST, _EPS_KM = 3, 1e-9
_HEADER = ("area", "latitude", "longitude")
_WORD = re.compile(r"[^\W_]+")


class Place(NamedTuple):
    """An area of the list: degrees north and east of its middle."""

    area: str
    latitude: float
    longitude: float


class Route(NamedTuple):
    """Stops in the order in which to make them, by their numbers; those whose place is not known are not among them.
    `km` is the length of the way, as the crow flies, from the start where there is one."""

    order: tuple[int, ...]
    km: float


class Places:
    """A list of places; the empty one knows none. `start` is the area from which the trucks leave."""

    def __init__(self, rows: Sequence[Place] = (), start: str = "") -> None:
        self._places: dict[tuple[str, ...], Place] = {_words(row.area): row for row in rows}
        self._longest = max(map(len, self._places), default=0)
        self.start = self.of(start)

    def __len__(self) -> int:
        return len(self._places)

    def of(self, address: str) -> Place | None:
        """Where an address is; None where it names no place of the list."""
        words = _words(address)
        for end in range(len(words), 0, -1):
            for length in range(min(self._longest, end), 0, -1):
                found = self._places.get(words[end - length : end])
                if found is not None:
                    return found
        return None

    def route(self, addresses: Sequence[str]) -> Route:
        """An order of visits by distance."""
        found = {number: place for number, place in enumerate(map(self.of, addresses)) if place is not None}
        return shortest(found, self.start)


def km(one: Place, other: Place) -> float:
    """Return the distance along a great circle (haversine, R. W. Sinnott, Sky and Telescope 68 (1984) 159)."""
    north, east = radians(other.latitude - one.latitude), radians(other.longitude - one.longitude)
    across = cos(radians(one.latitude)) * cos(radians(other.latitude)) * sin(east / 2) ** 2
    return 2 * _EARTH_KM * asin(min(1.0, hypot(sin(north / 2), across**0.5)))


def shortest(stops: Mapping[int, Place], start: Place | None) -> Route:
    """Return a short way past all stops that begins at `start`, or else at the first stop, and ends anywhere."""
    left = dict(stops)
    way = [] if start is not None or not left else [next(iter(left))]
    at = start if start is not None else left.pop(way[0]) if way else None
    while left and at is not None:
        here = at
        nearest = min(left, key=lambda number: (km(here, left[number]), number))
        at = left.pop(nearest)
        way.append(nearest)
    numbers = ([-1] if start is not None else []) + way
    points = {**stops} if start is None else {**stops, -1: start}
    if len(numbers) <= _MENDED_MOST:
        leg = cache(lambda one, other: 0.0 if one is None or other is None else km(points[one], points[other]))
        while (better := _shorter(numbers, leg)) is not None:
            numbers = better
    length = sum(km(points[one], points[other]) for one, other in pairwise(numbers))
    return Route(tuple(number for number in numbers if number >= 0), length)


def _shorter(way: list[int], leg: Callable[[int | None, int | None], float]) -> list[int] | None:
    """Return the way with one stretch of it turned around, or up to three stops moved elsewhere, where that makes it
    shorter; None where nothing does. The first point stays. `leg` gives km between two of the points, 0 to None."""
    ends: list[int | None] = [*way, None]
    for first in range(1, len(way)):
        for last in range(first + 1, len(way) + 1):
            before, after, stretch = way[first - 1], ends[last], way[first:last]
            gained = leg(before, stretch[0]) + leg(stretch[-1], after)
            if leg(before, stretch[-1]) + leg(stretch[0], after) < gained - _EPS_KM:
                return [*way[:first], *stretch[::-1], *way[last:]]
            if len(stretch) > _MOVED_MOST:
                continue
            rest = [*way[:first], *way[last:]]
            gained -= leg(before, after)
            for place in range(1, len(rest) + 1):
                left, right = rest[place - 1], rest[place] if place < len(rest) else None
                for turned in (stretch, stretch[::-1]):
                    if leg(left, turned[0]) + leg(turned[-1], right) - leg(left, right) < gained - _EPS_KM:
                        return [*rest[:place], *turned, *rest[place:]]
    return None


def _words(text: str) -> tuple[str, ...]:
    return tuple(_WORD.findall(text.casefold()))


def load(file: str, start: str) -> Places:
    """Read the list, or what was read of it before while it is the same file; no list where there is no name. Raises
    CommandError naming the line."""
    if not file:
        return Places()
    try:
        changed_ns = Path(file).stat().st_mtime_ns
    except OSError as error:
        raise CommandError("[dispatch] places_file", file, f"a list of places ({error.strerror})") from None
    return _read(file, start, changed_ns)


@lru_cache(maxsize=2)
def _read(file: str, start: str, _changed_ns: int) -> Places:
    try:
        with Path(file).open(encoding="utf-8-sig", newline="") as lines:
            reader = csv.DictReader(lines)
            if not set(_HEADER) <= set(reader.fieldnames or ()):
                raise CommandError(f"{file}: header", ", ".join(reader.fieldnames or ()), ", ".join(_HEADER))
            places = Places([_place(row, f"{file}, line {reader.line_num}") for row in reader], start)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise CommandError(file, str(error), "a readable CSV file in UTF-8") from None
    if start and places.start is None:
        raise CommandError("[dispatch] start", start, f"an area of {file}")
    return places


def _place(row: Mapping[str, str | None], line: str) -> Place:
    area = (row["area"] or "").strip()
    if not _words(area):
        raise CommandError(f"{line}: area", area, "a postal code or the name of a place")
    degrees = []
    for name, most in (("latitude", 90.0), ("longitude", 180.0)):
        try:
            value = float(row[name] or "")
        except ValueError:
            value = most + 1
        if not -most <= value <= most:
            raise CommandError(f"{line}: {name}", row[name], f"degrees, -{most:g} to {most:g}")
        degrees.append(value)
    return Place(area, *degrees)
