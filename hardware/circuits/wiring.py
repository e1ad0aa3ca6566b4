"""Wiring pictures: the box of a build, from the places on the unit to the Pi's pins, and the taps in each kind of unit.

Made from the channel table, the parts lists and `parts.MARKS`; `write_all()` renews the committed files and a test
compares. Lengths are points, y down.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from condenser_monitor.hardware.boards import MUXES
from condenser_monitor.hardware.channels import BUILDS, Channel
from condenser_monitor.hardware.circuits import parts
from condenser_monitor.monitor.core.config import Web
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.drawing import qr
from condenser_monitor.monitor.drawing.shapes import (
    BREAK,
    INK,
    LIVE,
    SOFT,
    Drawing,
    Line,
    Rect,
    Shape,
    Text,
    as_svg,
)

HERE = Path(__file__).parent
# of a Pi that was given the program's own name, as the guide has it
LID_ADDRESS = f"http://condenser-monitor.local:{Web().port}/"
_STEP, _TOP = 17.0, 62.0
_PLACE_X, _BOX_X, _MARK_X, _PI_X, _WIDE = 12.0, 424.0, 436.0, 640.0, 800.0
_LINE_VOLTS = ("supply", "load", "line_v")
# compartment -> what stands over it
_COMPARTMENTS = {
    "line": "LINE VOLTAGE: cover with a tool, licensed electrician only",
    "unit": "INSIDE THE CABINET, 24 V and sensor leads: licensed person only",
    "outside": "OUTSIDE THE CABINET, class 2: a maker may, where the code lets one",
}
_IN_INDOOR_UNIT = ("blower",)  # around a lead that carries line voltage


def compartment(reading: str) -> str:
    """Where a sense's terminals are, which says whose work they are."""
    if reading in _LINE_VOLTS:
        return "line"
    indoors = READINGS[reading].board == "indoor" and reading not in _IN_INDOOR_UNIT
    return "outside" if indoors or reading == "outdoor_c" else "unit"


def first_part(build: str, reading: str) -> tuple[str, str]:
    """The list that a sense's wires are joined in, and the part there."""
    if build == "boards":
        board, _, ref = BUILDS["boards"][reading].terminal.split()
        return board, ref
    return "ready-made", joined_at(reading).refs[0]


def joined_at(reading: str) -> parts.Part:
    """The ready-made part that a sense's wires are joined to."""
    kinds = ("input module", "current", "voltage transformer", "thermistor")
    return next(row for row in parts.READY if row.role.startswith(f"{reading}:") and row.kind.startswith(kinds))


def marks(build: str, reading: str) -> str:
    """Which terminals its wires go to: `control J1: Y, C`."""
    board, ref = first_part(build, reading)
    nets = [net for net in parts.part(board, ref).nets(ref) if net]
    if parts.part(board, ref).kind.startswith("input module"):
        nets = nets[:2]
    names = [parts.MARKS.get(net, "") for net in nets]
    named = ", ".join(name for name in names if name)
    return f"{board if build == 'boards' else ''} {ref}{': ' + named if named else ''}".strip()


def _read_at(row: Channel) -> str:
    if row.pin is not None:
        return f"GPIO{row.pin}, pin {parts.HEADER[row.pin]}"
    assert row.address is not None
    assert row.mux is not None
    return f"0x{row.address:02x} {MUXES[row.mux].split()[0]}"


def box(build: str) -> Drawing:
    """Each wire of a build: its place, the terminals it goes to, and where the Pi reads it."""
    shapes: list[Shape] = [
        Text(_PLACE_X, 22, f'Wiring of the box, build "{build}"', 13, bold=True),
        Text(
            _PLACE_X,
            38,
            "Fuses at the taps, within a hand's width. Computed, simulated; not built, not certified.",
            8,
            colour=SOFT,
        ),
        Text(_PLACE_X, 54, "on the unit and in the house", 9, bold=True),
        Text(_MARK_X, 54, "terminals", 9, bold=True),
        Text(_PI_X, 54, "read at", 9, bold=True),
    ]
    y = _TOP
    rows = [row for row in BUILDS[build].values() if row.on_board]
    for name, head in _COMPARTMENTS.items():
        colour = BREAK if name == "line" else LIVE if name == "outside" else INK
        mine = [row for row in rows if compartment(row.reading) == name]
        high = 20 + _STEP * len(mine)
        shapes.append(Rect(_BOX_X, y + 2, _WIDE - _BOX_X - 12, high, colour=colour, stroke=1.6))
        shapes.append(Text(_PLACE_X, y + 14, head, 8, colour=colour, bold=True))
        y += 20
        for row in mine:
            shapes += _wire(build, row, y, colour)
            y += _STEP
        y += 10
    told = "; ".join(f"{row.reading}: {marks(build, row.reading)}, {_read_at(row)}" for row in rows)
    return Drawing(f"Wiring of the box, build {build}", told, _WIDE, y + 6, tuple(shapes))


