"""The catalogue pages say what the tables say, and all of it."""

from __future__ import annotations

import re

import pytest

from condenser_monitor.monitor import catalogue, limits
from condenser_monitor.monitor.alarms import alarm_manager as alerts
from condenser_monitor.monitor.core import cycle
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import SITUATIONS
from condenser_monitor.monitor.limits import Limit
from tests.test_sources import every_limit

PAGES = catalogue.pages()


@pytest.mark.parametrize("name", PAGES)
def test_page_kept_is_the_page_made(name: str) -> None:
    """What lies in monitor/pages is what the tables give today (`python -m condenser_monitor.monitor.catalogue`)."""
    kept = (catalogue.PLACE / name).read_text(encoding="utf-8")
    assert kept == PAGES[name], (
        f"monitor/pages/{name} is of older tables: python -m condenser_monitor.monitor.catalogue makes it again"
    )


def test_no_page_lies_about_that_no_table_makes() -> None:
    """Every file kept is one of the pages, or written by hand or measured (changes, promises, hubs, accuracy)."""
    assert {path.name for path in catalogue.PLACE.iterdir()} - {
        "accuracy.md",
        "changes.md",
        "contract.md",
        "home_automation.md",
        "trust.md",
    } == set(PAGES)


def headings(page: str) -> set[str]:
    return set(re.findall(r"^## (.+)$", PAGES[page], re.MULTILINE))


def test_every_row_of_every_table_has_its_section() -> None:
    """Findings, situations, suspects and checks are complete."""
    assert headings("findings.md") == set(CATALOGUE)
    assert headings("predictions.md") == set(SITUATIONS)
    assert headings("suspects.md") == set(SUSPECTS)
    assert headings("checks.md") == {*CHECKS, "Cautions"}
    assert all(f"**{name}**: {text}" in PAGES["checks.md"] for name, text in CAUTIONS.items())


def test_every_limit_is_shown_with_its_source() -> None:
    """Each Limit of the program, also inside groups, is a row with basis and source."""
    page, every = PAGES["limits.md"], every_limit()
    assert {id(value) for value in vars(limits).values() if isinstance(value, Limit)} <= set(map(id, every))
    for limit in every:
        assert f"| {limit.basis} | {limit.source} |" in page
    assert len(re.findall(r"^\| `", page, re.MULTILINE)) == len(every)


def test_diagrams_have_an_arrow_for_each_change_of_state() -> None:
    """Each transition that changes the state stands on the arrow between the two, and no other arrow is drawn."""
    arrows = re.findall(r"^    (\w+) --> (\w+): (.+)$", PAGES["states.md"], re.MULTILINE)
    drawn = {(source, target, event) for source, target, events in arrows for event in events.split(", ")}
    wanted = {
        (state.value.replace("-", "_"), target.value.replace("-", "_"), event.value)
        for table in (cycle.TRANSITIONS, alerts.TRANSITIONS)
        for state, row in table.items()
        for event, target in row.items()
        if target is not state
    }
    assert drawn == wanted


def test_ranges_of_a_check_meet_without_a_gap() -> None:
    """A meter check's outcomes are told as one unbroken row of ranges, with over range at its place."""
    section = PAGES["checks.md"].split("## coil-ohms\n")[1].split("\n## ")[0]
    assert "`low` (under 5 ohm)" in section
    assert "`usual` (from 5 ohm under 40 ohm)" in section
    assert "`high` (from 40 ohm under 1000 ohm)" in section
    assert "`open` (from 1000 ohm or over range)" in section


def test_writing_goes_where_it_is_told(tmp_path_factory: pytest.TempPathFactory) -> None:
    """`write` makes the folder and every page in it."""
    place = tmp_path_factory.mktemp("catalogue") / "pages"
    catalogue.write(place)
    assert {path.name: path.read_text(encoding="utf-8") for path in place.iterdir()} == PAGES
