"""The schematics, drawn by code: one strip a channel, values and references from the parts lists. SVG out.

Needs schemdraw (an extra for building the project's own pages, not for the Pi). `write_all()` renews the committed
files; a test compares them with what this makes now. Coordinates are in schemdraw's units, x to the right, y up.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from condenser_monitor.hardware.boards import MUXES
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.circuits import parts

Point = tuple[float, float]
HERE = Path(__file__).parent
_GREY, _WARN = "#666666", "#b00020"
ADDR = {
    0x48: "GND",
    0x49: "VDD",
    0x4A: "SDA",
    0x4B: "SCL",
}  # the pin that sets the address, and where it goes (ADS1115 data sheet)
_DROP = 3.0  # from a strip's upper to its lower rail


class Sheet:
    """A drawing of one board: puts parts between points, labelled from its parts list."""

    def __init__(self, board: str) -> None:
        import schemdraw  # noqa: PLC0415  (an extra)
        from schemdraw import elements  # noqa: PLC0415

        schemdraw.use("svg")
        schemdraw.svgconfig.text = "text"
        self.board = board
        self.elements: Any = elements
        self.drawing = schemdraw.Drawing(show=False)
        self.drawing.config(fontsize=11, lw=1.2, font="sans-serif")
        self.drawn: list[str] = []

    def add(self, element: Any) -> Any:
        return self.drawing.add(element)

    def part(
        self, kind: str, ref: str, start: Point, end: Point, *, below: bool = False, beside_x: float = 0.55
    ) -> None:
        """A two-ended part from one point to another; its text beside an upright one, above or below a level one."""
        text = f"{ref}\n{parts.part(self.board, ref).text}".strip()
        element = getattr(self.elements, kind)().endpoints(start, end)
        if start[0] == end[0]:
            self.add(element)
            self.text((start[0] + beside_x, (start[1] + end[1]) / 2), text, size=10)
        else:
            self.add(element.label(text, loc="bottom" if below else "top", fontsize=10))
        self.drawn.append(ref)

    def wire(self, *points: Point) -> None:
        for start, end in pairwise(points):
            self.add(self.elements.Line().endpoints(start, end))

    def dot(self, *points: Point) -> None:
        for point in points:
            self.add(self.elements.Dot(radius=0.06).at(point))

    def text(
        self,
        at: Point,
        text: str,
        *,
        colour: str = "black",
        size: float = 11,
        align: Literal["left", "center"] = "left",
    ) -> None:
        label = self.elements.Label().at(at).label(text, color=colour, fontsize=size, halign=align, loc="center")
        self.add(label)

    def terminal(self, at: Point, text: str) -> None:
        self.add(self.elements.Dot(open=True).at(at).label(text, loc="left"))

    def tag(self, at: Point, text: str) -> None:
        self.add(self.elements.Tag(width=3.9).right().at(at).label(text, fontsize=10))

    def ground(self, at: Point) -> None:
        self.add(self.elements.Ground().at(at))

    def supply(self, at: Point) -> None:
        self.add(self.elements.Vdd().at(at).label("3.3 V", fontsize=10))

    def barrier(self, x: float, top: float, bottom: float, text: str) -> None:
        self.add(self.elements.Line().endpoints((x, top), (x, bottom)).linestyle("--").color(_WARN))
        self.text((x, top + 0.3), text, colour=_WARN, size=9, align="center")

    def title(self, at: Point, text: str) -> None:
        self.text(at, text, size=13)

    def svg(self) -> bytes:
        return bytes(self.drawing.get_imagedata("svg"))


# ---------------------------------------------------------------- strips of a presence channel


def _opto(sheet: Sheet, ref: str, x: float, y: float) -> float:
    """Antiparallel diodes at x, transistor to the right; nodes: (x, y), (x, y - drop); collector and emitter at the x
    that is returned."""
    low, mid = y - _DROP, y - _DROP / 2
    for offset, start, end in ((0.0, mid + 0.6, mid - 0.6), (1.0, mid - 0.6, mid + 0.6)):
        at = x + offset
        sheet.add(sheet.elements.Diode().endpoints((at, start), (at, end)))
        sheet.wire((at, y), (at, mid + 0.6))
        sheet.wire((at, mid - 0.6), (at, low))
    sheet.wire((x, y), (x + 1, y))
    sheet.wire((x, low), (x + 1, low))
    transistor = sheet.add(sheet.elements.NpnPhoto(circle=False).right().at((x + 2.1, mid)).anchor("base"))
    sheet.wire(tuple(transistor.collector), (transistor.collector[0], y))
    sheet.wire(tuple(transistor.emitter), (transistor.emitter[0], low))
    sheet.add(sheet.elements.Rect(corner1=(-0.5, -1.0), corner2=(3.4, 1.0), lw=0.8, color=_GREY).at((x, mid)).theta(0))
    sheet.text((x + 1.9, mid + 1.25), ref, size=10)
    sheet.drawn.append(ref)
    return float(transistor.collector[0])


def _pin(sheet: Sheet, refs: tuple[str, str, str], x: float, y: float, name: str) -> None:
    """From the collector's node at (x, y): pull-up, hold capacitor, series resistor, tag."""
    pull, hold, series = refs
    sheet.wire((x, y), (x + 3.4, y))
    sheet.dot((x + 1, y), (x + 2.4, y))
    sheet.part("ResistorIEC", pull, (x + 1, y + 2), (x + 1, y))
    sheet.supply((x + 1, y + 2))
    sheet.part("Capacitor", hold, (x + 2.4, y), (x + 2.4, y - _DROP))
    sheet.ground((x + 2.4, y - _DROP))
    sheet.part("ResistorIEC", series, (x + 3.4, y), (x + 5.6, y))
    sheet.tag((x + 5.6, y), name)


