"""Which numbers of an unbroken sequence have been seen: a set of whole numbers kept as runs.

A site numbers what it sends from 1 on without a gap, so the set is nearly always one run, `1-500`, and its text is a
few bytes for years of messages. What is missing below the highest number is a hole, to be asked for again.
Pure: no clock, no database.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from condenser_monitor.monitor.core.errors import ContractError


class Run(NamedTuple):
    """The numbers `first` to `last`, both included."""

    first: int
    last: int


class IntervalSet:
    """A growing set of numbers from 1 up. `add` says which of the given ones are new; `holes` what is missing."""

    __slots__ = ("runs",)

    def __init__(self, runs: Iterable[tuple[int, int]] = ()) -> None:
        self.runs: list[tuple[int, int]] = list(runs)

    @classmethod
    def parse(cls, text: str) -> IntervalSet:
        """Read what `str()` wrote: `1-500,503`. Raises ContractError for anything else."""
        first, dash, last = text.partition("-")
        if dash and first.isdecimal() and last.isdecimal() and text.isascii() and 1 <= int(first) < int(last):
            return cls([(int(first), int(last))])  # as nearly always
        runs: list[tuple[int, int]] = []
        top = -1  # so that the first run may begin at 1, and no run touches the one before
        try:
            for part in text.split(",") if text else ():
                first, dash, last = part.partition("-")
                run = (int(first), int(last if dash else first))
                if not top + 1 < run[0] <= run[1]:
                    raise ValueError
                runs.append(run)
                top = run[1]
        except ValueError:
            raise ContractError("ledger", text, "rising runs from 1 up that do not touch, such as 1-500,503") from None
        return cls(runs)

    def __str__(self) -> str:
        return ",".join(f"{first}-{last}" if last > first else str(first) for first, last in self.runs)

    def __contains__(self, number: int) -> bool:
        return any(first <= number <= last for first, last in reversed(self.runs))

    @property
    def top(self) -> int:
        """The highest number seen; 0 when none was."""
        return self.runs[-1][1] if self.runs else 0

    def add(self, number: int) -> bool:
        """Put one number in; True when it was not there. The next number in order costs one comparison."""
        runs = self.runs
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
            return True
        if number in self:
            return False
        self._insert(number, number)
        return True

    def fill(self, first: int, last: int) -> None:
        """Put a whole run in, over whatever is there."""
        self._insert(first, last)

    def holes(self, top: int | None = None) -> list[Run]:
        """The runs missing between 1 and `top` (the highest seen, unless a higher one is known to exist)."""
        edges = [0, *(edge for run in self.runs for edge in run), max(self.top, top or 0) + 1]
        gaps = (Run(last + 1, first - 1) for last, first in zip(edges[::2], edges[1::2], strict=True))
        return [gap for gap in gaps if gap.last >= gap.first]

    def _insert(self, first: int, last: int) -> None:
        before = [run for run in self.runs if run[1] < first - 1]
        after = [run for run in self.runs if run[0] > last + 1]
        joined = self.runs[len(before) : len(self.runs) - len(after)]
        lowest = min([first, *(run[0] for run in joined)])
        highest = max([last, *(run[1] for run in joined)])
        self.runs = [*before, (lowest, highest), *after]
