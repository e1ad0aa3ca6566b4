"""Rows of the table, and how a time is taken: processor time, the best of several turns, as the least disturbed one."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import NamedTuple


class Row(NamedTuple):
    """One figure. `floor` is in the same unit as `value`; `times` is how many times the floor's cost it costs (for a
    rate: how many times slower it is); `aim` says what was aimed at, "" where nothing was."""

    name: str
    value: float
    unit: str
    floor_name: str
    floor: float
    times: float
    aim: str = ""

    def line(self) -> str:
        """As printed."""
        aim = f"  (aim: {self.aim})" if self.aim else ""
        return (
            f"{self.name:44} {_figure(self.value):>10} {self.unit:14} {self.times:9.2f} x  "
            f"{self.floor_name}, {_figure(self.floor)}{aim}"
        )


def _figure(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def cost(name: str, value: float, unit: str, floor: tuple[str, float], aim: str = "") -> Row:
    """A row where less is better; `floor` is (what, how much)."""
    return Row(name, value, unit, *floor, value / floor[1], aim)


def rate(name: str, value: float, unit: str, floor: tuple[str, float], aim: str = "") -> Row:
    """A row where more is better; `floor` is (what, how much)."""
    return Row(name, value, unit, *floor, floor[1] / value, aim)


def took_s(work: Callable[[], object], turns: int = 3, clock: Callable[[], float] = time.process_time) -> float:
    """The shortest time of some turns, s."""
    return took_each_s((work,), turns, clock)[0]


def took_each_s(
    works: Sequence[Callable[[], object]], turns: int = 3, clock: Callable[[], float] = time.process_time
) -> list[float]:
    """The shortest time of each; in turns one after the other, so that a machine that slows down slows all of them."""
    best = [float("inf")] * len(works)
    for _ in range(turns):
        for place, work in enumerate(works):
            began_s = clock()
            work()
            best[place] = min(best[place], clock() - began_s)
    return best
