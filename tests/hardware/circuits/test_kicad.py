"""The KiCad projects: the same netlist as the decks and the parts lists, what KiCad itself found, distances as
measured."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import pytest
from shapely import Point, box, unary_union  # type: ignore[import-untyped]

from condenser_monitor.hardware.circuits import creepage, gerbers, isolation, kicad_files, layout, parts
from condenser_monitor.hardware.circuits.packages import PACKAGES
from tests.hardware.circuits import decks

BOARDS = tuple(layout.BOARDS)
RECORD = json.loads((kicad_files.FOLDER / "checked.json").read_text())
MODELLED = ("resistor", "capacitor", "zener diode", "rectifier diode", "Schottky diode pair", "opto-isolator")

_SEGMENT = re.compile(
    r"\(segment \(start (\S+) (\S+)\) \(end (\S+) (\S+)\) \(width (\S+)\) \(layer \"(.)\.Cu\"\) \(net (\d+)\)"
)
_VIA = re.compile(r"\(via \(at (\S+) (\S+)\) .*? \(net (\d+)\)")
_NET = re.compile(r'\(net (\d+) "([^"]*)"\)')


def copper_of(text: str) -> layout.Copper:
    """The tracks and vias of a board's file."""
    names = dict(_NET.findall(text))
    tracks = [
        layout.Segment(names[net], "FB".index(side), (float(x0), float(y0)), (float(x1), float(y1)), float(width))
        for x0, y0, x1, y1, width, side, net in _SEGMENT.findall(text)
    ]
    vias = [(names[net], float(x), float(y)) for x, y, net in _VIA.findall(text)]
    return layout.Copper(tuple(tracks), tuple(vias))


