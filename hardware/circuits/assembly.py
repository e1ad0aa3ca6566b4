"""How a board is put together: the order of soldering, what a meter must show after each step, and pictures of both.

What the meter shows is computed from the parts list alone: the resistors soldered so far as one network (nodes solved
by their conductances), with the worst case of their tolerances. Diodes count as open (a meter's ohm range stays below
what two in series need), capacitors as charged. The tests hold the same figures against the decks in ngspice. Needs
numpy; not for the Pi.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from math import log
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.circuits import isolation, layout, parts
from condenser_monitor.hardware.circuits.packages import PACKAGES
from condenser_monitor.hardware.values import Value
from condenser_monitor.monitor.drawing.shapes import (
    BREAK,
    GRID,
    INK,
    LIVE,
    SOFT,
    Drawing,
    Rect,
    Shape,
    Text,
    as_svg,
)

THERMAL_V = 0.025852  # kT/q at 27 C, the circuit simulator's nominal temperature
HERE = Path(__file__).parent
METER_SHARE = 0.01  # of a usual meter's reading, both ways (ours)
OPEN_OHM = 20e6  # from here a usual meter shows OL (common practice)
BENCH_V = 3.3  # of the bench supply at the ribbon's pins 1 and 6
LEAK_S = 1e-12  # siemens from each net to ground, so that every net has a voltage
MM = 4.6  # points in a picture for one millimetre


class Step(NamedTuple):
    """One step of soldering: which packages, in words what to mind."""

    name: str
    packages: tuple[str, ...]
    mind: str


STEPS = (
    Step(
        "converters, resistors and capacitors on the surface",
        ("VSSOP10", "1206"),
        "Converters first: the finest pitch while the board lies flat. The dot is pin 1.",
    ),
    Step(
        "diodes",
        ("SOT23", "SMA", "SMB"),
        "The bar is the cathode. Not before step 1 is measured: small diodes conduct at an ohmmeter's voltage.",
    ),
    Step(
        "leaded resistors",
        ("AXIAL10", "AXIAL15", "AXIAL20"),
        "The bleeder and the high-voltage ones 5 mm clear of the board.",
    ),
    Step(
        "what crosses the barrier",
        ("DIP4W", "VT4"),
        "Optos over their slot, pin 1 at the dot. Clean all flux off the slot and between the taps' pads.",
    ),
    Step(
        "jacks, terminals, headers",
        ("JACK35", "TB2", "TB2L", "TB6", "HDR3", "HDR2X20"),
        "Wire entries to the edge. No plug in any jack for the test.",
    ),
)


class Check(NamedTuple):
    """One look with the meter: at which parts' leads, between which nets, and what it must show."""

    at: str
    nets: tuple[str, str]
    low: float
    high: float
    unit: str  # "ohm", "V"

    @property
    def open(self) -> bool:
        return self.unit == "ohm" and self.low > OPEN_OHM


# ---------------------------------------------------------------- the network


Array = NDArray[np.floating[Any]]


class _Resistor(NamedTuple):
    one: str
    other: str
    ohm: Value


def soldered(board: str, steps: Iterable[Step]) -> list[str]:
    """The references on the board after these steps."""
    packages = {package for step in steps for package in step.packages}
    return [ref for row in parts.BOARDS[board] if row.package in packages for ref in row.refs]


def _resistors(board: str, refs: Iterable[str]) -> Iterator[_Resistor]:
    half = v.CONTROL_WINDINGS._replace(nominal=v.CONTROL_WINDINGS.nominal / 2)
    for ref in refs:
        row = parts.part(board, ref)
        nets = row.nets(ref)
        if row.kind.startswith("resistor") and row.value is not None:
            yield _Resistor(nets[0], nets[1], row.value)
        elif row.kind.startswith("voltage transformer"):
            yield _Resistor(nets[0], nets[1], half)
            yield _Resistor(nets[2], nets[3], half)
        elif row.kind.startswith("jack"):
            yield _Resistor(nets[0], nets[2], Value(0.05, "ohm", 0.5, "the jack's contact, closed without a plug"))


