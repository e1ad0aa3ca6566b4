"""Texts in a reader's language: gettext of the standard library over the catalogues in locale/.

The English text is its own key. The tables of texts are `Texts` and `Records`, or stand in `mark(...)`;
build_catalogues.py collects them, with Babel. A text is translated when it is looked up or goes through `tr`, for the
reader of whatever is being written: `reading(...)` says who that is. A text without a translation stays English.
"""

from __future__ import annotations

import gettext
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple, TypeVar, cast

DOMAIN = "condenser-monitor"
LOCALE = Path(__file__).with_name("locale")
LANGUAGES = ("en", "es")


class Reader(NamedTuple):
    """Who reads: in which language, whether the clock shows "12" or "24" hours, and temperatures in "F" or "C"."""

    language: str = "en"
    clock: str = "12"
    scale: str = "C"


_USUAL = Reader()
_READER: ContextVar[Reader] = ContextVar("reader", default=_USUAL)
_Record = TypeVar("_Record", bound=tuple[Any, ...])
_Text = TypeVar("_Text", bound=str)


def reader() -> Reader:
    """Return for whom texts are being written."""
    return _READER.get()


def set_reader(found: Reader) -> None:
    """Write for this reader from now on, in this thread or task."""
    _READER.set(found)


@contextmanager
def reading(found: Reader) -> Iterator[None]:
    """Write for this reader within the block."""
    token = _READER.set(found)
    try:
        yield
    finally:
        _READER.reset(token)


def mark(text: str) -> str:
    """Mark a text for translation; give it back as it is."""
    return text


@cache
def translator(language: str = "en") -> Callable[[str], str]:
    """Return the function that turns an English text into `language`; English for one that has no catalogue."""
    found = gettext.translation(DOMAIN, LOCALE, [language], fallback=True).gettext
    return lambda text: found(text) if text else ""  # gettext keeps the file's header under the empty text


def tr(text: str) -> str:
    """Return an English text in the reader's language."""
    return translator(_READER.get().language)(text)


def one_stop(text: _Text) -> _Text:
    """Return a sentence that a time of day ends with one full stop: "a. m." in Spanish has its own."""
    return cast("_Text", text.replace(".\u00a0m..", ".\u00a0m."))


class Texts(dict[str, str]):
    """A table of English texts that gives each in the reader's language."""

    def __getitem__(self, key: str) -> str:
        return tr(super().__getitem__(key))

    def get(self, key: str, default: Any = None) -> Any:
        """Return the text of a key in the reader's language."""
        found = super().get(key)
        return default if found is None else tr(found)

    def english(self) -> Mapping[str, str]:
        """Return the table as it is written."""
        return dict(self.items())


def translated(record: _Record) -> _Record:
    """Return a NamedTuple of texts with each text in the reader's language; tuples of keys stay as they are."""
    if _READER.get().language == "en":
        return record
    return type(record)(*(tr(one) if isinstance(one, str) else one for one in record))
