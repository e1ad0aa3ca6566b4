"""Bands of a number: what a reading is taken to say, with hysteresis where the contract gives one."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import TYPE_CHECKING, Any, NamedTuple

from condenser_monitor.monitor import limits

if TYPE_CHECKING:
    from condenser_monitor.monitor.core.config import Settings, Unit


class Edge(NamedTuple):
    """The border between a band and the next higher one: up at `rise` and over, down again below `fall`."""

    rise: float
    fall: float


class Bands:
    """Names for the stretches of a number, lowest first, with hysteresis at each border.

    `start` is the band taken as the last one before anything was seen.
    """

    __slots__ = ("edges", "names", "start")

    def __init__(self, names: Sequence[Any], edges: Sequence[Edge], start: int = 0) -> None:
        self.names = tuple(names)
        self.edges = tuple(edges)
        self.start = start

    def place(self, value: float, was: int | None) -> int:
        """The band of `value`, given the band it was in (None: none yet). Only leaving a band upwards needs `rise`."""
        was = self.start if was is None else was
        band = 0
        for index, edge in enumerate(self.edges):
            if value >= (edge.rise if was == index else edge.fall):
                band = index + 1
        return band

    def stay(self, band: int) -> tuple[float, float]:
        """The half-open stretch [low, high) within which a number keeps this band."""
        low = self.edges[band - 1].fall if band else -inf
        high = self.edges[band].rise if band < len(self.edges) else inf
        return low, high


AS_IT_IS = Bands(("normal",), ())  # one band for all: a number that is taken as it is


def sharp(value: float) -> Edge:
    """A border without hysteresis."""
    return Edge(value, value)


def volt_bands() -> Bands:
    """Bands of the control voltage, V RMS; `weak` is what cannot be relied on to close a contactor."""
    closing = limits.CONTROL_NOMINAL_V.value * limits.CLOSING_RATIO.value
    return Bands(
        ("dead", "ghost", "weak", "normal", "high"),
        (
            sharp(limits.CONTROL_DEAD_V.value),
            sharp(limits.CONTROL_GHOST_V.value),
            Edge(closing + limits.CONTROL_HYSTERESIS_V.value, closing),
            sharp(limits.CONTROL_HIGH_V.value),
        ),
        start=3,
    )


def line_bands(settings: Settings) -> Bands:
    """Bands of the line voltage, V RMS, about the unit's nominal one."""
    nominal_v, slack = settings.unit.line_v, limits.LINE_HYSTERESIS_RATIO.value
    low_v = nominal_v * settings.limit(limits.LOW_LINE_VOLTAGE.ratio)
    high_v = nominal_v * settings.limit(limits.HIGH_LINE_VOLTAGE.ratio)
    edges = (
        sharp(limits.LINE_ABSENT_V.value),
        Edge(low_v + slack * nominal_v, low_v),
        Edge(high_v, high_v - slack * nominal_v),
    )
    return Bands(("dead", "low", "normal", "high"), edges, start=2)


def coil_bands() -> Bands:
    """Bands of the coil current, A RMS."""
    edges = (limits.COIL_NONE_A, limits.COIL_UNSEALED_A, limits.COIL_SHORT_A)
    return Bands(("none", "sealed", "unsealed", "short"), [sharp(edge.value) for edge in edges])


def resting_bands(rated_a: float) -> Bands:
    """Running or not with no call in a one-pole unit: a run capacitor's current past the open pole is no run."""
    on = limits.RUNNING_ON_RATIO.value * rated_a
    trickle_a = max(on, min(limits.TRICKLE_A.value, limits.TRICKLE_RATIO.value * rated_a))
    return Bands((False, True), (Edge(trickle_a, trickle_a),))


def compressor_bands(unit: Unit) -> Bands:
    """Whether the compressor runs, by its current; behind a drive that slows it down, little is running too."""
    if unit.kind == "variable-speed":
        return run_bands(unit.compressor_rla_a, limits.DRIVE_ON_RATIO, limits.DRIVE_OFF_RATIO)
    return run_bands(unit.compressor_rla_a, limits.RUNNING_ON_RATIO, limits.RUNNING_OFF_RATIO)


def run_bands(rated_a: float, on: limits.Limit, off: limits.Limit) -> Bands:
    """False below, True from `on` times the rated current; falls again below `off` times it."""
    return Bands((False, True), (Edge(rated_a * on.value, rated_a * off.value),))


def draw_bands(settings: Settings, lowest_a: float | None = None, highest_a: float | None = None) -> Bands:
    """Bands of the running current: low and high against the lowest and the highest that is normal for this unit (each
    None where it is not known) and against rated load, A."""
    high_a = settings.unit.compressor_rla_a * settings.limit(limits.HIGH_RUNNING_CURRENT.rla_ratio)
    if highest_a is not None:
        high_a = min(high_a, highest_a * settings.limit(limits.HIGH_RUNNING_CURRENT.ratio))
    low_a = 0.0 if lowest_a is None else min(lowest_a * settings.limit(limits.LOW_RUNNING_CURRENT.ratio), high_a)
    slack = limits.DRAW_HYSTERESIS_RATIO.value
    edges = (Edge(low_a * (1 + slack), low_a), Edge(high_a, high_a * (1 - slack)))
    return Bands(("low", "normal", "high"), edges, start=1)
