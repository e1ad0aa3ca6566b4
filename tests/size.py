"""How much of the long tests is played.

The bare `pytest` of a contributor leaves out those marked `long_one`, plays each n-th case of those marked `one_in(n)`,
and leaves out what `long_tests.txt` names: whatever took LONG_S and more when all tests were last played, but for the
quickest of a file that would else have none. What they guard is seldom broken. CI=true plays them all, and so does who
asks for a file or for words of a name. With CI=true a missing service is a failure instead of a skip, too; that is
FULL. WHOLE=1 (nightly) plays the largest number of storms, mutants and pages as well.

After a run of all (`CI=true pytest --junitxml=FILE`), `python -m tests.size FILE` writes `long_tests.txt` again.
"""

from __future__ import annotations

import os
import sys
from collections import Counter
from pathlib import Path
from xml.etree import ElementTree

import pytest

FULL = bool(os.environ.get("CI"))
WHOLE = bool(os.environ.get("WHOLE"))
LONG_S = 1.0
LONG_TESTS = Path(__file__).with_name("long_tests.txt")
long_one = pytest.mark.long_one
one_in = pytest.mark.one_in
whole_only = pytest.mark.skipif(not WHOLE, reason="a long one, played with WHOLE=1")


def sized(small: int, full: int) -> int:
    """Return the number that is played here."""
    return full if WHOLE else small


def long_tests() -> dict[str, float]:
    """Return node id -> seconds of the tests that took long when all were last played."""
    rows = [row.split(maxsplit=1) for row in LONG_TESTS.read_text(encoding="utf-8").splitlines()]
    return {test: float(took_s) for took_s, test in rows}


def left_out(items: list[pytest.Item]) -> list[pytest.Item]:
    """Return those of `items` that a quick run leaves to CI."""
    long_s = long_tests()
    seen: Counter[str] = Counter()
    marked, listed = [], []
    for item in items:
        every = item.get_closest_marker("one_in")
        at = item.nodeid.partition("[")[0]
        if item.get_closest_marker("long_one") or (every is not None and seen[at] % every.args[0]):
            marked.append(item)
        elif item.nodeid in long_s:
            listed.append(item)
        seen[at] += 1
    out = {*marked, *listed}
    played = {item.path for item in items if item not in out}
    for item in sorted(listed, key=lambda one: long_s[one.nodeid]):
        if item.path not in played:
            played.add(item.path)
            out.remove(item)
    return [item for item in items if item in out]


def write_long_tests(junit: Path) -> None:
    """Write the tests that took LONG_S or more, slowest first, from the JUnit report of a run of all."""
    took_s: dict[str, float] = {}
    for case in ElementTree.parse(junit).iter("testcase"):
        place = case.get("classname", "").replace(".", "/")
        took_s[f"{place}.py::{case.get('name')}"] = float(case.get("time", 0.0))
    slowest_first = sorted(took_s.items(), key=lambda row: -row[1])
    rows = [f"{seconds:6.1f} {test}\n" for test, seconds in slowest_first if seconds >= LONG_S]
    LONG_TESTS.write_text("".join(rows), encoding="utf-8")


if __name__ == "__main__":
    write_long_tests(Path(sys.argv[1]))
