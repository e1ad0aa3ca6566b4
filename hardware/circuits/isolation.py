"""Distances between circuits: what the standards ask for and what the boards give.

Tables of IEC 60664-1, the few rows needed, from memory; to be confirmed against the standard before anybody relies on
them. Outdoors, in an enclosure that breathes, pollution degree 3 is taken (degree 2 needs a sealed or coated board),
and material group III for the board. Fixed wiring is overvoltage category III.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

# sources.IMPULSE: rated impulse voltage (V) by line-to-neutral voltage up to, and overvoltage category.
IMPULSE_V = {150: {2: 1500}, 300: {2: 2500, 3: 4000}}
# sources.CLEARANCE, inhomogeneous field: clearance (mm) by impulse voltage, pollution degree 3, up to 2000 m.
CLEARANCE_MM = {1500: 0.8, 2500: 1.5, 4000: 3.0, 6000: 5.5}
# sources.CREEPAGE: creepage (mm) by working voltage, material group III, pollution degrees 2 and 3.
CREEPAGE_MM = {2: {250: 2.5}, 3: {50: 1.9, 125: 2.4, 250: 4.0}}
GIVEN_MM = (
    8.0  # between line voltage and everything a person or the Pi may touch, in air and over an opto's body (ours)
)
BOARD_MM = 10.0  # over the board's surface, where a slot lengthens the way (ours)
LEGS_MM = 6.0  # between the two legs and between supply and load (ours)

HIGHEST_LINE_V = 264.0  # 240 V and a tenth more


class Barrier(NamedTuple):
    """One place where two circuits come near each other, with the distances given there (mm)."""

    board: str
    between: str
    nominal_v: float
    category: int
    reinforced: bool
    given_mm: float
    isolator: str
    pollution: int = 3

    @property
    def clearance_mm(self) -> float:
        """Asked for; reinforced insulation takes the next higher impulse voltage (5.1.6 of the standard)."""
        impulse = IMPULSE_V[_row(self.nominal_v, IMPULSE_V)][self.category]
        steps = sorted(CLEARANCE_MM)
        return CLEARANCE_MM[steps[steps.index(impulse) + self.reinforced]]

    @property
    def creepage_mm(self) -> float:
        """Asked for; doubled for reinforced insulation. A 240 V system counts as 250 V (Table F.3)."""
        table = CREEPAGE_MM[self.pollution]
        return table[_row(self.nominal_v, table)] * (2 if self.reinforced else 1)

    @property
    def kept(self) -> bool:
        return self.given_mm >= max(self.clearance_mm, self.creepage_mm)


def _row(volts: float, table: Iterable[int]) -> int:
    """The table row that covers this voltage."""
    return min(limit for limit in table if limit >= volts)


def between_steps_mm(steps: int) -> float:
    """Asked for between two nets of one line tap with so many of its four droppers between them; each drops a quarter
    of the highest line voltage. 0 where none lies between them."""
    if steps == 0:
        return 0.0
    return LEGS_MM if steps == 4 else CREEPAGE_MM[3][_row(HIGHEST_LINE_V * steps / 4, CREEPAGE_MM[3])]


TEMPORARY_V = 1200.0  # over the nominal voltage, sources.TEMPORARY


def test_v(barrier: Barrier) -> float:
    """Return V RMS for 5 s of a barrier's high-voltage test: the temporary overvoltage, doubled if reinforced."""
    return (barrier.nominal_v + TEMPORARY_V) * (2 if barrier.reinforced else 1)


BARRIERS = (
    Barrier("line", "line tap to the Pi's side, over the board", 240, 3, True, BOARD_MM, "a slot under each opto"),
    Barrier(
        "line",
        "line tap to the Pi's side, over the opto's body, coated",
        240,
        3,
        True,
        GIVEN_MM,
        "opto with reinforced insulation; board and its leads coated (IEC 60664-3), so pollution degree 2 beneath",
        pollution=2,
    ),
    Barrier("line", "supply tap to load tap", 240, 3, False, LEGS_MM, "none: distance only"),
    Barrier("line", "leg to leg, behind the fuses", 240, 3, False, LEGS_MM, "none: distance only"),
    Barrier(
        "line", "conductor in a CT to its secondary", 240, 3, True, GIVEN_MM, "wire's and CT's own, each listed 600 V"
    ),
    Barrier("control", "24 V side to the Pi's side", 30, 2, False, 3.0, "opto and voltage transformer"),
    Barrier("indoor", "24 V side to the cable", 30, 2, False, 3.0, "opto"),
)
