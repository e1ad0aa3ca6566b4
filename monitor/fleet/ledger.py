"""Which numbers of an unbroken sequence have been seen: a set of whole numbers kept as runs.

A site numbers what it sends from 1 on without a gap, so the set is nearly always one run, `1-500`, and its text is a
few bytes for years of messages. What is missing below the highest number is a hole, to be asked for again.
Pure: no clock, no database.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import NamedTuple

from monitor.errors import ContractError


class Run(NamedTuple):
    """The numbers `first` to `last`, both included."""

    first: int
    last: int


class Ledger:
    """A growing set of numbers from 1 up. `add` says which of the given ones are new; `holes` what is missing."""

    __slots__ = ("runs",)

    def __init__(self, runs: Iterable[tuple[int, int]] = ()) -> None:
        self.runs: list[Run] = [Run(*run) for run in runs]

    @classmethod
    def parse(cls, text: str) -> Ledger:
        """Read what `str()` wrote: `1-500,503`. Raises ContractError for anything else."""
        try:
            pairs = [part.partition("-") for part in text.split(",") if part]
            runs = [Run(int(first), int(last) if dash else int(first)) for first, dash, last in pairs]
        except ValueError:
            raise ContractError("ledger", text, "runs such as 1-500,503") from None
        if any(run.first < 1 or run.last < run.first for run in runs) or _touching(runs):
            raise ContractError("ledger", text, "rising runs from 1 up that do not touch")
        return cls(runs)

    def __str__(self) -> str:
        return ",".join(f"{first}-{last}" if last > first else str(first) for first, last in self.runs)

    def __contains__(self, number: int) -> bool:
        return any(first <= number <= last for first, last in reversed(self.runs))

    @property
    def top(self) -> int:
        """The highest number seen; 0 when none was."""
        return self.runs[-1].last if self.runs else 0

    def add(self, number: int) -> bool:
        """Put one number in; True when it was not there. The next number in order costs one comparison."""
        runs = self.runs
        if runs and number == runs[-1].last + 1:
            runs[-1] = Run(runs[-1].first, number)
            return True
        if number in self:
            return False
        self._insert(Run(number, number))
        return True

    def fill(self, first: int, last: int) -> None:
        """Put a whole run in, over whatever is there."""
        self._insert(Run(first, last))

    def holes(self, top: int | None = None) -> list[Run]:
        """The runs missing between 1 and `top` (the highest seen, unless a higher one is known to exist)."""
        edges = [0, *(edge for run in self.runs for edge in run), max(self.top, top or 0) + 1]
        gaps = (Run(last + 1, first - 1) for last, first in zip(edges[::2], edges[1::2], strict=True))
        return [gap for gap in gaps if gap.last >= gap.first]

    def _insert(self, new: Run) -> None:
        before = [run for run in self.runs if run.last < new.first - 1]
        after = [run for run in self.runs if run.first > new.last + 1]
        joined = self.runs[len(before) : len(self.runs) - len(after)]
        first = min([new.first, *(run.first for run in joined)])
        last = max([new.last, *(run.last for run in joined)])
        self.runs = [*before, Run(first, last), *after]


def _touching(runs: list[Run]) -> bool:
    return any(later.first <= earlier.last + 1 for earlier, later in pairwise(runs))
