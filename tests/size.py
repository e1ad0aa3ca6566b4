"""How much of the long tests is played.

The bare `pytest` of a contributor leaves out those marked `long_one` and plays each n-th case of those marked
`one_in(n)`: what they guard is seldom broken. CI=true plays them all, and so does who asks for a file or for words of a
name. With CI=true a missing service is a failure instead of a skip, too; that is FULL. WHOLE=1 (nightly) plays the
largest number of storms, mutants and pages as well.
"""

from __future__ import annotations

import os
from collections import Counter

import pytest

FULL = bool(os.environ.get("CI"))
WHOLE = bool(os.environ.get("WHOLE"))
long_one = pytest.mark.long_one
one_in = pytest.mark.one_in
whole_only = pytest.mark.skipif(not WHOLE, reason="a long one, played with WHOLE=1")


def sized(small: int, full: int) -> int:
    """Return the number that is played here."""
    return full if WHOLE else small


def left_out(items: list[pytest.Item]) -> list[pytest.Item]:
    """Return those of `items` that a quick run leaves to CI."""
    seen: Counter[str] = Counter()
    found = []
    for item in items:
        every = item.get_closest_marker("one_in")
        at = item.nodeid.partition("[")[0]
        if item.get_closest_marker("long_one") or (every is not None and seen[at] % every.args[0]):
            found.append(item)
        seen[at] += 1
    return found