def _wire(build: str, row: Channel, y: float, colour: str) -> Iterator[Shape]:
    fused = row.kind in ("presence", "voltage") and row.reading != "blower"
    yield Text(_PLACE_X, y + 10, row.reading, 8, bold=True)
    yield Text(_PLACE_X + 76, y + 10, row.place.replace("`", ""), 7)
    yield Line(
        _PLACE_X + 76, y + 13, _MARK_X - 4, y + 13, colour, 1.2, () if compartment(row.reading) == "line" else (4, 2)
    )
    if fused:
        yield Rect(_BOX_X - 24, y + 10, 16, 6, fill="#ffffff", colour=colour)
    yield Text(_MARK_X, y + 12, marks(build, row.reading), 8)
    yield Line(_PI_X - 70, y + 9, _PI_X - 6, y + 9, SOFT, 0.8)
    yield Text(_PI_X, y + 12, _read_at(row), 8)


# ---------------------------------------------------------------- the taps in each kind of unit


class UnitKind(NamedTuple):
    """What differs in the wiring of a kind of unit, and what to mind."""

    name: str
    poles: int
    delay: bool = False
    board: bool = False
    second_stage: bool = False
    mind: str = ""


UNITS = (
    UnitKind(
        "one-pole", 1, mind="The strapped leg stays live with the contactor open: load is T1 to T2, never to ground."
    ),
    UnitKind("two-pole", 2, mind="Both legs open; the disconnect alone makes it safe all the same."),
    UnitKind("delay", 1, delay=True, mind="Tap call ahead of the delay relay and enter its time as delay_on_make_s."),
    UnitKind(
        "heat-pump",
        1,
        board=True,
        mind='The board switches the fan: fan_control = "board", heat_pump = true; coil_v tells its lockout.',
    ),
    UnitKind("two-stage", 2, second_stage=True, mind='Tap Y1, which is called in both stages; kind = "two-stage".'),
)


def unit(kind: UnitKind) -> Drawing:
    """The unit's own circuit with each tap (a square, with its fuse) and transformer (a bar) on it."""
    shapes = list(_control(kind)) + list(_power(kind))
    shapes.append(Text(16, 22, f"Where the sensors go: {kind.name} unit", 13, bold=True))
    shapes.append(Text(16, 38, kind.mind, 8, colour=BREAK))
    taps = "24 V: call and control_v at Y and C, coil_a on a coil lead. Line: supply at L1, L2, load at T1, T2."
    told = f"{taps} {kind.mind}"
    return Drawing(f"Taps in a {kind.name} unit", told, 620, 372, tuple(shapes))


def _tap(x: float, y: float, words: str, colour: str = LIVE, *, above: bool = True) -> Iterator[Shape]:
    yield Rect(x - 4, y - 4, 8, 8, fill=colour)
    yield Text(x, y - 8 if above else y + 16, words, 7.5, "middle", colour, True)


def _around(x: float, y: float, words: str, *, upright: bool = False) -> Iterator[Shape]:
    """A transformer around a lead that lies level, or stands `upright`."""
    yield (
        Rect(x - 9, y - 3, 18, 6, colour=LIVE, stroke=1.6)
        if upright
        else Rect(x - 3, y - 9, 6, 18, colour=LIVE, stroke=1.6)
    )
    yield Text(
        x + (13 if upright else 0), y + (3 if upright else 20), words, 7.5, "start" if upright else "middle", LIVE, True
    )


def _block(x: float, y: float, words: str, wide: float = 62.0, colour: str = INK) -> Iterator[Shape]:
    yield Rect(x, y - 11, wide, 22, fill="#ffffff", colour=colour)
    yield Text(x + wide / 2, y + 3, words, 7.5, "middle", colour)


