"""Parts, drawings and netlists name the same parts with the same values; the committed drawings are up to date."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from xml.etree import ElementTree

import pytest

from condenser_monitor.hardware.boards import MUXES
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.circuits import (
    drawings,
    parts,
)
from condenser_monitor.hardware.values import Value
from tests.hardware.circuits import analog, presence
from tests.size import FULL

FOLDER = Path(drawings.__file__).parent
BRANDLIKE = re.compile(r"\b[A-Z]{2,}\d{2,}[A-Z]*\b")
ALLOWED_NUMBERS = {"ADS1115", "UL1577"}  # the converter is named in the project's own description; a standard


@pytest.fixture
def draw() -> dict[str, drawings.Sheet]:
    """The three boards drawn now."""
    try:
        import schemdraw  # noqa: F401
    except ImportError:
        (pytest.fail if FULL else pytest.skip)("schemdraw is not installed")
    return {board: make() for board, make in drawings.BOARDS.items()}


def _texts(svg: bytes) -> list[str]:
    """Every text of a drawing, sorted: what it says, whatever the drawing library's version does with lines."""
    root = ElementTree.fromstring(svg)
    spans = (node.text for node in root.iter() if node.tag.endswith(("text", "tspan")) and node.text)
    return sorted(text.strip() for text in spans if text.strip())


def test_each_drawing_shows_each_part_of_its_list_once(draw: dict[str, drawings.Sheet]) -> None:
    """Nothing forgotten, nothing invented, nothing twice."""
    for board, sheet in draw.items():
        drawn = [ref for row in parts.LISTS[board] if row.kind != "test point" for ref in row.refs]  # copper, no part
        assert Counter(sheet.drawn) == Counter(drawn)


def test_committed_drawings_are_what_the_code_draws_now(draw: dict[str, drawings.Sheet]) -> None:
    """A value changed without renewing the drawings is found here: compared text by text."""
    for board, sheet in draw.items():
        committed = (FOLDER / f"{board}-board.svg").read_bytes()
        assert _texts(sheet.svg()) == _texts(committed), f"renew with hardware.circuits.drawings.write_all(): {board}"


def test_drawings_are_plain_svg_without_scripts_or_links() -> None:
    """Pictures only: no script, no outside reference."""
    for board in parts.BOARDS:
        root = ElementTree.fromstring((FOLDER / f"{board}-board.svg").read_bytes())
        assert root.tag.endswith("svg")
        assert not [node for node in root.iter() if node.tag.endswith(("script", "image", "a", "foreignObject"))]


def test_drawings_name_the_pins_and_inputs_of_the_channel_table(draw: dict[str, drawings.Sheet]) -> None:
    """Every sense of the two outdoor boards is drawn at the place where the driver reads it."""
    written = " ".join(text for sheet in draw.values() for text in _texts(sheet.svg()))
    for reading, channel in CHANNELS.items():
        if not channel.on_board:
            continue  # made of two others, or a probe on the 1-Wire bus
        place = f"GPIO{channel.pin}" if channel.mux is None else MUXES[channel.mux].split()[0]
        assert f"{place} {reading}" in written


@pytest.mark.parametrize("board", parts.BOARDS)
def test_references_are_unique(board: str) -> None:
    """One reference, one part."""
    assert max(Counter(parts.refs(board)).values()) == 1


@pytest.mark.parametrize("board", parts.BOARDS)
def test_parts_are_generic_types_with_a_rating(board: str) -> None:
    """No brand and no order number: a kind, a rating and a purpose each."""
    for part in parts.BOARDS[board]:
        assert part.kind
        assert part.rating
        assert part.role
        found = set(BRANDLIKE.findall(f"{part.kind} {part.rating}")) - ALLOWED_NUMBERS
        assert not found, part


NETLISTS = {
    ("control", "presence"): presence.steady("control", 24.0),
    ("line", "presence"): presence.steady("line", 240.0),
    ("line", "compressor"): analog.current("compressor_a", 15.0),
    ("line", "fan"): analog.current("fan_a", 1.0),
    ("control", "coil"): analog.current("coil_a", 0.25),
    ("line", "empty jack, fan"): analog.unplugged("fan_a"),
    ("control", "empty jack, coil"): analog.unplugged("coil_a"),
    ("control", "voltage"): analog.voltage("control_v", 24.0),
    ("control", "coil opens"): presence.coil_opens(),
    ("line", "thermistor"): analog.thermistor(10000.0),
}


@pytest.mark.parametrize("key", NETLISTS, ids=" ".join)
def test_simulated_resistors_and_capacitors_are_those_of_the_parts_list(key: tuple[str, str]) -> None:
    """Every R1, C1, ... of a netlist is on that board's list, with that value."""
    board = key[0]
    elements = re.findall(r"^([RC]\d+) \S+ \S+ (\S+)", NETLISTS[key], re.MULTILINE)
    assert len(elements) >= 4
    for ref, number in elements:
        assert float(number) == pytest.approx(parts.value(board, ref).nominal), ref


@pytest.mark.parametrize(
    ("number", "unit", "text"),
    [
        (4700, "ohm", "4.7 kΩ"),
        (68, "ohm", "68 Ω"),
        (2.2e-6, "F", "2.2 µF"),
        (100e-9, "F", "100 nF"),
        (0.125, "A", "125 mA"),
        (2000, "1", "2000:1"),
    ],
)
def test_values_are_written_as_on_a_drawing(number: float, unit: str, text: str) -> None:
    """The usual prefixes."""
    assert parts.written(Value(number, unit, 0.01, "")) == text
