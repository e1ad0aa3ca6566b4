"""The pages: their tables are the present ones, their links lead somewhere, their cautions are there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.circuits import heat, pages, parts
from condenser_monitor.hardware.one_wire import PIN
from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.readings import READINGS

ROOT = Path(pages.__file__).resolve().parents[2]
LINKS = re.compile(r"\]\(([^)#]+)(#[^)]*)?\)")


@pytest.mark.parametrize("path", pages.PAGES, ids=lambda path: path.stem)
def test_tables_of_every_page_are_up_to_date(path: Path) -> None:
    """A changed value, pin or part without renewed pages is found here."""
    text = path.read_text(encoding="utf-8")
    assert pages.renewed(text) == text, "renew with hardware.circuits.pages.renew_all()"


def test_every_table_is_shown_on_some_page() -> None:
    """No table is made in vain, but for the tolerances of the indoor board, which are those of the control board."""
    shown = {name for path in pages.PAGES for name in re.findall(r"<!-- made: ([a-z ]+) -->", path.read_text())}
    assert set(pages.MADE) - shown == {"tolerance indoor"}


def test_a_table_nobody_makes_is_refused() -> None:
    """A misspelt name is an error, not an empty table."""
    with pytest.raises(ContractError, match="made table"):
        pages.renewed("<!-- made: nonsense -->\n<!-- end -->")


@pytest.mark.parametrize("path", pages.PAGES, ids=lambda path: path.stem)
def test_links_lead_to_files_of_the_project(path: Path) -> None:
    """Every relative link and picture exists."""
    for target, _ in LINKS.findall(path.read_text(encoding="utf-8")):
        assert (path.parent / target).resolve().is_file(), target


def test_wiring_names_every_sense_once_with_the_drivers_own_place() -> None:
    """The wiring tables and the channel table cannot disagree: each sense, its pin or its converter and input."""
    written = "\n".join(pages.wiring_table(board) for board in parts.BOARDS)
    assert set(READINGS) == set(CHANNELS)
    for reading, channel in CHANNELS.items():
        rows = [line for line in written.splitlines() if line.startswith(f"| `{reading}` |")]
        assert len(rows) == 1
        if channel.kind == "power":
            continue  # made of two others
        if channel.kind == "probe":
            assert f"GPIO{PIN}," in rows[0]
            continue
        assert (f"GPIO{channel.pin}," if channel.pin is not None else f"0x{channel.address:02x}") in rows[0]


def test_wiring_names_terminals_that_the_board_has() -> None:
    """`line board J3` must be on the line board's parts list."""
    for reading, channel in CHANNELS.items():
        if channel.kind == "probe":
            continue
        board, _, ref = channel.terminal.split()
        assert board == READINGS[reading].board
        assert parts.part(board, ref).kind.startswith(("terminal", "jack"))


def test_header_places_are_the_pis_own() -> None:
    """BCM numbers against gpiozero's description of the 40-pin header."""
    header = MockFactory().board_info.headers["J8"]
    theirs = {
        int(pin.name.removeprefix("GPIO")): pin.number for pin in header.pins.values() if pin.name.startswith("GPIO")
    }
    assert theirs
    assert {number: parts.HEADER[number] for number in theirs if number in parts.HEADER} == {
        number: place for number, place in theirs.items() if number in parts.HEADER
    }
    assert set(parts.HEADER) <= set(theirs)


@pytest.mark.parametrize(
    "words",
    [
        "live-dead-live",
        "one-pole",
        "line to line",
        "never to ground",
        "20 kΩ",
        "CAT III",
        "Lock and tag",
        "local electrical code",
        "licensed electrician",
        "inside the outdoor unit's cabinet",
        "never opens the cabinet",
        "leaves the 24 V from indoors alive",
        "lift the float switch",
    ],
)
def test_the_mounting_guide_says_what_keeps_people_alive(words: str) -> None:
    """The cautions are not edited away."""
    assert words.lower() in (ROOT / "hardware/mounting.md").read_text(encoding="utf-8").lower()


def test_the_box_needs_shade() -> None:
    """In shade it stays within the Pi's limit on a hot day; in the sun it does not, whatever the paint."""
    shade, *sun = heat.rows()
    assert shade.kept
    assert len(sun) == 2
    assert all(row.value > heat.PI_AMBIENT_C.nominal for row in sun)