def _input_24v(sheet: Sheet, refs: Sequence[str], y: float, ends: tuple[str, str]) -> None:
    """Terminals, fuse at the tap, clamp, bleeder, resistor, zeners; ends at (8, y) and (8, y - drop)."""
    fuse, resistor, one, other, *across = refs
    low = y - _DROP
    sheet.terminal((-4, y), ends[0])
    sheet.terminal((-4, low), ends[1])
    sheet.wire((-4, low), (0, low))
    sheet.part("FuseIEC", fuse, (-4, y), (-2, y))
    sheet.wire((-2, y), (2, y))
    for x, kind, ref in zip((-1.4, 0.9), ("DiodeTVS", "ResistorIEC"), across, strict=False):
        sheet.part(kind, ref, (x, y), (x, low))
        sheet.dot((x, y), (x, low))
    sheet.part("ResistorIEC", resistor, (2, y), (4.4, y))
    sheet.part("Zener", one, (6, y), (4.4, y), below=True)
    sheet.part("Zener", other, (6, y), (7.6, y))
    sheet.wire((7.6, y), (8.2, y))
    sheet.wire((0, y - _DROP), (8.2, y - _DROP))


def _presence_24v(sheet: Sheet, y: float, ends: tuple[str, str], name: str) -> None:
    _input_24v(sheet, ("F1", "R1", "D1", "D2", "D24", "R28"), y, ends)
    out = _opto(sheet, "U1", 8.2, y)
    sheet.barrier(9.75, y + 0.6, y - _DROP - 0.4, "isolated")
    sheet.wire((out, y), (11.4, y))
    sheet.ground((out, y - _DROP))
    _pin(sheet, ("R2", "C1", "R3"), 11.4, y, name)


def _presence_line(sheet: Sheet, refs: Sequence[str], y: float, ends: tuple[str, str], name: str) -> None:
    f1, f2, r1, r2, r3, r4, shunt, opto, pull, hold, series = refs
    low = y - _DROP
    for at, fuse, first, second, end in ((y, f1, r1, r2, ends[0]), (low, f2, r4, r3, ends[1])):
        sheet.terminal((0, at), end)
        sheet.part("FuseIEC", fuse, (0, at), (2, at))
        sheet.wire((2, at), (3, at))
        sheet.part("ResistorIEC", first, (3, at), (5, at))
        sheet.part("ResistorIEC", second, (5, at), (7, at))
        sheet.wire((7, at), (9.2, at))
    sheet.dot((7.4, y), (7.4, low))
    sheet.part("ResistorIEC", shunt, (7.4, y), (7.4, low), beside_x=-1.5)
    out = _opto(sheet, opto, 9.2, y)
    sheet.barrier(10.75, y + 0.6, low - 0.4, "reinforced")
    sheet.wire((out, y), (12.4, y))
    sheet.ground((out, low))
    _pin(sheet, (pull, hold, series), 12.4, y, name)


