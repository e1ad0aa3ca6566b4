"""Putting a board together: every part soldered once, every resistor looked at; what the meter must show agrees with
the decks in ngspice."""

from __future__ import annotations

from pathlib import Path

import pytest

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.circuits import assembly, isolation, parts
from condenser_monitor.hardware.circuits.assembly import STEPS, Check
from tests.hardware.circuits import decks
from tests.hardware.circuits.conftest import Measure

BOARDS = tuple(parts.BOARDS)
_MODELLED = ("resistor", "rectifier", "Schottky", "zener", "transient", "opto", "voltage transformer")
METER_A = 20e-6


@pytest.mark.parametrize("board", BOARDS)
def test_every_part_of_a_board_is_soldered_in_one_step(board: str) -> None:
    """Nothing forgotten, nothing twice."""
    refs = [ref for step in STEPS for ref in assembly.soldered(board, [step])]
    assert sorted(refs) == sorted(
        ref for row in parts.BOARDS[board] if row.on_board and row.kind != "test point" for ref in row.refs
    )


@pytest.mark.parametrize("board", BOARDS)
def test_every_resistor_is_looked_at_after_its_step(board: str) -> None:
    """Across its own leads, and every isolator across its barrier, where only OL will do."""
    for index, step in enumerate(STEPS):
        looked = {check.at: check for check in assembly.checks(board, index)}
        for ref in assembly.soldered(board, [step]):
            kind = parts.part(board, ref).kind
            if kind.startswith("resistor"):
                assert not looked[ref].open
            elif kind.startswith(("opto", "voltage transformer")):
                assert looked[f"{ref} pins 1, 3"].open


def _bench(board: str, steps: int, source: str, measures: str, change: decks.Change = decks.NO_CHANGE) -> str:
    """What is soldered after so many steps, capacitors charged (left out), jacks' contacts closed, with a source."""
    refs = assembly.soldered(board, STEPS[:steps])
    jacks = [parts.part(board, ref).nets(ref) for ref in refs if parts.part(board, ref).kind.startswith("jack")]
    contacts = "\n".join(
        f"Rjack{n} {decks.node(hot)} {decks.node(tell)} 0.05" for n, (hot, _, tell) in enumerate(jacks)
    )
    used = [ref for ref in refs if parts.part(board, ref).kind.startswith(_MODELLED)]
    nets = {decks.node(net) for ref in used for net in parts.part(board, ref).nets(ref)} - {"0"}
    leaks = "\n".join(f"Rleak{n} {net} 0 1e11" for n, net in enumerate(sorted(nets)))
    body = f"{decks.elements(board, used, change)}\n{contacts}\n{leaks}\n{source}\n{measures}"
    return decks.deck(f"{board} on the bench", body, seconds=1e-3, step=1e-4, measure_from=5e-4)


def _ohms(measure: Measure, board: str, index: int, check: Check, change: decks.Change = decks.NO_CHANGE) -> float:
    one, other = (decks.node(net) for net in check.nets)
    source = f"Imeter {other} {one} {METER_A:g}"
    seen = measure(_bench(board, index + 1, source, f".meas tran u AVG par('v({one})-v({other})') {{window}}", change))
    return seen["u"] / METER_A


@pytest.mark.parametrize("board", BOARDS)
def test_ohms_agree_with_the_simulated_board(measure: Measure, board: str) -> None:
    """A meter's 20 uA through the deck, diodes and all: one check of each kind of answer within its range."""
    seen: set[tuple[float, float]] = set()
    for index in range(len(STEPS)):
        for check in assembly.checks(board, index):
            if check.open or (check.low, check.high) in seen or check.at.startswith("T"):
                continue  # the decks have a transformer's windings as one resistance, on one side
            seen.add((check.low, check.high))
            ohm = _ohms(measure, board, index, check)
            assert check.low <= ohm <= check.high, (check, ohm)
    assert len(seen) >= 2


@pytest.mark.parametrize("board", ["control", "line"])
def test_volts_agree_with_the_simulated_board(measure: Measure, board: str) -> None:
    """3.3 V at the ribbon: each signal's volts within what the guide says."""
    rows = [check for check in assembly.powered(board) if "line_v" not in check.nets[0]]
    asked = "\n".join(f".meas tran u{n} AVG v({decks.node(check.nets[0])}) {{window}}" for n, check in enumerate(rows))
    seen = measure(_bench(board, len(STEPS), f"Vbench vdd 0 {assembly.BENCH_V:g}", asked))
    for n, check in enumerate(rows):
        assert check.low <= seen[f"u{n}"] <= check.high, check


def test_a_wrong_part_shows(measure: Measure) -> None:
    """A burden of 68 ohm in the place of 47 on the control board is out of its range, as is a dropper left out."""
    burden = next(check for check in assembly.checks("control", 2) if check.at == "R7")
    assert not burden.low <= _ohms(measure, "control", 2, burden, {"R7": 68.0}) <= burden.high
    taps = next(check for check in assembly.checks("line", 4) if check.at == "J2 pins 1, 2")
    assert taps.low <= 4 * v.LINE_SERIES.nominal + v.LINE_SHUNT.nominal <= taps.high
    assert not taps.low <= _ohms(measure, "line", 4, taps, {"R8": 0.001}) <= taps.high


def test_current_of_the_bench_supply_is_that_of_the_bias_dividers_and_little_more() -> None:
    """Two dividers of 440 ohm at 3.3 V: 15 mA (arithmetic), the pull-ups' microamperes and two converters beside it."""
    low, high = assembly.supply_ma("control")
    assert low < 2 * 3.3 / 440 * 1e3 + 0.5 < high < 20.0


def test_high_voltage_tests_are_the_temporary_overvoltage() -> None:
    """IEC 60664-1 (from memory): 240 V and 1200 V over basic insulation, twice that over reinforced; none for 24 V."""
    volts = {row.between: row.test for row in assembly.high_voltage()}
    assert volts["line tap to the Pi's side, over the board"].startswith("2880 V")
    assert volts["supply tap to load tap"].startswith("1440 V")
    assert all("500 V DC" in row.test for row in assembly.high_voltage() if row.board != "line")
    assert isolation.test_v(isolation.BARRIERS[0]) == 2880.0


def test_committed_pictures_are_what_the_code_draws_now() -> None:
    """Renew with hardware.circuits.assembly.write_all()."""
    folder = Path(assembly.__file__).parent
    for name, text in assembly.pictures().items():
        assert (folder / name).read_text(encoding="utf-8") == text, name


@pytest.mark.parametrize("board", BOARDS)
def test_pin_outs_show_each_pin_of_each_connector(board: str) -> None:
    """By the board's own list: terminals, jacks and headers."""
    told = assembly.pinout_picture(board).description
    for row, ref in assembly.connectors(board):
        for number, net in enumerate(row.nets(ref), start=1):
            assert not net or f"{number} {net}" in told.partition(f"{ref}: ")[2].partition(";")[0]
