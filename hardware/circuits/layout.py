"""Where each part lies on its board, and the copper between them: placed by rows, routed by a maze on two layers.

A row is what is on the taps' side of a channel, the part that crosses the barrier, and what is on the Pi's side, so
that the barrier is one straight strip of board without copper. The router looks for the shortest way on a grid of 0.5
mm, track by track; where one is shut in, the tracks in its way are taken up and laid again (Lee 1961, with the queue
of Hart, Nilsson and Raphael 1968). It knows the distances between circuits; KiCad's own rules check them afterwards
from the file.
"""

from __future__ import annotations

import heapq
import random
from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import pairwise
from math import cos, hypot, radians, sin
from typing import NamedTuple

from condenser_monitor.hardware.circuits import parts
from condenser_monitor.hardware.circuits.packages import PACKAGES
from condenser_monitor.monitor.core.errors import ContractError

GRID_MM = 0.5
TRACK_MM, CLEAR_MM = 0.25, 0.2
VIA_MM, VIA_DRILL_MM = 0.6, 0.3
EDGE_MM = 0.5
SLOT_MM = (1.0, 9.0)


class Placed(NamedTuple):
    """A part on its board: middle, and turned by degrees, counter-clockwise."""

    ref: str
    package: str
    x: float
    y: float
    turn: int = 0

    def pads(self) -> Iterator[tuple[int, float, float, float, float, bool]]:
        """Number, middle, width and height of each pad on the board, and whether it goes through."""
        for number, pad in enumerate(PACKAGES[self.package].pads, start=1):
            x, y = self.at(pad.x, pad.y)
            wide, high = (pad.wide, pad.high) if self.turn % 180 == 0 else (pad.high, pad.wide)
            yield number, x, y, wide, high, bool(pad.drill)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """A point of the package on the board."""
        c, s = cos(radians(self.turn)), sin(radians(self.turn))
        return round(self.x + x * c + y * s, 4), round(self.y - x * s + y * c, 4)

    @property
    def box(self) -> tuple[float, float]:
        wide, high = PACKAGES[self.package].box
        return (wide, high) if self.turn % 180 == 0 else (high, wide)


class Row(NamedTuple):
    """Parts of one row: at the taps' side, across the barrier, at the Pi's side; `R4/90` is turned by 90 degrees."""

    y: float
    taps: str
    crossing: str
    pi: str
    start: float = 0.0  # x where the Pi's side begins; 0: beside the barrier


class Segment(NamedTuple):
    """A track, straight."""

    net: str
    layer: int
    start: tuple[float, float]
    end: tuple[float, float]
    width: float = TRACK_MM


class Board(NamedTuple):
    """Size, where the barrier's strip lies (left and right edge), rows, and the corners' holes."""

    wide: float
    high: float
    barrier: tuple[float, float]
    rows: tuple[Row, ...]
    tap_mm: float  # between the taps' circuits and the Pi's
    taps_mm: float  # between two tapped circuits
    pi_from: float = 0.0  # no track of the Pi's circuit left of this; 0: the strip's right edge
    spots: tuple[tuple[str, float, float], ...] = ()  # parts placed one by one, `R4/180`
    laid: tuple[Segment, ...] = ()  # tracks laid by hand, all of a net's


LINE_TRACK_MM = 1.0  # behind a fast fuse of 500 mA: the fuse opens first
_HALF = 5.08  # from a line channel's middle to each of its legs


def _line_spots() -> tuple[tuple[str, float, float], ...]:
    """The droppers of each line channel: one leg above its middle, the other below; terminals at the board's edge."""
    rows = ((21.0, "R1 R2", "R4/180 R3/180"), (41.0, "R28/180 R27/180", "R25 R26"), (64.0, "R8 R9", "R11/180 R10/180"))
    spots = [("J1/270", 10.0, 21.0), ("J2/270", 10.0, 64.0), ("R5/270", 68.0, 21.0), ("R12/270", 68.0, 64.0)]
    for middle, upper, lower in rows:
        for leg, y in ((upper, middle - _HALF), (lower, middle + _HALF)):
            spots += [(ref, x, y) for ref, x in zip(leg.split(), (32.0, 55.0), strict=True)]
    return tuple(spots)


