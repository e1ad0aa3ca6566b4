"""The catalogue's words as the templates and views take them."""

from __future__ import annotations

import re

from markupsafe import Markup, escape

from condenser_monitor.monitor.strings.lookup import plain, words
from condenser_monitor.monitor.strings.translate import one_stop

__all__ = ["parted", "plain", "t"]
_MOMENT = re.compile(r"(.*?) ?(\d\d?:\d\d(?:\s?[ap]\.?\s?m\.?)?)", re.IGNORECASE)


def t(key: str, **values: object) -> Markup:
    """The words of a key with its values put in, for a page: what is put in is escaped, but for what is Markup already.

    Raises KeyError for a key that the catalogue has not, or a value that its words ask for and that is not given.
    """
    return one_stop(Markup(words(key, values)).format(**values))  # noqa: S704 - the catalogue is ours


def parted(moment: str) -> Markup:
    """A moment in words for a cell of a table: a narrow one breaks between day and time of day, and nowhere else."""
    found = _MOMENT.fullmatch(moment)
    if found is None:
        return escape(moment)
    within = f'<span class="within">{escape(found[2])}</span>'
    return Markup(f'<span class="within">{escape(found[1])}</span> {within}' if found[1] else within)  # noqa: S704
