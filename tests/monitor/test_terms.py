"""What the trade's words mean, for somebody who meets them for the first time."""

from __future__ import annotations

import re

import pytest

from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS, Check
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.strings.terms import TERMS, met, of_check
from condenser_monitor.monitor.strings.translate import Reader, reading

# Signs and units that stand in the checks and that no layman need know: the typed examples, agencies, refrigerant laws.
PLAIN = {"AC", "A", "V", "F", "C", "M", "W", "EPA", "USA", "CFR", "RMS", "C-R", "C-S", "R-S", "S", "K", "I"}


def said(check: Check) -> str:
    return " ".join((check.title, check.expected, *check.steps, *(CAUTIONS[name] for name in check.cautions)))


@pytest.mark.parametrize("name", CHECKS)
def test_no_abbreviation_of_a_check_stays_unexplained(name: str) -> None:
    """Each letter or sign of the trade in a check (Y, L1, HERM, OL, CAT III ...) is explained beside it."""
    check = CHECKS[name]
    signs = set(re.findall(r"(?<![\w'])[A-Z][A-Z0-9]*(?: III)?(?![\w'-])", said(check))) - PLAIN
    explained = " ".join(f"{term.name} {term.means}" for term in of_check(check, ()))
    assert {sign for sign in signs if not re.search(rf"(?<!\w){sign}(?!\w)", explained)} == set()


def test_every_term_is_met_in_the_catalogue() -> None:
    """No entry that no check and no suspect ever shows."""
    shown = {term.name for check in CHECKS.values() for term in of_check(check, SUSPECTS)}
    assert shown == {term.name for term in TERMS.values()}


def test_a_term_is_met_as_a_word_of_its_own() -> None:
    """A leg is no part of `legend`, and to call a technician is no call for cooling."""
    assert "Leg" not in [term.name for term in met(["status light as its legend says"])]
    assert "Leg" in [term.name for term in met(["each leg to ground"])]
    assert "Charge" not in [term.name for term in met(["it holds a charge"])]


def test_terms_are_read_in_the_readers_language() -> None:
    """The words of a check are matched in English and explained in Spanish."""
    with reading(Reader(language="es")):
        shown = {term.name for term in of_check(CHECKS["run-capacitor"], ())}
    assert {"Contactor", "Capacitor", "Descargar", "A tierra"} <= shown