def _line_tracks() -> tuple[Segment, ...]:
    """The line's copper, laid by hand: what stands at a quarter, a half or all of the line's voltage from its
    neighbour keeps the distance that `isolation.between_steps_mm` asks. `supply_l1` passes on the other side of the
    board under the middle of two droppers to those of `line_v`; their leads are 9 mm from it."""
    ways: list[tuple[str, int, tuple[tuple[float, float], ...]]] = []
    for name, y in (("supply", 21.0), ("load", 64.0)):
        for end, near, sign in (("l1", "a", -1), ("l2", "b", 1)):
            leg = y + sign * _HALF
            step = f"{name}_{end[1]}"
            ways += [
                (f"{name}_{end}", 0, ((10.0, leg), (22.0, leg))),
                (step, 0, ((42.0, leg), (45.0, leg))),
                (f"{name}_{near}", 0, ((65.0, leg), (68.0, leg), (68.0, y + sign * 1.27), (70.92, y + sign * 1.27))),
            ]
    lower, upper = 41.0 + _HALF, 41.0 - _HALF
    ways += [
        ("supply_l2", 0, ((22.0, 21.0 + _HALF), (22.0, upper))),
        ("supply_l1", 1, ((22.0, 21.0 - _HALF), (32.0, 21.0 - _HALF), (32.0, lower), (22.0, lower))),
        ("line_v_2", 0, ((42.0, upper), (45.0, upper))),
        ("line_v_1", 0, ((42.0, lower), (45.0, lower))),
        ("line_v_back", 0, ((65.0, upper), (65.0, 43.5), (69.0, 43.5))),
        ("line_v_in", 1, ((65.0, lower), (67.0, lower), (67.0, 38.5), (69.0, 38.5))),
    ]
    return tuple(
        Segment(net, layer, start, end, LINE_TRACK_MM) for net, layer, points in ways for start, end in pairwise(points)
    )


BOARDS: dict[str, Board] = {
    "control": Board(
        160.0,
        104.0,
        (49.0, 56.0),
        (
            Row(18.0, "J1/90 D24/90 R28/90 R1/90 D1/90 D2/90", "U1", "R2 C1 R3 TP5 J6"),
            Row(43.0, "R4/90", "T1", "R5 D3 D4 D5 D6 R6 C2 D7 TP6"),
            Row(68.0, "J5/90 D25/90 R17/90", "T2", "R18 D16 D17 D18 D19 R19 C9 D20 TP8"),
            Row(10.0, "", "", "J4", 92.0),
            Row(20.0, "", "", "R11 C6 R13 R12 C7 R14 R26 C14 R27", 96.0),
            Row(27.0, "", "", "D13 D14 D23", 96.0),
            Row(34.0, "", "", "TP3 R9 R10 C4 C5 U2 TP4 R24 R25 C12 C13 U3 TP2 TP1", 66.0),
            Row(54.0, "", "", "R20 R21 C10 D21 TP9 R22 R23 C11 D22 TP10", 100.0),
            Row(82.0, "", "", "R15 R8 C3 D12 TP7 D8 D9 D10 D11", 66.0),
            Row(94.0, "", "", "J2 R7 J3", 66.0),
        ),
        tap_mm=3.0,
        taps_mm=1.0,
    ),
    "line": Board(
        176.0,
        114.0,
        (72.5, 79.5),
        (
            Row(21.0, "", "U1", "R6 C1 R7 TP5"),
            Row(41.0, "", "T1", "R29 D12 D13 D14 D15 R30 C8 D16 TP7 J10"),
            Row(64.0, "", "U2", "R13 C2 R14 TP6"),
            Row(10.0, "", "", "J5", 104.0),
            Row(25.0, "", "", "TP3 R21 R22 C6 U3 C7 TP4 R38 R39 C12 U4 C13 TP2 TP1", 94.0),
            Row(54.0, "", "", "J3 R23 R15 D1 D2 D3 D4 R16 C3 D5 TP8", 88.0),
            Row(66.0, "", "", "J9 R36 R37 C11 D23 TP13", 108.0),
            Row(78.0, "", "", "J6 R24 R17 D6 D7 D8 D9 R18 C4 D10 TP9", 86.0),
            Row(92.0, "", "", "J7 R31 R32 D17 D18 D19 D20 R33 C9 D21 TP10", 86.0),
            Row(105.0, "", "", "J4 R19 R20 C5 D11 TP11 J8 R34 R35 C10 D22 TP12", 90.0),
        ),
        tap_mm=8.0,
        taps_mm=6.0,
        pi_from=82.0,
        spots=_line_spots(),
        laid=_line_tracks(),
    ),
    "indoor": Board(
        100.0,
        64.0,
        (56.0, 63.0),
        (
            Row(16.0, "J1/90 D5/90 R1/90 D1/90 D2/90", "U1", "J4/90 J5/90"),
            Row(40.0, "J2/90 D6/90 R3/90 R2/90 D3/90 D4/90", "U2", "J6/90"),
            Row(52.0, "", "", "J3", 63.5),
        ),
        tap_mm=3.0,
        taps_mm=1.0,
    ),
}


