"""What a bare run leaves to CI."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import size

pytest_plugins = ["pytester"]

NODE = "test_long_ones_and_all_but_each_nth_case_are_left_out.py"  # as pytester names the file of a test
CASES = """
import pytest
from tests.size import left_out, long_one, one_in


def test_listed():
    pass


@long_one
def test_long():
    pass


@one_in(3)
@pytest.mark.parametrize("n", range(7))
def test_many(n):
    pass


def test_short(request):
    names = [item.name for item in left_out(request.session.items)]
    assert names == ["test_listed", "test_long", *(f"test_many[{n}]" for n in (1, 2, 4, 5))]
"""


def test_long_ones_and_all_but_each_nth_case_are_left_out(
    pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seven cases and three tests: the long one and the listed one go, and the cases between the first, the fourth and
    the seventh."""
    listed = pytester.makefile(".txt", listed=f"   3.5 {NODE}::test_listed")
    monkeypatch.setattr(size, "LONG_TESTS", listed)
    pytester.makeini("[pytest]\nmarkers = long_one\n    one_in(n)")
    pytester.makepyfile(CASES)
    pytester.inline_run("-p", "no:xdist", "-p", "no:cacheprovider").assertoutcome(passed=10)


def test_what_took_long_is_written_slowest_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run's report names class, name and seconds; what was quick is left out, and what is written is read."""
    junit = tmp_path / "junit.xml"
    junit.write_text(
        '<testsuites><testsuite><testcase classname="tests.web.test_a" name="test_x[a b]" time="1.25"/>'
        '<testcase classname="tests.test_b" name="test_y" time="12.5"/>'
        '<testcase classname="tests.test_b" name="test_quick" time="0.9"/></testsuite></testsuites>'
    )
    monkeypatch.setattr(size, "LONG_TESTS", tmp_path / "long.txt")
    size.write_long_tests(junit)
    assert size.LONG_TESTS.read_text().splitlines() == [
        "  12.5 tests/test_b.py::test_y",
        "   1.2 tests/web/test_a.py::test_x[a b]",
    ]
    assert size.long_tests() == {"tests/test_b.py::test_y": 12.5, "tests/web/test_a.py::test_x[a b]": 1.2}


SLOW = """
from tests.size import left_out, long_one


@long_one
def test_marked():
    pass


def test_slow():
    pass


def test_slower(request):
    assert [item.name for item in left_out(request.session.items)] == ["test_marked", "test_slower"]
"""


def test_a_file_of_long_tests_keeps_its_quickest(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bare run looks at each part of the program at least once."""
    node = "test_a_file_of_long_tests_keeps_its_quickest.py"
    listed = pytester.makefile(".txt", listed=f"9.5 {node}::test_slower\n3.5 {node}::test_slow")
    monkeypatch.setattr(size, "LONG_TESTS", listed)
    pytester.makeini("[pytest]\nmarkers = long_one\n    one_in(n)")
    pytester.makepyfile(SLOW)
    pytester.inline_run("-p", "no:xdist", "-p", "no:cacheprovider").assertoutcome(passed=3)