# ---------------------------------------------------------------- strips of a measuring channel


_Chain = tuple[str, Sequence[str], Sequence[str]]  # burden; clamps; series resistor, filter, rail diodes


def _tail(sheet: Sheet, refs: _Chain, at: Point, name: str) -> None:
    """Burden and clamps between the rails, then the way to the converter. The lower rail is the bias."""
    x, y = at
    low, mid = y - _DROP, y - _DROP / 2
    burden, clamps, tail = refs
    d1, d2, d3, d4 = clamps
    sheet.wire((x, y), (x + 4.4, y))
    sheet.wire((x, low), (x + 4.4, low))
    sheet.tag((x + 4.4, low), "BIAS")
    sheet.dot((x + 0.6, y), (x + 0.6, low), (x + 2, y), (x + 2, low), (x + 3.4, y), (x + 3.4, low))
    sheet.part("ResistorIEC", burden, (x + 0.6, y), (x + 0.6, low))
    sheet.part("Diode", d1, (x + 2, y), (x + 2, mid))
    sheet.part("Diode", d2, (x + 2, mid), (x + 2, low))
    sheet.part("Diode", d3, (x + 3.4, low), (x + 3.4, mid))
    sheet.part("Diode", d4, (x + 3.4, mid), (x + 3.4, y))
    _to_converter(sheet, tail, x + 4.4, y, name)


def _to_converter(sheet: Sheet, tail: Sequence[str], x: float, y: float, name: str) -> None:
    series, cap, schottky = tail
    sheet.part("ResistorIEC", series, (x, y), (x + 2.2, y))
    sheet.wire((x + 2.2, y), (x + 6, y))
    sheet.dot((x + 2.8, y), (x + 4.9, y))
    sheet.part("Capacitor", cap, (x + 2.8, y), (x + 2.8, y - 1.6))
    sheet.ground((x + 2.8, y - 1.6))
    sheet.part("Schottky", schottky, (x + 4.9, y), (x + 4.9, y + 1.6))
    sheet.supply((x + 4.9, y + 1.6))
    sheet.add(sheet.elements.Schottky().endpoints((x + 4.9, y - 1.6), (x + 4.9, y)))
    sheet.ground((x + 4.9, y - 1.6))
    sheet.tag((x + 6, y), name)


def _current(sheet: Sheet, plug: tuple[str, str, str], refs: _Chain, y: float, text: tuple[str, str]) -> None:
    """Lead and transformer, plug in its jack (whose contact is drawn as without the plug), and the chain behind."""
    low = y - _DROP
    lead, reading = text
    ct, jack, tell = plug
    sheet.wire((-2.6, y + 0.8), (-2.6, low - 0.8))
    sheet.text((-3.6, y + 1.1), lead, size=10)
    sheet.part("Inductor2", ct, (-2.0, y), (-2.0, low))
    sheet.wire((-2.0, y), (1.6, y))
    sheet.wire((-2.0, low), (1.6, low))
    sheet.add(sheet.elements.Rect(corner1=(0, -0.3), corner2=(1.2, _DROP + 0.3), lw=0.8, color=_GREY).at((0.6, low)))
    sheet.text((0.8, y - _DROP / 2), jack, size=10)
    sheet.drawn.append(jack)
    sheet.part("ResistorIEC", tell, (2.4, y + 2.4), (2.4, y + 0.9))
    sheet.supply((2.4, y + 2.4))
    sheet.wire((2.4, y + 0.9), (2.4, y + 0.75))
    for at in (y + 0.75, y + 0.25):
        sheet.add(sheet.elements.Dot(open=True, radius=0.08).at((2.4, at)))
    sheet.wire((2.48, y + 0.75), (2.48, y + 0.25))
    sheet.wire((2.4, y + 0.25), (2.4, y))
    sheet.text((2.95, y + 0.5), "contact of the jack: closed without a plug", size=9)
    sheet.dot((2.4, y))
    sheet.wire((1.6, y), (4, y))
    sheet.wire((1.6, low), (4, low))
    _tail(sheet, refs, (4, y), _input(reading))


