"""(edge) Bring the catalogues of texts up to date: collect marked texts, merge them into each .po file, compile .mo.

    python -m condenser_monitor.monitor.strings.build_catalogues

Wants Babel, which only those who build need. What a translation lacks is left empty in its .po file, and shown in
English.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

from condenser_monitor.monitor.core.config import OFFERED
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS
from condenser_monitor.monitor.diagnosis.checks.meter import DOUBTS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.features import FEATURES
from condenser_monitor.monitor.diagnosis.predictions import SAYS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.visit.dialogue import POWER
from condenser_monitor.monitor.diagnosis.visit.session import ONCE_MORE, REPAIRED
from condenser_monitor.monitor.strings.findings import BRIEF, CARE, LOOK
from condenser_monitor.monitor.strings.lookup import ALL
from condenser_monitor.monitor.strings.report import REPORT
from condenser_monitor.monitor.strings.terms import TERMS
from condenser_monitor.monitor.strings.texts import LINKS, NAMES, TOLD
from condenser_monitor.monitor.strings.translate import DOMAIN, LANGUAGES, LOCALE

HEADER = "# Texts of condenser-monitor; the English text is the key."


def collect(folder: Path = LOCALE.parent) -> set[str]:
    """Return every text for people: what stands in `mark(...)` in the Python files of a folder, and the tables."""
    from babel.messages.extract import extract_from_dir  # noqa: PLC0415 - a build tool

    found = extract_from_dir(str(folder), [("**.py", "python")], keywords={"mark": None})
    marked = {message for _, _, message, _, _ in found if isinstance(message, str)}
    return {text for text in marked | set(_of_tables()) if any(map(str.isalpha, text))}


def _of_tables() -> Iterator[str]:
    for table in (ALL, REPORT, LOOK, CARE, BRIEF, NAMES):
        yield from table.english().values()
    for text in (*dict.values(TOLD), *dict.values(LINKS), *TERMS.values()):
        yield from (one for one in text if isinstance(one, str))
    yield from OFFERED.values()
    for row in CATALOGUE.values():
        yield from (row.summary, row.proof.words)
    for suspect in SUSPECTS.values():
        yield from (suspect.title, suspect.part, suspect.repair)
    yield from (*CAUTIONS.values(), *POWER.values(), *(words for table in SAYS.values() for words in table.values()))
    yield from (symbol.says for table in FEATURES.values() for symbol in table.values())
    for check in CHECKS.values():
        yield from (check.title, check.where, check.expected, check.basis, *check.steps, *check.tools)
        yield from (outcome.says for outcome in check.outcomes)
        yield from (never.why for never in check.never)
    yield from (*DOUBTS, *ONCE_MORE, REPAIRED)


def build(language: str) -> int:
    """Merge the marked texts into one language's catalogue and compile it; return how many have no translation."""
    from babel.messages.catalog import Catalog  # noqa: PLC0415
    from babel.messages.mofile import write_mo  # noqa: PLC0415
    from babel.messages.pofile import read_po, write_po  # noqa: PLC0415

    place = LOCALE / language / "LC_MESSAGES" / f"{DOMAIN}.po"
    place.parent.mkdir(parents=True, exist_ok=True)
    known = Catalog(locale=language)
    if place.exists():
        with place.open("rb") as file:
            known = read_po(file, locale=language)
    made = Catalog(locale=language, domain=DOMAIN, header_comment=HEADER, fuzzy=False)
    for text in sorted(collect()):
        old = known.get(text)
        made.add(text, string=old.string if old is not None else "")
    with place.open("wb") as file:
        write_po(file, made, width=110, omit_header=False, ignore_obsolete=True, include_previous=False)
    with place.with_suffix(".mo").open("wb") as file:
        write_mo(file, made)
    return sum(not message.string for message in made if message.id)


def main() -> int:
    """Build every language but English; exit status 1 where a translation is not complete."""
    left = {language: build(language) for language in LANGUAGES if language != "en"}
    for language, count in left.items():
        print(f"{language}: {count} texts without a translation")
    return 1 if any(left.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
