"""Texts in a reader's language: gettext of the standard library over the catalogues in locale/.

The English text is its own key. Where a text is written down it stands in `mark(...)`, by which Babel finds it; where
it is shown it goes through `translator(language)`. A text without a translation stays English.
"""

from __future__ import annotations

import gettext
from collections.abc import Callable
from functools import cache
from pathlib import Path

DOMAIN = "condenser-monitor"
LOCALE = Path(__file__).with_name("locale")
LANGUAGES = ("en", "es")


def mark(text: str) -> str:
    """Mark a text for translation; give it back as it is."""
    return text


@cache
def translator(language: str = "en") -> Callable[[str], str]:
    """Return the function that turns an English text into `language`; English for one that has no catalogue."""
    return gettext.translation(DOMAIN, LOCALE, [language], fallback=True).gettext