def _input(reading: str) -> str:
    """Which of the converter's inputs this reading has in the channel table."""
    mux = CHANNELS[reading].mux
    assert mux is not None
    return f"{MUXES[mux].split()[0]} {reading}"


def _pin_name(reading: str) -> str:
    return f"GPIO{CHANNELS[reading].pin} {reading}"


def _voltage(sheet: Sheet, y: float, refs: tuple[str, str, _Chain], ends: tuple[str, str], name: str) -> None:
    """What drives a voltage transformer (several resistors are drawn as one), the transformer and the chain behind."""
    low = y - _DROP
    series, transformer, chain = refs
    sheet.text((-2, y), ends[0], size=10)
    sheet.terminal((0, low), ends[1])
    sheet.part("ResistorIEC", series.split()[0], (0, y), (2.2, y))
    sheet.drawn += series.split()[1:]
    if " " in series:
        sheet.text((0, y + 0.6), f"{series.replace(' ', ', ')} in series", size=9)
    sheet.wire((2.2, y), (2.4, y), (2.4, y - 0.3))
    sheet.wire((0, low), (2.4, low), (2.4, low + 0.3))
    sheet.add(sheet.elements.Inductor2().endpoints((2.4, y - 0.3), (2.4, low + 0.3)))
    sheet.part("Inductor2", transformer, (3.4, low + 0.3), (3.4, y - 0.3))
    sheet.wire((3.4, y - 0.3), (3.4, y), (4.5, y))
    sheet.wire((3.4, low + 0.3), (3.4, low), (4.5, low))
    sheet.barrier(2.9, y + 0.4, low - 0.4, "isolated")
    _tail(sheet, chain, (4.5, y), name)


def _converter(sheet: Sheet, refs: Sequence[str], y: float, address: int) -> None:
    """Bias divider, chip with the net at each of its pins, decoupling."""
    top, bottom, hold, chip, decouple = refs
    addr = ADDR[address]
    inputs = ("AIN0", "AIN1", "AIN2", "AIN3")
    nets = dict.fromkeys(inputs, "GND, not used")
    nets |= {f"AIN{row.mux - 1}": row.reading for row in CHANNELS.values() if row.address == address and row.mux}
    nets |= {"AIN3": "BIAS", "SDA": "GPIO2, SDA", "SCL": "GPIO3, SCL", "ADDR": addr}
    sheet.part("ResistorIEC", top, (1, y + 1), (1, y - 1))
    sheet.part("ResistorIEC", bottom, (1, y - 1), (1, y - 3))
    sheet.supply((1, y + 1))
    sheet.ground((1, y - 3))
    sheet.part("Capacitor", hold, (3.2, y - 1), (3.2, y - 3))
    sheet.ground((3.2, y - 3))
    sheet.dot((1, y - 1), (3.2, y - 1))
    sheet.wire((1, y - 1), (4.4, y - 1))
    sheet.tag((4.4, y - 1), "BIAS = AIN3")
    pin = sheet.elements.IcPin
    pins = [pin(name, side="left", anchorname=name) for name in reversed(inputs)]
    pins += [pin(name, side="right", anchorname=name) for name in ("SDA", "SCL", "ADDR")]
    pins += [pin("VDD", side="top"), pin("GND", side="bottom")]
    box = sheet.add(sheet.elements.Ic(pins=pins, size=(4.6, 3.6)).at((10.6, y - 3)))
    for name, net in nets.items():
        x, at = getattr(box, name)
        left = name in inputs
        sheet.text((x - 0.25 - 0.17 * len(net) if left else x + 0.15, at), net, size=10)
    sheet.text((12.9, y - 1.2), f"{chip}\nADS1115\n0x{address:02x}", size=10, align="center")
    sheet.drawn.append(chip)
    sheet.supply(tuple(box.VDD))
    sheet.ground(tuple(box.GND))
    sheet.part("Capacitor", decouple, (18.6, y + 1), (18.6, y - 1))
    sheet.supply((18.6, y + 1))
    sheet.ground((18.6, y - 1))