def placed(board: str) -> list[Placed]:
    """Every part on a board with its place. Raises ContractError for one that is forgotten or named twice."""
    plan = BOARDS[board]
    found = [_part(board, *spot) for spot in plan.spots]
    middle = sum(plan.barrier) / 2
    for row in plan.rows:
        x = plan.barrier[1] + 1.0
        if row.crossing:
            crossing = _part(board, row.crossing, middle, row.y)
            found.append(crossing)
            x = max(x, crossing.x + crossing.box[0], plan.pi_from)
            found += _along(board, reversed(row.taps.split()), crossing.x - crossing.box[0], row.y, -1)
        found += _along(board, row.pi.split(), row.start or x, row.y, 1)
    refs = sorted(one.ref for one in found)
    wanted = sorted(ref for part in parts.BOARDS[board] if part.on_board for ref in part.refs)
    if refs != wanted:
        raise ContractError(f"layout of the {board} board", sorted(set(refs) ^ set(wanted)), "each part placed once")
    return found


def _part(board: str, text: str, x: float, y: float) -> Placed:
    ref, _, turn = text.partition("/")
    return Placed(ref, parts.part(board, ref).package, x, y, int(turn or 0))


def _along(board: str, texts: Iterable[str], x: float, y: float, way: int) -> Iterator[Placed]:
    """Parts side by side from x on, 1 mm between them, on the grid."""
    for text in texts:
        wide = _part(board, text, 0, 0).box[0] + 0.5
        at = x + way * wide
        at = (int(at / GRID_MM) + (1 if way > 0 else 0)) * GRID_MM
        yield _part(board, text, at, y)
        x = at + way * wide


# ---------------------------------------------------------------- circuits apart


def circuits(board: str) -> dict[str, str]:
    """Each net -> the circuit it belongs to: `Pi`, or the first terminal on a circuit of its own.

    Nets are of one circuit where anything but an isolator joins them.
    """
    joined: dict[str, str] = {}

    def root(net: str) -> str:
        while joined.setdefault(net, net) != net:
            net = joined[net]
        return net

    for part in parts.BOARDS[board]:
        for ref in part.refs:
            pins = part.nets(ref)
            isolated = part.kind.startswith(("opto", "voltage transformer"))
            for group in (pins[:2], pins[2:]) if isolated else (pins,):
                nets = [net for net in group if net]
                for other in nets[1:]:
                    joined[root(other)] = root(nets[0])
    names = {root("GND"): "Pi"}
    for part in parts.BOARDS[board]:
        for ref in part.refs:
            for net in part.nets(ref):
                if net and part.kind.startswith("terminal"):
                    names.setdefault(root(net), f"Tap {ref}")
    return {net: names[root(net)] for net in joined}


