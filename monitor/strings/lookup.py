"""The words of a key with its values put in, as plain text, over the catalogues of texts and page."""

from __future__ import annotations

from condenser_monitor.monitor.strings.page import PAGE
from condenser_monitor.monitor.strings.texts import WORDS
from condenser_monitor.monitor.strings.translate import Texts, one_stop

ALL = Texts({**WORDS.english(), **PAGE.english()})


def plain(key: str, **values: object) -> str:
    """Return the words of `key` in the reader's language with `values` put in; whoever draws them escapes them.

    Raises KeyError for a key that the catalogue has not, or a value that its words ask for and that is not given.
    """
    return one_stop(ALL[key].format(**values))
