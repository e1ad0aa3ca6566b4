"""Packages of the boards' parts: pads, outline, courtyard. Written here, in the sizes that such parts usually have.

What is sold under a generic rating differs in its pins above all for jacks, voltage transformers and terminal blocks:
hold the part in hand against the printed outline before ordering a board. Millimetres; x to the right, y down; the
origin is the part's middle.
"""

from __future__ import annotations

from typing import NamedTuple


class Pad(NamedTuple):
    """One pad: where, how large, and its hole (0: on the surface)."""

    number: str
    x: float
    y: float
    wide: float
    high: float
    drill: float = 0.0


class Package(NamedTuple):
    """A package: pads and the outline of the body (width, height)."""

    pads: tuple[Pad, ...]
    body: tuple[float, float]
    slot: bool = False  # a slot through the board between pads 1, 2 and the others

    @property
    def through(self) -> bool:
        return any(pad.drill for pad in self.pads)

    @property
    def box(self) -> tuple[float, float]:
        """Half width and half height that pads and body take up."""
        wide = max(self.body[0] / 2, *(abs(pad.x) + pad.wide / 2 for pad in self.pads))
        return wide, max(self.body[1] / 2, *(abs(pad.y) + pad.high / 2 for pad in self.pads))


def _two(pitch: float, wide: float, high: float, body: tuple[float, float]) -> Package:
    return Package((Pad("1", -pitch / 2, 0, wide, high), Pad("2", pitch / 2, 0, wide, high)), body)


def _axial(pitch: float, body: tuple[float, float], drill: float) -> Package:
    pad = drill + 1.0
    return Package((Pad("1", -pitch / 2, 0, pad, pad, drill), Pad("2", pitch / 2, 0, pad, pad, drill)), body)


def _row(count: int, pitch: float, pad: float, drill: float, body: tuple[float, float]) -> Package:
    start = -(count - 1) * pitch / 2
    return Package(tuple(Pad(str(n + 1), start + n * pitch, 0, pad, pad, drill) for n in range(count)), body)


def _header() -> Package:
    """2 x 20 pins, odd ones in the upper row, as the Pi counts them."""
    pads = [Pad(str(n + 1), -24.13 + 2.54 * (n // 2), -1.27 + 2.54 * (n % 2), 1.7, 1.7, 1.0) for n in range(40)]
    return Package(tuple(pads), (58.0, 9.0))


def _vssop() -> Package:
    left = [Pad(str(n + 1), -2.2, -1.0 + 0.5 * n, 1.4, 0.3) for n in range(5)]
    right = [Pad(str(n + 6), 2.2, 1.0 - 0.5 * n, 1.4, 0.3) for n in range(5)]
    return Package((*left, *right), (3.0, 3.0))


PACKAGES: dict[str, Package] = {
    "1206": _two(3.2, 1.4, 1.8, (3.2, 1.6)),
    "SMA": _two(4.2, 2.0, 1.8, (4.6, 2.8)),
    "SMB": _two(4.6, 2.4, 2.4, (4.6, 3.8)),
    "SOT23": Package(
        (Pad("1", -1.1, -0.95, 1.2, 0.8), Pad("2", -1.1, 0.95, 1.2, 0.8), Pad("3", 1.1, 0, 1.2, 0.8)), (1.4, 3.0)
    ),
    "VSSOP10": _vssop(),
    "AXIAL10": _axial(10.0, (6.5, 2.5), 0.8),
    "AXIAL15": _axial(15.0, (11.0, 4.0), 0.9),
    "AXIAL20": _axial(20.0, (15.0, 5.5), 1.0),
    # 10.16 mm between the rows: wide leads, 8.7 mm of air between the pads
    "DIP4W": Package(
        (
            Pad("1", -5.08, -1.27, 1.4, 1.4, 0.8),
            Pad("2", -5.08, 1.27, 1.4, 1.4, 0.8),
            Pad("3", 5.08, 1.27, 1.4, 1.4, 0.8),
            Pad("4", 5.08, -1.27, 1.4, 1.4, 0.8),
        ),
        (6.5, 4.8),
        slot=True,
    ),
    "VT4": Package(
        (
            Pad("1", -7.0, -2.5, 1.8, 1.8, 1.0),
            Pad("2", -7.0, 2.5, 1.8, 1.8, 1.0),
            Pad("3", 7.0, -2.5, 1.8, 1.8, 1.0),
            Pad("4", 7.0, 2.5, 1.8, 1.8, 1.0),
        ),
        (19.0, 18.0),
    ),
    # tip, sleeve, the contact that the plug opens
    "JACK35": Package(
        (Pad("1", -5.0, 0, 2.2, 2.2, 1.2), Pad("2", 5.0, 0, 2.2, 2.2, 1.2), Pad("3", 0, -3.5, 2.2, 2.2, 1.2)),
        (14.0, 12.0),
    ),
    "TB2": _row(2, 5.08, 2.6, 1.3, (10.6, 9.0)),
    "TB6": _row(6, 5.08, 2.6, 1.3, (31.0, 9.0)),
    "TB2L": _row(2, 10.16, 3.0, 1.5, (21.0, 12.0)),
    "TP": _row(1, 2.54, 2.0, 1.0, (2.4, 2.4)),
    "HDR3": _row(3, 2.54, 1.7, 1.0, (8.2, 3.0)),
    "HDR2X20": _header(),
}