class Network:
    """The resistors soldered on a board as one network."""

    def __init__(self, board: str, refs: Iterable[str]) -> None:
        self._rows = list(_resistors(board, refs))
        names = {net for row in self._rows for net in row[:2]} | {"GND", "VDD"}
        self._index = {net: at for at, net in enumerate(sorted(names))}
        size = len(self._index)
        self._matrix = np.eye(size) * LEAK_S
        for row in self._rows:
            one, other = self._index[row.one], self._index[row.other]
            self._matrix[np.ix_([one, other], [one, other])] += np.array([[1, -1], [-1, 1]]) / row.ohm.nominal

    def _moved(self, first: Array, second: Array) -> float:
        """How far the tolerances can move what the two solutions make, at worst: the adjoint rule, resistor by
        resistor."""
        total = 0.0
        for row in self._rows:
            one, other = self._index[row.one], self._index[row.other]
            product = float((first[one] - first[other]) * (second[one] - second[other]))
            total += abs(product) / row.ohm.low * row.ohm.tolerance
        return total

    def holds(self, net: str) -> bool:
        """Whether any resistor is joined to this net."""
        return net in self._index

    def ohms(self, one: str, other: str) -> tuple[float, float]:
        """What an ohmmeter shows between two nets, lowest and highest; over OPEN_OHM where nothing joins them."""
        if not (self.holds(one) and self.holds(other)):
            return 1e12, 1e12
        flow = np.zeros(len(self._index))
        flow[self._index[one]], flow[self._index[other]] = 1.0, -1.0
        at = np.linalg.solve(self._matrix, flow)
        ohm = float(at[self._index[one]] - at[self._index[other]])
        return (1e12, 1e12) if ohm > OPEN_OHM else _shown(ohm, self._moved(at, at))

    def volts(self, net: str) -> tuple[float, float]:
        """What a voltmeter shows from a net to GND with BENCH_V between VDD and GND, lowest and highest."""
        ground, supply, here = (self._index[name] for name in ("GND", "VDD", net))
        fixed = self._matrix.copy()
        stiff = 1e6
        fixed[ground, ground] += stiff
        fixed[supply, supply] += stiff
        flow = np.zeros(len(self._index))
        flow[supply] = stiff * BENCH_V
        at = np.linalg.solve(fixed, flow)
        look = np.zeros(len(self._index))
        look[here] = 1.0
        return _shown(float(at[here]), self._moved(at, np.linalg.solve(fixed, look)))

    def amps(self) -> float:
        """What the bench supply gives at BENCH_V, resistors alone."""
        return BENCH_V / (sum(self.ohms("VDD", "GND")) / 2)


def _shown(middle: float, moved: float) -> tuple[float, float]:
    spread = moved + METER_SHARE * abs(middle)
    return middle - spread, middle + spread


# ---------------------------------------------------------------- what to look at after each step


@cache
def checks(board: str, index: int) -> tuple[Check, ...]:
    """What the meter must show after step `index` (from 0), no plug in, nothing joined: across each resistor and
    winding just soldered, over each barrier, and after the last step the volts of every signal."""
    network = Network(board, soldered(board, STEPS[: index + 1]))
    fresh = soldered(board, [STEPS[index]])
    found: dict[tuple[str, str], Check] = {}
    for ref in fresh:
        row = parts.part(board, ref)
        nets = row.nets(ref)
        looks: tuple[tuple[int, int], ...] = ()
        if row.kind.startswith("resistor"):
            looks = ((1, 2),)
        elif row.kind.startswith("voltage transformer"):
            looks = ((1, 2), (3, 4), (1, 3))
        elif row.kind.startswith("opto"):
            looks = ((1, 3),)
        elif row.kind.startswith("terminal") and layout.circuits(board)[nets[0]] != "Pi":
            looks = ((1, 2),)
        elif len(nets) == 40 and nets[0] == "VDD":
            looks = ((1, 6),)
        elif row.kind.startswith("jack"):
            looks = ((1, 2), (1, 3))
        for one, other in looks:
            at = ref if row.kind.startswith("resistor") else f"{ref} pins {one}, {other}"
            pair = nets[one - 1], nets[other - 1]
            found[pair] = Check(at, pair, *network.ohms(*pair), "ohm")
    return tuple(found.values())


