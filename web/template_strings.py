"""The catalogue's words as the templates and views take them."""

from __future__ import annotations

from functools import cache

from markupsafe import Markup, escape

from condenser_monitor.monitor.strings.lookup import ALL, plain

__all__ = ["parted", "plain", "t"]


def t(key: str, **values: object) -> Markup:
    """The words of a key with its values put in, for a page: what is put in is escaped, but for what is Markup already.

    Raises KeyError for a key that the catalogue has not, or a value that its words ask for and that is not given.
    """
    return Markup(ALL[key]).format(**values) if values else _bare(key)  # noqa: S704 - the catalogue is ours


@cache
def _bare(key: str) -> Markup:
    return Markup(ALL[key]).format()  # noqa: S704 - the catalogue is ours


def parted(moment: str) -> Markup:
    """A moment in words for a cell of a table: a narrow one breaks between day and time of day, and nowhere else."""
    day, _, clock = moment.rpartition(" ")
    if ":" not in clock:
        return escape(moment)
    within = f'<span class="within">{escape(clock)}</span>'
    return Markup(f'<span class="within">{escape(day)}</span> {within}' if day else within)  # noqa: S704 - escaped
