"""How far the circuits of a board really are apart, measured from its KiCad file and not from what was meant.

Needs shapely (tests only). Clearance is the least distance through air between the copper of two circuits, on one side
or through the board's edge; creepage the shortest way over the surface, around the slots, as IEC 60664-1 measures it on
a flat board: slots of 1 mm and more are not bridged (6.2, example 5; from memory). Pads with holes count on both sides.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping
from heapq import heappop, heappush
from itertools import combinations
from math import cos, radians, sin
from typing import NamedTuple

from shapely import GeometryCollection, LineString, Point, Polygon, box, unary_union  # type: ignore[import-untyped]
from shapely.geometry.base import BaseGeometry  # type: ignore[import-untyped]
from shapely.ops import nearest_points  # type: ignore[import-untyped]

Token = str | list["Token"]


class Distance(NamedTuple):
    """Between two circuits, mm."""

    one: str
    other: str
    clearance_mm: float
    creepage_mm: float


def read(text: str) -> list[Token]:
    """An S-expression as nested lists; strings without their quotes."""
    stack: list[list[Token]] = [[]]
    for quoted, word in re.findall(r'"((?:[^"\\]|\\.)*)"|([()]|[^\s()"]+)', text):
        if word == "(":
            stack.append([])
        elif word == ")":
            done = stack.pop()
            stack[-1].append(done)
        else:
            stack[-1].append(word or quoted)
    found = stack[0][0]
    assert isinstance(found, list)
    return found


def all_of(tree: list[Token], name: str) -> list[list[Token]]:
    return [one for one in tree if isinstance(one, list) and one and one[0] == name]


def numbers(tree: list[Token], name: str) -> list[float]:
    return [float(one) for one in all_of(tree, name)[0][1:] if isinstance(one, str)]


def placed(footprint: list[Token], pad: list[Token]) -> tuple[float, float]:
    """Where a footprint's pad lies on the board."""
    x0, y0, *turned = numbers(footprint, "at")
    x, y, *_ = numbers(pad, "at")
    angle = radians(turned[0] if turned else 0.0)
    return x0 + x * cos(angle) + y * sin(angle), y0 - x * sin(angle) + y * cos(angle)


def pads(tree: list[Token]) -> list[tuple[str, str, str, list[int], BaseGeometry]]:
    """Reference, pad, net, layers (0 upper, 1 lower) and shape of each pad of a board."""
    found = []
    for footprint in all_of(tree, "footprint"):
        ref = next(str(one[2]) for one in all_of(footprint, "property") if one[1] == "Reference")
        for pad in all_of(footprint, "pad"):
            nets = all_of(pad, "net")
            if not nets:
                continue
            own = numbers(pad, "at")[2:]
            wide, high = numbers(pad, "size")
            if own and own[0] % 180:
                wide, high = high, wide
            at = placed(footprint, pad)
            shape: BaseGeometry = box(at[0] - wide / 2, at[1] - high / 2, at[0] + wide / 2, at[1] + high / 2)
            if pad[3] == "circle":
                shape = Point(at).buffer(wide / 2)
            found.append((ref, str(pad[1]), str(nets[0][2]), [0] if pad[2] == "smd" else [0, 1], shape))
    return found


def copper(tree: list[Token]) -> dict[tuple[str, int], BaseGeometry]:
    """The copper of each net on each side."""
    names = {str(one[1]): str(one[2]) for one in all_of(tree, "net")}
    shapes: dict[tuple[str, int], list[BaseGeometry]] = defaultdict(list)
    for _, _, net, layers, shape in pads(tree):
        for layer in layers:
            shapes[net, layer].append(shape)
    for segment in all_of(tree, "segment"):
        line = LineString([numbers(segment, "start"), numbers(segment, "end")])
        side = 0 if all_of(segment, "layer")[0][1] == "F.Cu" else 1
        shapes[names[str(all_of(segment, "net")[0][1])], side].append(line.buffer(numbers(segment, "width")[0] / 2))
    for via in all_of(tree, "via"):
        spot = Point(numbers(via, "at")).buffer(numbers(via, "size")[0] / 2)
        for layer in (0, 1):
            shapes[names[str(all_of(via, "net")[0][1])], layer].append(spot)
    return {key: unary_union(found) for key, found in shapes.items()}


def board_and_slots(tree: list[Token]) -> tuple[Polygon, list[Polygon]]:
    """The outline and what is cut out of it."""
    rectangles = []
    for one in all_of(tree, "gr_rect"):
        if all_of(one, "layer")[0][1] == "Edge.Cuts":
            (x0, y0), (x1, y1) = numbers(one, "start"), numbers(one, "end")
            rectangles.append(box(x0, y0, x1, y1))
    rectangles.sort(key=lambda shape: -shape.area)
    return rectangles[0], rectangles[1:]


def _around(one: BaseGeometry, other: BaseGeometry, slots: list[Polygon]) -> float:
    """The shortest way over the surface between two pieces of copper that does not cross a slot."""
    cut = unary_union(slots) if slots else GeometryCollection()
    inner = cut.buffer(-1e-6)
    corners = [Point(spot) for slot in slots for spot in slot.exterior.coords[:-1]]

    def way(a: BaseGeometry, b: BaseGeometry) -> float | None:
        near, far = nearest_points(a, b)
        straight = LineString([near, far])
        return None if straight.intersects(inner) else straight.length

    ends: list[BaseGeometry] = [one, *corners, other]
    best = {0: 0.0}
    queue = [(0.0, 0)]
    while queue:
        length, here = heappop(queue)
        if here == len(ends) - 1:
            return length
        for there in range(1, len(ends)):
            step = way(ends[here], ends[there])
            if step is not None and length + step < best.get(there, 1e9):
                best[there] = length + step
                heappush(queue, (best[there], there))
    return float("inf")


def distances(text: str, circuits: Mapping[str, str]) -> list[Distance]:
    """Least clearance and creepage between each two circuits of a board's file; nets that `circuits` does not name
    (open pins) belong to the Pi's."""
    tree = read(text)
    _, slots = board_and_slots(tree)
    sides: dict[tuple[str, int], list[BaseGeometry]] = defaultdict(list)
    for (net, layer), shape in copper(tree).items():
        sides[circuits.get(net, "Pi"), layer].append(shape)
    found = []
    for one, other in combinations(sorted({circuit for circuit, _ in sides}), 2):
        clear = creep = float("inf")
        for layer in (0, 1):
            a, b = (unary_union(sides[circuit, layer]) for circuit in (one, other))
            clear = min(clear, a.distance(b))
            creep = min(creep, _surface(a, b, slots))
        found.append(Distance(one, other, round(clear, 3), round(creep, 3)))
    return found


def _surface(a: BaseGeometry, b: BaseGeometry, slots: list[Polygon]) -> float:
    """Piece by piece, for a straight way may be shut by a slot while another pair's is not."""
    one = getattr(a, "geoms", [a])
    two = getattr(b, "geoms", [b])
    pairs = sorted(((p.distance(q), n, m) for n, p in enumerate(one) for m, q in enumerate(two)))
    best = float("inf")
    for straight, n, m in pairs:
        if straight >= best:
            break
        best = min(best, _around(one[n], two[m], slots))
    return best