def _text(name: str) -> str:
    return (kicad_files.FOLDER / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("board", BOARDS)
def test_board_and_parts_list_have_the_same_netlist(board: str) -> None:
    """Every pad of the board's file is on the net that the description gives that pin, and no pad is missing."""
    laid = {(ref, int(pad)): net for ref, pad, net, _, _ in creepage.pads(creepage.read(_text(f"{board}.kicad_pcb")))}
    wanted = {
        (ref, n): net or f"unconnected-({ref}-Pad{n})"
        for part in parts.BOARDS[board]
        if part.on_board
        for ref in part.refs
        for n, net in enumerate(part.nets(ref), start=1)
    }
    assert laid == wanted


@pytest.mark.parametrize("board", BOARDS)
def test_schematic_and_parts_list_have_the_same_netlist(board: str) -> None:
    """A pin's net is that of the label at its place on the sheet; open pins carry the mark for it."""
    tree = creepage.read(_text(f"{board}.kicad_sch"))
    libraries = {
        str(one[1]): [creepage.numbers(pin, "at")[:2] for pin in creepage.all_of(_body(one), "pin")]
        for one in creepage.all_of(creepage.all_of(tree, "lib_symbols")[0], "symbol")
    }
    labels = {tuple(creepage.numbers(one, "at")[:2]): str(one[1]) for one in creepage.all_of(tree, "global_label")}
    found: dict[str, set[tuple[str, int]]] = {}
    for symbol in creepage.all_of(tree, "symbol"):
        x, y, _ = creepage.numbers(symbol, "at")
        ref = next(str(one[2]) for one in creepage.all_of(symbol, "property") if one[1] == "Reference")
        for n, (dx, dy) in enumerate(libraries[str(creepage.all_of(symbol, "lib_id")[0][1])], start=1):
            at = next(
                (net for place, net in labels.items() if abs(place[0] - x - dx) + abs(place[1] - y + dy) < 0.01), ""
            )
            if at:
                found.setdefault(at, set()).add((ref, n))
    assert found == {net: set(pins) for net, pins in parts.nets(board).items() if len(pins) > 1}


def _body(symbol: list[creepage.Token]) -> list[creepage.Token]:
    return next(one for one in creepage.all_of(symbol, "symbol") if str(one[1]).endswith("_1_1"))


@pytest.mark.parametrize("board", list(parts.BOARDS))
def test_decks_and_parts_list_have_the_same_netlist(board: str) -> None:
    """What is simulated of a part is joined as the board joins it: its elements touch the nodes of its nets."""
    seen = 0
    for part in parts.BOARDS[board]:
        if not part.kind.startswith(MODELLED):
            continue
        for ref in part.refs:
            lines = [line for line in decks.elements(board, [ref]).splitlines() if not line.startswith(".")]
            nodes = {word for line in lines for word in line.split()[1:4]}
            assert {decks.node(net) for net in part.nets(ref) if net} <= nodes, ref
            seen += 1
    assert seen >= 8


@pytest.mark.parametrize("board", BOARDS)
def test_the_files_are_what_the_description_makes_now(board: str) -> None:
    """A part, net, package or place changed without writing the project again is found here; the copper is the
    file's."""
    committed = _text(f"{board}.kicad_pcb")
    again = "write with python -m condenser_monitor.hardware.circuits.kicad_files, then check.sh"
    assert kicad_files.pcb(board, copper_of(committed)) == committed, again
    assert kicad_files.schematic(board) == _text(f"{board}.kicad_sch"), again
    assert kicad_files.project(board) == _text(f"{board}.kicad_pro"), again
    assert kicad_files.rules(board) == _text(f"{board}.kicad_dru"), again


def test_the_shared_library_is_what_the_description_makes_now() -> None:
    """Symbols, footprints and tables."""
    for name, text in kicad_files.library(BOARDS).items():
        assert _text(name) == text, name


@pytest.mark.parametrize("board", BOARDS)
def test_kicad_found_nothing_in_these_very_files(board: str) -> None:
    """ERC, DRC, unconnected items and schematic against board: none, by KiCad 9, on the files with these hashes; and
    its distance rules are looked at, for under impossible ones it finds clearances and creepages that are too
    short."""
    found = RECORD["boards"][board]
    assert RECORD["kicad"].startswith("9.")
    assert {name: found[name] for name in ("erc", "drc", "unconnected", "parity")} == {
        "erc": 0,
        "drc": 0,
        "unconnected": 0,
        "parity": 0,
    }
    assert found["found_under_impossible_rules"] == ["clearance", "creepage"]
    assert found["gerbers"] == {"files": 5, "F_Cu": 0, "B_Cu": 0, "holes": 0}, "gerbv and the board's file differ"
    for name, digest in found["sha256"].items():
        assert hashlib.sha256(_text(name).encode()).hexdigest() == digest, f"run hardware/circuits/check.sh: {name}"


@pytest.mark.parametrize("board", BOARDS)
def test_circuits_are_as_far_apart_as_asked(board: str) -> None:
    """Measured from the file: every tapped circuit from the Pi's and from each other, in air and over the surface."""
    barrier = next(row for row in isolation.BARRIERS if row.board == board)
    plan = layout.BOARDS[board]
    found = creepage.distances(_text(f"{board}.kicad_pcb"), layout.circuits(board))
    assert {frozenset((row.one, row.other)) for row in found} >= {frozenset(("Pi", "Tap J1"))}
    for row in found:
        pi = "Pi" in (row.one, row.other)
        assert row.creepage_mm >= row.clearance_mm
        assert row.clearance_mm >= (barrier.clearance_mm if pi else plan.taps_mm), row
        assert row.creepage_mm >= (max(barrier.given_mm, barrier.creepage_mm) if pi else plan.taps_mm), row


def test_each_quarter_of_the_line_keeps_its_distance_from_the_others() -> None:
    """Measured from the file: leg from leg 6 mm, and what one to three droppers part by Table F.5 of IEC 60664-1 for
    that share of 264 V, pollution degree 3: 66 V 2.4 mm, 132 V and 198 V 4.0 mm (from memory)."""
    steps = layout.steps("line")
    names = {net: f"{circuit} {step}" for net, (circuit, step) in steps.items()}
    assert {step for circuit, step in steps.values() if circuit == "Tap J1"} == {0, 1, 2, 3, 4}
    assert [isolation.between_steps_mm(n) for n in range(5)] == [0.0, 2.4, 4.0, 4.0, 6.0]
    seen = 0
    for row in creepage.distances(_text("line.kicad_pcb"), names):
        one, _, step = row.one.rpartition(" ")
        other, _, other_step = row.other.rpartition(" ")
        if one == other:
            asked = isolation.between_steps_mm(abs(int(step) - int(other_step)))
            assert min(row.clearance_mm, row.creepage_mm) >= asked, row
            seen += 1
    assert seen == 20


def test_what_gerbers_and_file_do_not_share_is_counted() -> None:
    """A track missing on either side is found; an edge within a tenth of a millimetre is not a difference."""
    size = (20.0, 10.0)
    pad, track = Point(5, 5).buffer(1), box(4, 4.9, 16, 5.1)
    both = unary_union([pad, track])
    assert gerbers.differing(gerbers.filled(both, size), both, size) == 0
    assert gerbers.differing(gerbers.filled(both.buffer(0.04), size), both, size) == 0
    assert gerbers.differing(gerbers.filled(pad, size), unary_union([pad, track.buffer(0.1)]), size) > 100
    assert gerbers.differing(gerbers.filled(both, size), pad, size) > 100


def test_a_boards_holes_are_those_of_its_pads_and_vias() -> None:
    """Counted from the description, for the picture of the drill files is laid over them."""
    for board in BOARDS:
        drilled = sum(1 for one in layout.placed(board) for pad in PACKAGES[one.package].pads if pad.drill)
        vias = len(copper_of(_text(f"{board}.kicad_pcb")).vias)
        found = gerbers.holes(creepage.read(_text(f"{board}.kicad_pcb")))
        assert len(found.geoms) == drilled + vias + len(layout.holes(layout.BOARDS[board]))


def test_every_terminal_is_marked_on_the_board() -> None:
    """Beside each pin of each terminal, where the wires are seen; cautions too, and none of left or right behind."""
    for board in BOARDS:
        texts = creepage.all_of(creepage.read(_text(f"{board}.kicad_pcb")), "gr_text")
        front = [str(one[1]) for one in texts if creepage.all_of(one, "layer")[0][1] == "F.SilkS"]
        marks = [
            parts.MARKS[net]
            for part in parts.BOARDS[board]
            if part.kind.startswith("terminal")
            for net in part.wires[0]
        ]
        assert sorted(text for text in front if text in parts.MARKS.values()) == sorted(marks)
        assert any("icensed" in text or "class 2" in text for text in front)
        assert not [one for one in texts if str(one[1]) not in front and ("left" in one[1] or "right" in one[1])]


def test_a_slot_lengthens_the_way_over_the_surface() -> None:
    """Two pads 10 mm apart: straight without a slot, around its end with one (worked by hand: two legs of a
    triangle)."""
    pad = '(pad "1" smd rect (at {x} 0) (size 2 2) (layers "F.Cu") (net {n} "{net}"))'
    one = '(footprint "a" (at 10 20) (property "Reference" "R1") ' + pad.format(x=0, n=1, net="A") + ")"
    two = '(footprint "a" (at 22 20) (property "Reference" "R2") ' + pad.format(x=0, n=2, net="B") + ")"
    edge = '(gr_rect (start 0 0) (end 40 40) (layer "Edge.Cuts"))'
    slot = '(gr_rect (start 16 15) (end 16.001 25) (layer "Edge.Cuts"))'
    head = '(kicad_pcb (net 1 "A") (net 2 "B")'
    circuits = {"A": "Pi", "B": "Tap"}
    (bare,) = creepage.distances(f"{head} {one} {two} {edge})", circuits)
    assert (bare.clearance_mm, bare.creepage_mm) == (10.0, 10.0)
    (slotted,) = creepage.distances(f"{head} {one} {two} {edge} {slot})", circuits)
    assert slotted.clearance_mm == 10.0
    assert slotted.creepage_mm == pytest.approx(2 * (5**2 + 4**2) ** 0.5, abs=0.01)


@pytest.mark.parametrize("board", BOARDS)
def test_every_part_has_room(board: str) -> None:
    """Courtyards do not overlap and lie on the board; written for those who move a part without KiCad at hand."""
    placed, plan = layout.placed(board), layout.BOARDS[board]
    for n, one in enumerate(placed):
        assert one.box[0] < one.x < plan.wide - one.box[0]
        assert one.box[1] < one.y < plan.high - one.box[1]
        for other in placed[n + 1 :]:
            apart = abs(one.x - other.x) - one.box[0] - other.box[0], abs(one.y - other.y) - one.box[1] - other.box[1]
            assert max(apart) >= 0.5 - 1e-6, (one.ref, other.ref)


def test_packages_have_a_pad_for_each_pin() -> None:
    """What is on a board has a package, with as many pads as its description has nets."""
    for board, rows in parts.BOARDS.items():
        for part in rows:
            if part.on_board:
                assert len(PACKAGES[part.package].pads) == len(part.wires[0]), (board, part.ref)


def test_files_say_what_they_are() -> None:
    """Nobody takes a computed board for a tried one."""
    found = list(Path(kicad_files.FOLDER).glob("*.kicad_[sp]c[hb]"))
    assert len(found) >= 2 * len(parts.BOARDS)
    for path in found:
        assert kicad_files.NOTE in path.read_text(encoding="utf-8")
