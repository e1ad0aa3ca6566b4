"""Recordings (contract.md, Recording): CSV in and out, the same format live, simulated and replayed.

A bad row is refused with its line number and the reason, and the rest is still read. Beyond the contract's comments, a
line `# start-transient: {...}` carries a StartTransient as JSON, at its place in time; others skip it as a comment.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from functools import partial
from itertools import chain
from math import inf
from operator import getitem, itemgetter
from pathlib import Path
from typing import IO, Any

import msgspec

from condenser_monitor.monitor.core.errors import RecordingError, shown
from condenser_monitor.monitor.core.readings import FLAGS, READINGS
from condenser_monitor.monitor.core.records import (
    Scan,
    StartTransient,
)

START = "# start:"
TRANSIENT = "# start-transient:"
_CACHE_CELLS = 50_000
_LINE_MOST = 4096  # characters; a row of every reading has some hundred
_ENDLESS = 1 << 24  # characters without a line's end: a device, or no text at all
_READABLE = "a readable CSV file"
_KEPT_MOST = 10_000  # bad rows kept with their reasons; the others are counted


class Refused(msgspec.Struct, frozen=True, kw_only=True):
    """One refused row: where and why."""

    line: int
    reason: str


class Reader:
    """Iterates over the Scans (and StartTransients) of one recording.

    `columns` are the readings present, `start_wall_s` the wall clock of t_s = 0 or None, `refused` the first bad rows
    and `bad` how many there were so far. Raises RecordingError when the file or its header cannot be used, also for a
    line that does not end; with `strict`, reading ends at the first bad row.
    """

    def __init__(self, path: str | Path, *, strict: bool = False) -> None:
        self.path, self.strict = str(path), strict
        self.start_wall_s: float | None = None
        self.refused: list[Refused] = []
        self.bad = 0
        self.rows = 0
        self._line = 0
        try:
            # A byte that is not UTF-8 spoils its own row, not the file.
            self._file: IO[str] = Path(path).open(encoding="utf-8-sig", errors="replace", newline="")
        except (OSError, ValueError) as error:  # a ValueError for a NUL in the name
            raise RecordingError(self.path, getattr(error, "strerror", None) or str(error), _READABLE) from None
        try:
            self.columns = self._header()
        except OSError as error:
            self._file.close()
            raise RecordingError(self.path, error.strerror or str(error), _READABLE) from None
        except RecordingError:
            self._file.close()
            raise

    def _lines(self) -> Iterator[str]:
        """The lines, counted; one that is too long is refused and left out."""
        read = partial(self._file.readline, _LINE_MOST)
        for line in iter(read, ""):
            self._line += 1
            if len(line) < _LINE_MOST or line[-1] in "\r\n":
                yield line
            else:
                self._refuse(f"more than {_LINE_MOST} characters")
                if self.strict:
                    return
                self._skip(read)

    def _skip(self, read: Callable[[], str]) -> None:
        """Leave out the rest of a line."""
        for count, rest in enumerate(iter(read, "")):
            if rest[-1] in "\r\n":
                return
            if count > _ENDLESS // _LINE_MOST:
                raise RecordingError(f"{self.path}, line {self._line}", "a line without end", _READABLE)

    def _header(self) -> tuple[str, ...]:
        for line in self._lines():
            if line.startswith("#"):
                self._comment(line)
            elif line.strip():
                return self._check_header([cell.strip() for cell in line.split(",")])
        raise RecordingError(self.path, "no header row", "a header row with t_s and any of " + ", ".join(READINGS))

    def _check_header(self, names: list[str]) -> tuple[str, ...]:
        place = f"{self.path}, line {self._line}"
        if "t_s" not in names:
            raise RecordingError(place, ",".join(names), "a header row with the column t_s")
        for name in names:
            if name != "t_s" and name not in READINGS:
                raise RecordingError(place, name, "t_s and any of " + ", ".join(READINGS))
            if names.count(name) > 1:
                raise RecordingError(place, f"{name} twice", "each column once")
        self._names = names
        return tuple(name for name in READINGS if name in names)

    def _comment(self, line: str) -> StartTransient | None:
        if line.startswith(START) and self.start_wall_s is None and not self.rows:
            self.start_wall_s = self._wall(line[len(START) :].strip())
        elif line.startswith(TRANSIENT):
            try:
                return msgspec.json.decode(line[len(TRANSIENT) :], type=StartTransient)
            except (msgspec.DecodeError, ValueError) as error:
                self._refuse(f"start-transient: {error}")
        return None

    def _wall(self, text: str) -> float | None:
        try:
            moment = datetime.fromisoformat(text.replace("z", "Z"))
            if moment.tzinfo is None:
                raise ValueError("no time zone")
            return moment.timestamp()
        except ValueError as error:
            raise RecordingError(
                f"{self.path}, line {self._line}", f"{text} ({error})", "an RFC 3339 time, 2026-07-14T13:00:00-05:00"
            ) from None

    def __iter__(self) -> Iterator[Scan | StartTransient]:
        try:
            yield from self._rows()
        except OSError as error:
            raise RecordingError(f"{self.path}, line {self._line}", error.strerror or str(error), _READABLE) from None
        finally:
            self._file.close()

    def _rows(self) -> Iterator[Scan | StartTransient]:
        names, width = self._names, len(self._names)
        time_at = names.index("t_s")
        cache = _Cells(names)
        make = cache.make
        wall_0, last_s = self.start_wall_s, float("-inf")
        for line in self._lines():
            cells = line.split(",") if '"' not in line else next(csv.reader([line]))
            if len(cells) != width or line[0] == "#":
                start = self._odd_line(line, len(cells), width)
                if start is not None:
                    yield start
                if self.strict and self.bad:
                    return
                continue
            try:
                t_s = float(cells[time_at])
                if not last_s < t_s < 1e12:
                    raise ValueError(f"t_s is {cells[time_at].strip()}, after {last_s:g}; it must rise")
                wall_s = None if wall_0 is None else wall_0 + t_s
                try:
                    scan = make(t_s, wall_s, cells)
                except KeyError:  # a text not seen before
                    cache.learn(cells)
                    scan = make(t_s, wall_s, cells)
            except ValueError as error:
                self._refuse(self._reason(cells, error))
                if self.strict:
                    return
                continue
            last_s = t_s
            self.rows += 1
            yield scan

    def _odd_line(self, line: str, count: int, width: int) -> StartTransient | None:
        if line.startswith("#"):
            return self._comment(line)
        if line.strip():
            self._refuse(f"{count} cells; the header has {width}")
        return None

    def _reason(self, cells: Sequence[str], error: Exception) -> str:
        for name, cell in zip(self._names, cells, strict=True):
            try:
                value = float(cell) if cell.strip() or name == "t_s" else 0.0
            except ValueError:
                return f"{name} is {cell.strip()!r}, not a number"
            if name in FLAGS and value not in (0.0, 1.0):
                return f"{name} is {cell.strip()!r}; a flag is 0 or 1"
        return str(error)

    def _refuse(self, reason: str) -> None:
        self.bad += 1
        if len(self.refused) < _KEPT_MOST:
            self.refused.append(Refused(line=self._line, reason=shown(reason)))


class _Cells:
    """Cells of one row -> a Scan: `make(t_s, wall_s, cells)`, a KeyError for a text that `learn` has not seen.

    Equal texts give equal values, so each is converted only once.
    """

    def __init__(self, names: Sequence[str]) -> None:
        flags: dict[str, Any] = {"0": False, "1": True, "": None}
        signed: dict[str, Any] = {"": None}
        sizes: dict[str, Any] = {"": None}  # of readings that are taken as given, and of those whose sign says nothing

        def table(name: str) -> dict[str, Any]:
            return flags if name in FLAGS else sizes if READINGS[name].either_way else signed

        self._columns = [(index, name, table(name)) for index, name in enumerate(names) if name != "t_s"]
        self._numbers = (signed, sizes)
        self._names = [name for _, name, _ in self._columns]
        self._tables = [known for _, _, known in self._columns]
        self._readings = _picked([index for index, _, _ in self._columns])

    def make(self, t_s: float, wall_s: float | None, cells: Sequence[str]) -> Scan:
        """Return the row as a Scan; the readings are looked up without a loop of our own, as every row passes here."""
        values = zip(self._names, map(getitem, self._tables, self._readings(cells)), strict=True)
        return Scan(t_s=t_s, wall_s=wall_s, **dict(values))

    def learn(self, cells: Sequence[str]) -> None:
        """Take up the texts of a row. Raises ValueError for one that cannot be."""
        for numbers in self._numbers:
            if len(numbers) > _CACHE_CELLS:
                numbers.clear()
        for index, name, known in self._columns:
            if cells[index] not in known:
                known[cells[index]] = _value(name, cells[index].strip())


def _value(name: str, text: str) -> float | bool | None:
    """What a reading's cell says. Raises ValueError for one that cannot be read."""
    if not text:
        return None
    value = float(text)
    if name not in FLAGS:
        return READINGS[name].taken(value)
    if value not in (0.0, 1.0):
        raise ValueError(f"{text!r} is not 0 or 1")
    return bool(value)


