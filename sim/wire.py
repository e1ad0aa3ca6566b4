"""Copper wire by the AWG formula: diameter, area, resistance at a temperature. Source: ASTM B258, IEC 60028."""

from __future__ import annotations

from math import pi

from condenser_monitor.sim.constants import (
    AWG_36_MM,
    AWG_RATIO,
    COPPER_OHM_MM2_M,
    COPPER_PER_K,
)


def diameter_mm(awg: int) -> float:
    """Diameter of a solid wire, mm: 0.127 x 92^((36 - n) / 39)."""
    return float(AWG_36_MM.value * AWG_RATIO.value ** ((36 - awg) / 39))


def area_mm2(awg: int) -> float:
    """Cross-section of a solid wire, mm2."""
    return pi / 4 * diameter_mm(awg) ** 2


def at_temperature(ohm_20: float, celsius: float) -> float:
    """A copper resistance known at 20 C, at another temperature."""
    return ohm_20 * (1 + COPPER_PER_K.value * (celsius - 20.0))


def ohm_per_m(awg: int, celsius: float = 20.0) -> float:
    """Resistance of one metre of solid copper wire, ohm."""
    return at_temperature(COPPER_OHM_MM2_M.value / area_mm2(awg), celsius)


def loop_ohm(awg: int, one_way_m: float, celsius: float = 20.0) -> float:
    """Out and back: a pair of wires of `one_way_m` metres each, ohm."""
    return 2 * one_way_m * ohm_per_m(awg, celsius)