def _control(kind: UnitKind) -> Iterator[Shape]:
    """Y at the left over pressure switches, delay and board to the coil, and back to C."""
    y, back = 84.0, 148.0
    yield Text(16, 58, "24 V (from indoors)", 8, colour=SOFT)
    yield Line(40, y, 560, y, INK, 1.4)
    yield Line(40, back, 560, back, INK, 1.4)
    yield Line(560, y, 560, back, INK, 1.4)
    yield Text(18, y + 3, "Y1" if kind.second_stage else "Y", 10, bold=True)
    yield Text(18, back + 3, "C", 10, bold=True)
    yield from _tap(76, y, "call, control_v: Y")
    yield from _tap(76, back, "C", above=False)
    x = 150.0
    between = ["pressure switches"]
    between += ["delay relay"] if kind.delay else []
    between += ["defrost board"] if kind.board else []
    for words in between:
        yield from _block(x, y, words, 84)
        x += 100
    yield from _tap(x + 24, y, "coil_v")
    yield from _tap(x + 24, back, "coil_v", above=False)
    yield from _around(530, y, "coil_a")
    yield Rect(548, 100, 24, 32, fill="#ffffff", colour=INK)
    yield Text(560, 119, "coil", 7.5, "middle")
    if kind.second_stage:
        yield Text(18, 170, "Y2 goes to the compressor's own solenoid: not tapped", 8, colour=SOFT)


def _power(kind: UnitKind) -> Iterator[Shape]:
    """L1 and L2 over the contactor to compressor, capacitor and fan."""
    l1, l2 = 212.0, 340.0
    yield Text(16, 190, "Line voltage (from the disconnect)", 8, colour=BREAK)
    yield Text(16, l1 + 3, "L1", 10, bold=True)
    yield Text(16, l2 + 3, "L2", 10, bold=True)
    for y, opens, name in ((l1, True, "T1"), (l2, kind.poles == 2, "T2")):
        yield Line(40, y, 140, y, INK, 1.4)
        if opens:
            yield Line(140, y - 7, 140, y + 7)
            yield Line(154, y - 7, 154, y + 7)
        else:
            yield Line(140, y, 154, y, BREAK, 3.0)
            yield Text(147, y + 16, "strap", 7.5, "middle", BREAK)
        yield Line(154, y, 590, y, INK, 1.4)
        yield Text(168, y - 4 if y == l1 else y + 13, name, 8)
    for y, above in ((l1, True), (l2, False)):
        yield from _tap(84, y, "supply, line_v", BREAK, above=above)
        yield from _tap(206, y, "load", BREAK, above=above)
    # compressor: C on T1, R on T2, S over the capacitor to T2
    yield Line(300, l1, 300, 246)
    yield from _around(300, 228, "compressor_a", upright=True)
    yield from _block(262, 258, "compressor  C", 76)
    yield Line(284, 269, 284, l2)
    yield Text(268, 282, "R", 7.5)
    yield Line(322, 269, 322, 300)
    yield Line(322, 300, 400, 300)
    yield Text(327, 282, "S", 7.5)
    yield from _around(360, 300, "start_winding_a")
    yield from _block(400, 300, "HERM  run cap.  C", 86)
    yield Line(440, 311, 440, l2)
    # fan
    yield Line(540, l1, 540, 246)
    yield from _around(540, 228, "fan_a", upright=True)
    yield from _block(514, 258, "fan", 52)
    yield Line(540, 269, 540, l2)
    yield Line(514, 258, 470, 258)
    yield Line(470, 258, 470, 289)
    yield Text(474, 274, "FAN", 7.5)
    if kind.board:
        yield from _block(505, 306, "defrost board", 70, SOFT)


def pictures() -> dict[str, str]:
    """File name -> SVG, of every wiring picture."""
    found = {f"wiring-{build}.svg": as_svg(box(build), f"box-{build}") for build in BUILDS}
    found |= {f"wiring-unit-{kind.name}.svg": as_svg(unit(kind), f"unit-{kind.name}") for kind in UNITS}
    lid = qr.drawing(LID_ADDRESS, "What is wrong, and what to check: in this house's network")
    if lid is not None:
        found["lid-label.svg"] = as_svg(lid, "lid-label")
    return {name: text + "\n" for name, text in found.items()}


def write_all() -> None:
    """Renew the committed pictures."""
    for name, text in pictures().items():
        (HERE / name).write_text(text, encoding="utf-8")