def steps(board: str) -> dict[str, tuple[str, int]]:
    """Each net -> its circuit, and on a line tap how many of the droppers lie between it and leg 1 (0 to 4): each
    drops a quarter of the line's voltage. 0 on every other circuit."""
    circuit = circuits(board)
    found = dict.fromkeys(circuit, 0)
    joined: dict[str, list[tuple[str, int]]] = defaultdict(list)
    for part in parts.BOARDS[board]:
        dropper = part.kind.startswith("resistor, high voltage")
        for ref in part.refs:
            nets = [net for net in part.nets(ref) if net]
            if part.on_board and not part.kind.startswith("terminal"):
                for net in nets:
                    joined[net] += [(other, int(dropper)) for other in nets if circuit[other] == circuit[net]]
    for part in parts.BOARDS[board]:
        if part.on_board and part.kind.startswith("terminal") and circuit[part.wires[0][0]] != "Pi":
            todo, seen = [part.wires[0][0]], {part.wires[0][0]}
            while todo:
                todo.sort(key=found.__getitem__)
                net = todo.pop(0)
                for other, drop in joined[net]:
                    if other not in seen:
                        seen.add(other)
                        found[other] = found[net] + drop
                        todo.append(other)
    return {net: (circuit[net], step) for net, step in found.items()}


# ---------------------------------------------------------------- routing

Cell = tuple[int, int, int]  # layer, column, row


class Copper(NamedTuple):
    """What joins the pads of a board."""

    tracks: tuple[Segment, ...]
    vias: tuple[tuple[str, float, float], ...]


