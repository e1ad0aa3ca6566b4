"""What a bare run leaves to CI."""

from __future__ import annotations

import pytest

pytest_plugins = ["pytester"]

CASES = """
import pytest
from tests.size import left_out, long_one, one_in


@long_one
def test_long():
    pass


@one_in(3)
@pytest.mark.parametrize("n", range(7))
def test_many(n):
    pass


def test_short(request):
    names = [item.name for item in left_out(request.session.items)]
    assert names == ["test_long", *(f"test_many[{n}]" for n in (1, 2, 4, 5))]
"""


def test_long_ones_and_all_but_each_nth_case_are_left_out(pytester: pytest.Pytester) -> None:
    """Six cases and a short test: the long one goes, and the cases between the first, the fourth and the seventh."""
    pytester.makeini("[pytest]\nmarkers = long_one\n    one_in(n)")
    pytester.makepyfile(CASES)
    pytester.inline_run("-p", "no:xdist", "-p", "no:cacheprovider").assertoutcome(passed=9)
