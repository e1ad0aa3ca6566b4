"""The ledger of numbers seen is a set: checked against Python's own set."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.fleet.interval_set import IntervalSet, Run


@given(st.lists(st.integers(1, 60), max_size=120))
def test_ledger_is_a_set_and_its_holes_are_the_complement(numbers: list[int]) -> None:
    """Added numbers are new exactly once, in any order; holes are what a set lacks; text keeps all of it."""
    ledger, seen = IntervalSet(), set[int]()
    for number in numbers:
        assert ledger.add(number) == (number not in seen)
        seen.add(number)
    top = max(seen, default=0)
    assert ledger.top == top
    assert {n for run in ledger.holes() for n in range(run.first, run.last + 1)} == set(range(1, top + 1)) - seen
    assert str(IntervalSet.parse(str(ledger))) == str(ledger)
    assert all(later[0] > earlier[1] + 1 for earlier, later in pairwise(ledger.runs))


@given(st.lists(st.tuples(st.integers(1, 40), st.integers(0, 8)), max_size=12))
def test_filling_runs_is_adding_every_number(runs: list[tuple[int, int]]) -> None:
    """A filled run says the same as its numbers added one by one."""
    filled, added = IntervalSet(), IntervalSet()
    for first, more in runs:
        filled.fill(first, first + more)
        for number in range(first, first + more + 1):
            added.add(number)
    assert str(filled) == str(added)


def test_a_higher_number_known_to_exist_opens_a_hole_at_the_end() -> None:
    """What the site says it has sent, and never came, is missing although nothing came after it."""
    ledger = IntervalSet.parse("1-5,8")
    assert ledger.holes(10) == [Run(6, 7), Run(9, 10)]
    assert IntervalSet().holes(3) == [Run(1, 3)]


@pytest.mark.parametrize("text", ["a", "3-1", "0-4", "1-4,5-9", "5,1", "1--2"])
def test_broken_text_is_refused(text: str) -> None:
    """A ledger that cannot be is never guessed at: counting twice or losing would follow."""
    with pytest.raises(ContractError):
        IntervalSet.parse(text)