def _thermistor(sheet: Sheet, y: float, refs: tuple[str, str, Sequence[str]], reading: str) -> None:
    """A thermistor under its resistor; one without a reference of this board comes by the indoor cable."""
    pull_up, bead, tail = refs
    sheet.supply((3, y + 2))
    sheet.part("ResistorIEC", pull_up, (3, y + 2), (3, y))
    if bead:
        sheet.part("Thermistor", bead, (3, y), (3, y - 2.4))
        sheet.ground((3, y - 2.4))
    else:
        sheet.terminal((0, y), "indoor cable")
        sheet.wire((0, y), (3, y))
    sheet.dot((3, y))
    sheet.wire((3, y), (4.4, y))
    _to_converter(sheet, tail, 4.4, y, _input(reading))


def _indoor_cable(sheet: Sheet, y: float) -> None:
    parts = (
        ("control_power", ("D13", "R11", "C6", "R13")),
        ("thermostat", ("D14", "R12", "C7", "R14")),
        ("blower", ("D23", "R26", "C14", "R27")),
    )
    for row, (name, (tvs, pull, hold, series)) in enumerate(parts):
        at = y - 6 * row
        sheet.terminal((0, at), "")
        sheet.text((0, at + 0.5), name, size=10)
        sheet.wire((0, at), (3, at))
        sheet.dot((1.5, at))
        sheet.part("DiodeTVS", tvs, (1.5, at), (1.5, at - 2))
        sheet.ground((1.5, at - 2))
        _pin(sheet, (pull, hold, series), 3, at, _pin_name(name))
    sheet.terminal((0, y - 17), "")
    sheet.text((0, y - 16.5), "common", size=10)
    sheet.wire((0, y - 17), (1.5, y - 17))
    sheet.ground((1.5, y - 17))


def _terminals(sheet: Sheet, y: float, rows: Sequence[tuple[str, str]]) -> None:
    for row, (refs, text) in enumerate(rows):
        sheet.text((0, y - 0.6 * row), f"{refs}: {text}", size=10)
        sheet.drawn += refs.split()


# ---------------------------------------------------------------- boards


def control() -> Sheet:
    sheet = Sheet("control")
    sheet.title((0, 3), "Control board: the 24 V side at the outdoor unit")
    _presence_24v(sheet, 0, ("Y", "C"), _pin_name("call"))
    call_volts = ("R4", "T1", ("R5", ("D3", "D4", "D5", "D6"), ("R6", "C2", "D7")))
    _voltage(sheet, -7, call_volts, ("from F1", "C"), _input("control_v"))
    coil = ("coil lead, 5 passes", "coil_a")
    _current(sheet, ("CT1", "J2", "R15"), ("R7", ("D8", "D9", "D10", "D11"), ("R8", "C3", "D12")), -14, coil)
    _converter(sheet, ("R9", "R10", "C4", "U2", "C5"), -21, 0x48)
    _indoor_cable(sheet, -28)
    coil_volts = ("R17", "T2", ("R18", ("D16", "D17", "D18", "D19"), ("R19", "C9", "D20")))
    _voltage(sheet, -51, coil_volts, ("coil, by F2", "coil"), _input("coil_v"))
    sheet.terminal((0, -57), "line board")
    sheet.wire((0, -57), (6, -57))
    sheet.tag((6, -57), _input("line_v"))
    _thermistor(sheet, -63, ("R20", "", ("R21", "C10", "D21")), "return_air_c")
    _thermistor(sheet, -69, ("R22", "", ("R23", "C11", "D22")), "supply_air_c")
    _converter(sheet, ("R24", "R25", "C12", "U3", "C13"), -75, 0x4B)
    rows = (
        ("J1", "Y and C"),
        ("J3", "indoor cable"),
        ("J4", "ribbon to the Pi"),
        ("J5 F2 D25", "the coil's own terminals, fused at the tap, clamped on the board"),
        ("J6", "lead from the line board"),
    )
    _terminals(sheet, -81, rows)
    return sheet


