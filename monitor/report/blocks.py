"""What a report is put together from, told apart from how it is written: blocks that HTML and PDF both can show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

from condenser_monitor.monitor.drawing.shapes import Drawing


class Heading(NamedTuple):
    words: str
    level: Literal[1, 2, 3] = 2


class Para(NamedTuple):
    """plain; soft: in the background; lead: what comes first; say: to be read out; warn: a warning."""

    words: str
    kind: Literal["plain", "soft", "lead", "say", "warn"] = "plain"


class Bullets(NamedTuple):
    """caution: each with a warning sign."""

    rows: Sequence[str]
    kind: Literal["plain", "numbered", "caution"] = "plain"


class Table(NamedTuple):
    """`widths` are shares of the page's width; columns in `right` hold numbers."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    widths: Sequence[float]
    right: Sequence[int] = ()


class Picture(NamedTuple):
    drawing: Drawing


Block = Heading | Para | Bullets | Table | Picture


class Document(NamedTuple):
    """A report: its title, a line for the foot of each page, its blocks."""

    title: str
    foot: str
    blocks: tuple[Block, ...]
