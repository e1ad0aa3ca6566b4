"""Messages of errors: one bounded line with place, given and allowed, whatever was given."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor.core.errors import (
    CommandError,
    CondenserError,
    SiteError,
    shown,
)


@pytest.mark.parametrize(
    ("given_", "says"),
    [
        (55, "got 55;"),
        ("a b", "got 'a b';"),
        (None, "got None;"),
        ("x" * 10_000_000, "and 9999800 more"),
        (b"\xff" * 1000, "and 800 more"),
        (10**5000, "a int too large to show"),
        (["x" * 50] * 1000, " ... "),
    ],
    ids=["number", "text", "nothing", "long-text", "long-bytes", "long-number", "long-list"],
)
def test_what_was_given_is_shown_cut(given_: object, says: str) -> None:
    """Short values as they are, long ones cut with how much more there was; the value itself is kept whole."""
    error = SiteError("site.toml: unit.line_hz", given_, "50 or 60")
    assert says in str(error)
    assert str(error).startswith("site.toml: unit.line_hz: got ")
    assert str(error).endswith("; allowed: 50 or 60")
    assert len(str(error)) < 1200
    assert error.given is given_
    assert isinstance(error, ValueError)


@given(place=st.text(), given_=st.one_of(st.text(), st.binary(), st.integers()), allowed=st.text())
def test_a_message_is_one_line_that_a_terminal_only_shows(place: str, given_: object, allowed: str) -> None:
    """Controls, marks of direction and halves of characters are written as escapes, in all three parts."""
    said = str(CommandError(place, given_, allowed))
    assert said.isprintable()
    assert len(said) < 4 * 3500


def test_letters_of_every_language_are_shown_as_they_are() -> None:
    """Only what cannot be shown is escaped."""
    assert shown("Überlandstraße 4, 公园路, \x1b[2J\u202e\ud800") == "Überlandstraße 4, 公园路, \\x1b[2J\\u202e\\ud800"
    assert shown("a" * 300, 100) == "a" * 75 + " ... " + "a" * 25
    assert issubclass(SiteError, CondenserError)