def line() -> Sheet:
    sheet = Sheet("line")
    sheet.title((0, 3), "Line board: line voltage left of the barrier, licensed work")
    supply = ("F1", "F2", "R1", "R2", "R3", "R4", "R5", "U1", "R6", "C1", "R7")
    load = ("F3", "F4", "R8", "R9", "R10", "R11", "R12", "U2", "R13", "C2", "R14")
    _presence_line(sheet, supply, 0, ("L1", "L2"), _pin_name("supply"))
    _presence_line(sheet, load, -7, ("T1", "T2"), _pin_name("load"))
    compressor = ("compressor common, 1 pass", "compressor_a")
    _current(sheet, ("CT1", "J3", "R23"), ("R15", ("D1", "D2", "D3", "D4"), ("R16", "C3", "D5")), -14, compressor)
    fan = ("fan lead, 3 passes", "fan_a")
    _current(sheet, ("CT2", "J6", "R24"), ("R17", ("D6", "D7", "D8", "D9"), ("R18", "C4", "D10")), -21, fan)
    _thermistor(sheet, -28, ("R19", "RT1", ("R20", "C5", "D11")), "outdoor_c")
    _converter(sheet, ("R21", "R22", "C6", "U3", "C7"), -34, 0x49)
    rows = (
        ("J1", "L1 and L2"),
        ("J2", "T1 and T2"),
        ("J4", "thermistor"),
        ("J5", "ribbon to the Pi"),
        ("J8 J9", "pipe probes"),
        ("J10", "lead to the control board"),
    )
    volts = ("R25 R26 R27 R28", "T1", ("R29", ("D12", "D13", "D14", "D15"), ("R30", "C8", "D16")))
    _voltage(sheet, -41, volts, ("L1, behind F1", "L2"), "line_v, to the control board")
    winding = ("start winding, 1 pass", "start_winding_a")
    _current(sheet, ("CT3", "J7", "R31"), ("R32", ("D17", "D18", "D19", "D20"), ("R33", "C9", "D21")), -48, winding)
    _thermistor(sheet, -55, ("R34", "RT2", ("R35", "C10", "D22")), "suction_c")
    _thermistor(sheet, -61, ("R36", "RT3", ("R37", "C11", "D23")), "liquid_c")
    _converter(sheet, ("R38", "R39", "C12", "U4", "C13"), -67, 0x4A)
    _terminals(sheet, -73, rows)
    return sheet


def indoor() -> Sheet:
    sheet = Sheet("indoor")
    sheet.title((0, 2), "Indoor board: behind the control fuse, ahead of float and pressure switches")
    channels = (
        (("F1", "R1", "D1", "D2", "D5"), "U1", ("R", "C"), "control_power"),
        (("F2", "R2", "D3", "D4", "D6", "R3"), "U2", ("Y", "C"), "thermostat"),
    )
    for row, (refs, opto, ends, name) in enumerate(channels):
        y = -6.0 * row
        _input_24v(sheet, refs, y, ends)
        out = _opto(sheet, opto, 8.2, y)
        sheet.barrier(9.75, y + 0.6, y - _DROP - 0.4, "isolated")
        sheet.wire((out, y), (13, y))
        sheet.tag((13, y), name)
        sheet.wire((out, y - _DROP), (13, y - _DROP))
        sheet.tag((13, y - _DROP), "common")
    rows = (
        ("J1", "R and C"),
        ("J2", "Y and C"),
        ("J3", "cable to the control board"),
        ("J4 RT1", "probe in the return duct, to J3"),
        ("J5 RT2", "probe in the supply duct, to J3"),
        ("J6 S1", "current switch on the blower's lead, to J3"),
    )
    _terminals(sheet, -11, rows)
    return sheet


BOARDS = {"control": control, "line": line, "indoor": indoor}


def write_all(folder: Path = HERE) -> None:
    """Draw the three boards again into `folder`."""
    for board, draw in BOARDS.items():
        (folder / f"{board}-board.svg").write_bytes(draw().svg())