def diode_tests(board: str) -> tuple[Check, ...]:
    """Diode range after the second step, burdens not yet in: the clamps of each transformer's input, both ways."""
    each = THERMAL_V * 1.96 * log(1e-3 / 29.5e-9)  # the simulated rectifier at a meter's 1 mA
    found = []
    for row in parts.BOARDS[board]:
        name = row.role.partition(":")[0]
        if row.kind == "rectifier diode" and name in v.CURRENT_SENSES:
            found.append(
                Check(row.ref.replace(" ", ", "), (f"{name}_hot", row.wires[1][0]), 1.6 * each, 2.4 * each, "V")
            )
    return tuple(found)


@cache
def powered(board: str) -> tuple[Check, ...]:
    """The volts of every signal with BENCH_V on the ribbon's header (or on the cable's terminals), all soldered."""
    network = Network(board, soldered(board, STEPS))
    found = []
    for net in parts.nets(board):
        if net in ("GND", "VDD", "SDA", "SCL") or layout.circuits(board).get(net) != "Pi":
            continue
        if network.holds(net) and (network.ohms(net, "GND")[0] < OPEN_OHM):
            found.append(Check(touch(board, net), (net, "GND"), *network.volts(net), "V"))
    return tuple(found)


def touch(board: str, net: str) -> str:
    """Where a net can be touched: a test point, terminal, jack or header pin, else a part's pin."""
    pins = [(ref, number) for ref, number in parts.nets(board)[net] if parts.part(board, ref).on_board]
    order = ("test point", "terminal", "jack", "pin header", "resistor", "opto")

    def rank(pin: tuple[str, int]) -> int:
        kind = parts.part(board, pin[0]).kind
        return next((at for at, name in enumerate(order) if kind.startswith(name)), len(order))

    ref, number = min(pins, key=rank)
    return ref if parts.part(board, ref).kind == "test point" else f"{ref} pin {number}"


def supply_ma(board: str) -> tuple[float, float]:
    """What the bench supply gives, mA: resistors, and up to 0.3 mA for each converter."""
    converters = sum(row.kind.startswith("converter") for row in parts.BOARDS[board])
    amps = Network(board, soldered(board, STEPS)).amps()
    return amps * 1e3 * 0.96, amps * 1e3 * 1.04 + 0.3 * converters


class HighVoltage(NamedTuple):
    """One high-voltage test: board, between which groups of terminals tied together, volts, and what passes."""

    board: str
    between: str
    test: str
    passes: str


def high_voltage() -> tuple[HighVoltage, ...]:
    """Tests of the insulation, for the person who may do them: the temporary overvoltage of IEC 60664-1, doubled where
    insulation is reinforced; for 24 V a megohmmeter."""
    rows = []
    for row in isolation.BARRIERS:
        if row.isolator.startswith("none") and "leg" in row.between:
            continue  # the droppers join the two legs
        if "CT" in row.between:
            continue  # the transformer's own listing
        if row.nominal_v < 50:
            rows.append(HighVoltage(row.board, row.between, "500 V DC, 1 min", "10 MΩ or more"))
            continue
        volts = isolation.test_v(row)
        rows.append(HighVoltage(row.board, row.between, f"{volts:.0f} V RMS, 5 s", "no flash-over, under 5 mA"))
    return tuple(dict.fromkeys(rows))


# ---------------------------------------------------------------- pictures