def _picked(indexes: Sequence[int]) -> Callable[[Sequence[str]], Sequence[str]]:
    """Return what picks these cells of a row, always as a sequence."""
    if len(indexes) > 1:
        return itemgetter(*indexes)
    return lambda cells: [cells[index] for index in indexes]


class RecordingWriter:
    """Writes Scans as a recording. `readings` are the columns, `start_wall_s` the wall clock of t_s = 0."""

    def __init__(self, file: IO[str], readings: Sequence[str], start_wall_s: float | None = None) -> None:
        self._file = file
        self._readings = tuple(name for name in READINGS if name in readings)
        self._t_s = -inf
        if start_wall_s is not None:
            stamp = datetime.fromtimestamp(start_wall_s, UTC).isoformat().replace("+00:00", "Z")
            file.write(f"{START} {stamp}\n")
        file.write(",".join(chain(["t_s"], self._readings)) + "\n")

    def write(self, item: Scan | StartTransient) -> None:
        """One row, or one start."""
        if isinstance(item, StartTransient):
            self._file.write(f"{TRANSIENT} {msgspec.json.encode(item).decode()}\n")
            return
        # A time must rise, also where presence changes twice in a millisecond.
        rounded = round(item.t_s, 3)
        self._t_s = rounded if rounded > self._t_s else max(round(item.t_s, 6), round(self._t_s + 1e-6, 6))
        cells = [f"{self._t_s:.6f}".rstrip("0").rstrip(".")]
        cells += [_cell(getattr(item, name)) for name in self._readings]
        self._file.write(",".join(cells) + "\n")


def _cell(value: float | bool | None) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "1" if value else "0"
    return f"{value:.3f}".rstrip("0").rstrip(".") or "0"