class _Router:
    def __init__(self, board: str) -> None:
        self.plan = BOARDS[board]
        self.columns, self.rows = int(self.plan.wide / GRID_MM) + 1, int(self.plan.high / GRID_MM) + 1
        self.circuit = circuits(board)
        self.by_hand = {track.net for track in self.plan.laid}
        self.pads: dict[str, list[set[Cell]]] = defaultdict(list)
        # what a track's middle, or a via's, must keep off: cell -> nets that may not be hurt there
        self.near: dict[Cell, set[str]] = defaultdict(set)
        self.near_via: dict[tuple[int, int], set[str]] = defaultdict(set)
        self.used: dict[Cell, str] = {}
        self.used_via: dict[tuple[int, int], str] = {}
        self.paths: dict[str, list[list[Cell]]] = defaultdict(list)
        self.blame: dict[str, int] = defaultdict(int)
        self._shut: set[tuple[int, int]] = set()
        slots = []
        for one in placed(board):
            nets = parts.part(board, one.ref).nets(one.ref)
            for number, x, y, wide, high, through in one.pads():
                self._pad(nets[number - 1] or f"open {one.ref}.{number}", (x, y), (wide, high), through)
            if PACKAGES[one.package].slot:
                slots.append((one.x, one.y))
        for x, y in slots:
            self._shut |= set(self._within(x, y, SLOT_MM[0] / 2 + EDGE_MM, SLOT_MM[1] / 2 + EDGE_MM))
        for x, y in holes(self.plan):
            self._shut |= set(self._within(x, y, 3.7, 3.7))
        left, right = self.plan.barrier
        middle, half = (left + right) / 2, (right - left) / 2
        self._shut |= set(self._within(middle, self.plan.high / 2, half, self.plan.high))

    def _within(self, x: float, y: float, wide: float, high: float) -> Iterator[tuple[int, int]]:
        for column in range(max(0, int((x - wide) / GRID_MM)), min(self.columns, int((x + wide) / GRID_MM) + 2)):
            for row in range(max(0, int((y - high) / GRID_MM)), min(self.rows, int((y + high) / GRID_MM) + 2)):
                if abs(column * GRID_MM - x) < wide - 1e-9 and abs(row * GRID_MM - y) < high - 1e-9:
                    yield column, row

    def _pad(self, net: str, at: tuple[float, float], size: tuple[float, float], through: bool) -> None:
        (x, y), (wide, high) = at, size
        layers = (0, 1) if through else (0,)
        inside = [
            (c, r)
            for c, r in self._within(x, y, wide / 2 + 1e-6, high / 2 + 1e-6)
            if not through or hypot(c * GRID_MM - x, r * GRID_MM - y) < wide / 2  # a pad with a hole is round
        ]
        if not net.startswith("open") and net not in self.by_hand:
            if not inside:
                raise ContractError("layout", f"{net} at {x}, {y}", f"a pad on the grid of {GRID_MM} mm")
            self.pads[net].append({(layer, c, r) for layer in layers for c, r in inside})
        for reach, marked in ((TRACK_MM / 2 + CLEAR_MM, self.near), (VIA_MM / 2 + CLEAR_MM, self.near_via)):
            for c, r in self._within(x, y, wide / 2 + reach, high / 2 + reach):
                gap = hypot(max(0.0, abs(c * GRID_MM - x) - wide / 2), max(0.0, abs(r * GRID_MM - y) - high / 2))
                if gap >= reach - 1e-9:
                    continue
                if marked is self.near_via:
                    self.near_via[c, r].add(net)
                else:
                    for layer in layers:
                        self.near[layer, c, r].add(net)

    def _free(self, cell: Cell, net: str) -> bool:
        _, column, row = cell
        edge = int(EDGE_MM / GRID_MM) + 1
        if not (edge <= column < self.columns - edge and edge <= row < self.rows - edge) or (column, row) in self._shut:
            return False
        left, right = (side / GRID_MM for side in (self.plan.barrier[0], self.plan.pi_from or self.plan.barrier[1]))
        pi = self.circuit[net] == "Pi"
        if ((column < right) if pi else (column > left)) and not any(cell in pad for pad in self.pads[net]):
            return False
        return not (self.near.get(cell, set()) - {net})

    def _via_free(self, column: int, row: int, net: str) -> bool:
        return (
            not (self.near_via.get((column, row), set()) - {net})
            and self._free((0, column, row), net)
            and self._free((1, column, row), net)
        )

    def _in_way(self, cell: Cell, net: str) -> set[str]:
        """Nets whose tracks or vias are too near for a track here."""
        _, column, row = cell
        found = {self.used[cell]} if cell in self.used else set()
        for c, r in ((column + 1, row), (column - 1, row), (column, row + 1), (column, row - 1), (column, row)):
            if (c, r) in self.used_via:
                found.add(self.used_via[c, r])
        return found - {net}

    def _via_in_way(self, column: int, row: int, net: str) -> set[str]:
        found = set()
        for dc in (-1, 0, 1):
            for dr in (-1, 0, 1):
                spot = (column + dc, row + dr)
                if spot in self.used_via:
                    found.add(self.used_via[spot])
                if not (dc and dr):
                    found |= {self.used[(layer, *spot)] for layer in (0, 1) if (layer, *spot) in self.used}
        return found - {net}

    def _search(self, net: str, starts: set[Cell], goals: set[Cell], through: float) -> list[Cell] | None:
        """The cheapest way from what is joined already to the nearest other pad; other nets' tracks may be crossed at
        the price of `through` each."""
        goal_list = list(goals)
        gx = [c for _, c, _ in goal_list]
        gy = [r for _, _, r in goal_list]
        x0, x1, y0, y1 = min(gx), max(gx), min(gy), max(gy)

        def ahead(cell: Cell) -> float:
            _, c, r = cell
            return max(x0 - c, 0, c - x1) + max(y0 - r, 0, r - y1)

        best: dict[Cell, float] = dict.fromkeys(starts, 0.0)
        before: dict[Cell, Cell] = {}
        queue = [(ahead(cell), 0.0, cell) for cell in starts]
        heapq.heapify(queue)
        while queue:
            _, cost, cell = heapq.heappop(queue)
            if cost > best.get(cell, 1e18):
                continue
            if cell in goals:
                way = [cell]
                while way[-1] in before:
                    way.append(before[way[-1]])
                return way[::-1]
            for other, price in self._steps(cell, net, through):
                if cost + price < best.get(other, 1e18) - 1e-9:
                    best[other] = cost + price
                    before[other] = cell
                    heapq.heappush(queue, (cost + price + ahead(other), cost + price, other))
        return None

    def _steps(self, cell: Cell, net: str, through: float) -> Iterator[tuple[Cell, float]]:
        """Where a track may go from here, and at what price: the upper layer runs across, the lower one up and down."""
        layer, c, r = cell
        for other, upright in (
            ((layer, c + 1, r), 0),
            ((layer, c - 1, r), 0),
            ((layer, c, r + 1), 1),
            ((layer, c, r - 1), 1),
        ):
            if self._free(other, net):
                price = 1.0 if upright == layer else 1.6
                yield other, price + sum(through * (1 + self.blame[one]) for one in self._in_way(other, net))
        if self._via_free(c, r, net):
            blockers = self._via_in_way(c, r, net)
            yield (1 - layer, c, r), 6.0 + sum(through * (1 + self.blame[one]) for one in blockers)

    def _lay(self, net: str) -> set[str]:
        """Join all pads of a net; the nets whose tracks had to be taken up for it."""
        groups = self.pads[net]
        joined, left = set(groups[0]), list(groups[1:])
        hurt: set[str] = set()
        while left:
            left.sort(
                key=lambda group: min(abs(c - d) + abs(r - s) for _, c, r in group for _, d, s in list(joined)[:60])
            )
            goals = set().union(*left)
            way = self._search(net, joined, goals, through=40.0)
            if way is None:
                raise ContractError("routing", net, "a way between its pads")
            for at, cell in enumerate(way):
                blockers = self._in_way(cell, net)
                via = at + 1 < len(way) and way[at + 1][0] != cell[0]
                if via:
                    blockers |= self._via_in_way(cell[1], cell[2], net)
                for other in blockers:
                    self._take_up(other)
                    hurt.add(other)
            for at, cell in enumerate(way):
                self.used[cell] = net
                if at + 1 < len(way) and way[at + 1][0] != cell[0]:
                    self.used_via[cell[1], cell[2]] = net
            self.paths[net].append(way)
            reached = next(group for group in left if way[-1] in group)
            left.remove(reached)
            joined |= reached | set(way)
        return hurt

    def _take_up(self, net: str) -> None:
        self.used = {cell: owner for cell, owner in self.used.items() if owner != net}
        self.used_via = {spot: owner for spot, owner in self.used_via.items() if owner != net}
        self.paths[net] = []

    def route(self) -> Copper:
        def length(net: str) -> float:
            cells = [cell for group in self.pads[net] for cell in group]
            return (
                max(c for _, c, _ in cells)
                - min(c for _, c, _ in cells)
                + max(r for *_, r in cells)
                - min(r for *_, r in cells)
            )

        todo = sorted(
            (net for net, groups in self.pads.items() if len(groups) > 1 and net not in self.by_hand),
            key=lambda n: (n == "GND", length(n)),
        )
        dice, rounds = random.Random(1), 0  # noqa: S311 - the same order every time
        while todo:
            net = todo.pop(0)
            hurt = self._lay(net)
            for other in hurt:
                self.blame[other] += 1
            todo = [one for one in todo if one not in hurt] + sorted(hurt, key=lambda _: dice.random())
            rounds += 1
            if rounds > 2000:
                raise ContractError("routing", f"{len(todo)} nets left", "a layout with more room")
        return self._copper()

    def _copper(self) -> Copper:
        tracks = list(self.plan.laid)
        vias: list[tuple[str, float, float]] = []
        for net, ways in self.paths.items():
            for way in ways:
                start = way[0]
                for before, cell, after in zip(way, way[1:], (*way[2:], None), strict=False):
                    if cell[0] != before[0]:
                        vias.append((net, cell[1] * GRID_MM, cell[2] * GRID_MM))
                        start = cell
                        continue
                    turns = (
                        after is None
                        or after[0] != cell[0]
                        or ((after[1] - cell[1], after[2] - cell[2]) != (cell[1] - before[1], cell[2] - before[2]))
                    )
                    if turns:
                        ends = [(one[1] * GRID_MM, one[2] * GRID_MM) for one in (start, cell)]
                        tracks.append(Segment(net, cell[0], ends[0], ends[1]))
                        start = cell
        return Copper(tuple(tracks), tuple(dict.fromkeys(vias)))


def holes(plan: Board) -> list[tuple[float, float]]:
    """Middles of the four mounting holes, 3.2 mm."""
    return [(x, y) for x in (4.0, plan.wide - 4.0) for y in (4.0, plan.high - 4.0)]


def routed(board: str) -> Copper:
    """The copper of a board; the same every time. Raises ContractError where a net cannot be joined."""
    return _Router(board).route()