def step_picture(board: str, index: int) -> Drawing:
    """The board with what is soldered in this step in green, and what is there already in grey."""
    plan = layout.BOARDS[board]
    done, fresh = set(soldered(board, STEPS[:index])), set(soldered(board, [STEPS[index]]))
    top = 34.0
    shapes: list[Shape] = [
        Text(8, 20, f"{board} board, step {index + 1}: {STEPS[index].name}", 13, bold=True),
        Rect(8, top, plan.wide * MM, plan.high * MM, colour=INK, stroke=1.4),
        Rect(
            8 + plan.barrier[0] * MM,
            top,
            (plan.barrier[1] - plan.barrier[0]) * MM,
            plan.high * MM,
            colour=BREAK,
            dash=(4, 3),
        ),
    ]
    for one in layout.placed(board):
        if one.ref not in done | fresh:
            continue
        wide, high = PACKAGES[one.package].body
        wide, high = (wide, high) if one.turn % 180 == 0 else (high, wide)
        x, y = 8 + one.x * MM, top + one.y * MM
        new = one.ref in fresh
        shapes.append(
            Rect(
                x - wide * MM / 2,
                y - high * MM / 2,
                wide * MM,
                high * MM,
                fill="#d6efe6" if new else "#efefec",
                colour=LIVE if new else GRID,
            )
        )
        _, pin_x, pin_y, *_rest = next(iter(one.pads()))
        if new:
            shapes.append(Rect(8 + pin_x * MM - 2, top + pin_y * MM - 2, 4, 4, fill=INK))
            shapes.append(Text(x, y - high * MM / 2 - 2, one.ref, 6.5, "middle", INK))
    told = f"Soldered now: {', '.join(sorted(fresh))}"
    return Drawing(
        f"{board} board, step {index + 1}", told, plan.wide * MM + 16, plan.high * MM + top + 10, tuple(shapes)
    )


def connectors(board: str) -> list[tuple[parts.Part, str]]:
    """Every terminal, jack and header of a board with its reference."""
    kinds = ("terminal", "jack", "pin header")
    return [
        (row, ref) for row in parts.BOARDS[board] if row.on_board and row.kind.startswith(kinds) for ref in row.refs
    ]


def pinout_picture(board: str) -> Drawing:
    """Each terminal, jack and header, pin by pin, as seen with the wires' side towards you."""
    shapes: list[Shape] = [Text(8, 20, f"{board} board: pin-outs", 13, bold=True)]
    y, told = 40.0, []
    for row, ref in connectors(board):
        nets = row.nets(ref)
        shapes.append(Text(8, y + 4, f"{ref}  {row.role.partition('.')[0]}", 9, bold=True))
        y += 10
        if len(nets) == 40:
            shapes += _header_shapes(nets, y)
            y += 2 * 30 + 16
        else:
            names = (
                ["tip", "sleeve", "contact"] if row.kind.startswith("jack") else [str(n + 1) for n in range(len(nets))]
            )
            for at, (name, net) in enumerate(zip(names, nets, strict=True)):
                shapes += _pin_box(8 + at * 118, y, 112, name, net)
            y += 34 + 12
        told.append(f"{ref}: " + ", ".join(f"{n} {net}" for n, net in enumerate(nets, start=1) if net))
    return Drawing(f"{board} board, pin-outs", "; ".join(told), 740, y, tuple(shapes))


def _pin_box(x: float, y: float, wide: float, name: str, net: str) -> Iterator[Shape]:
    mark = parts.MARKS.get(net, "") if wide > 60 else ""
    yield Rect(x, y, wide, 30, colour=INK if net else GRID)
    yield Text(x + 4, y + 10, name, 7, colour=SOFT)
    yield Text(x + wide - 4, y + 11, mark, 9, "end", bold=True)
    size = 7.5 if wide > 60 else 5.2 if len(net) < 11 else 4.4
    yield Text(x + 4, y + 24, net or "open", size, colour=INK if net else SOFT)


def _header_shapes(nets: tuple[str, ...], y: float) -> Iterator[Shape]:
    """The header as the Pi counts it: odd pins in the upper row."""
    for at, net in enumerate(nets):
        yield from _pin_box(8 + (at // 2) * 36, y + (at % 2) * 30, 36, str(at + 1), net)


def pictures() -> dict[str, str]:
    """File name -> SVG, of every step and of every board's pin-outs."""
    found = {}
    for board in parts.BOARDS:
        for index, step in enumerate(STEPS):
            if soldered(board, [step]):
                name = f"step-{board}-{index + 1}.svg"
                found[name] = as_svg(step_picture(board, index), name.removesuffix(".svg")) + "\n"
        found[f"pinout-{board}.svg"] = as_svg(pinout_picture(board), f"pinout-{board}") + "\n"
    return found


def write_all() -> None:
    """Renew the committed pictures."""
    for name, text in pictures().items():
        (HERE / name).write_text(text, encoding="utf-8")
