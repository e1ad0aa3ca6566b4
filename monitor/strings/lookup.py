"""The words of a key with its values put in, as plain text, over the catalogues of texts and page."""

from __future__ import annotations

from collections.abc import Mapping

from condenser_monitor.monitor.strings.page import PAGE
from condenser_monitor.monitor.strings.texts import WORDS
from condenser_monitor.monitor.strings.translate import Texts, one_stop

ALL = Texts({**WORDS.english(), **PAGE.english()})


_COUNTED = ("count", "days", "cycles", "times")


def words(key: str, values: Mapping[str, object]) -> str:
    """Return the text of a key in the reader's language: its singular (`KEY-one`) where one thing is counted."""
    one = f"{key}-one"
    return ALL[one if one in ALL and any(str(values.get(name)) == "1" for name in _COUNTED) else key]


def plain(key: str, **values: object) -> str:
    """Return the words of `key` in the reader's language with `values` put in; whoever draws them escapes them.

    Raises KeyError for a key that the catalogue has not, or a value that its words ask for and that is not given.
    """
    return one_stop(words(key, values).format(**values))
