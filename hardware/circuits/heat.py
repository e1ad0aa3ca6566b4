"""How warm it gets in the box: the enclosure's rise over the air around it, in shade and in the sun.

The surface that gives heat off is that of IEC TR 60890 for a single wall-mounted enclosure (from memory); the heat
transfer is the usual figure for painted sheet. A rough answer to a rough question: is shade needed?
"""

from __future__ import annotations

from condenser_monitor.hardware.circuits.computed import CONTROL_HIGH_V, LINE_HIGH_V, Computed
from condenser_monitor.hardware.values import CALL_BLEEDER, LINE_SERIES, LINE_SERIES_COUNT, Value
from condenser_monitor.monitor import sources

WIDTH_M, HEIGHT_M, DEPTH_M = 0.25, 0.35, 0.15
TRANSFER = Value(5.5, "W/(m2 K)", 0.0, "painted sheet, still air", "common practice")
PI_W = Value(5.0, "W", 0.0, "the Pi with its supply's loss, busy", "common practice")
SUN_W_PER_M2 = Value(1000.0, "W/m2", 0.0, "bright sun", "common practice")
ABSORBED = {"white": 0.3, "grey": 0.7}  # share of the sun's heat taken up by the paint (common practice)
PI_AMBIENT_C = Value(50.0, "C", 0.0, "highest air temperature about a Pi", sources.PI_HEADER.basis)
HOT_DAY_C = Value(43.0, "C", 0.0, "a hot afternoon beside the unit, in shade")


def surface_m2() -> float:
    """1.4 W (H + D) + 1.8 H D."""
    return 1.4 * WIDTH_M * (HEIGHT_M + DEPTH_M) + 1.8 * HEIGHT_M * DEPTH_M


def inside_w() -> float:
    """The Pi, the droppers of both line channels, and the bleeder of a call that stands."""
    droppers = 2 * LINE_HIGH_V**2 / (LINE_SERIES_COUNT * LINE_SERIES.nominal)
    return PI_W.nominal + droppers + CONTROL_HIGH_V**2 / CALL_BLEEDER.nominal


def rise_k(watts: float) -> float:
    """Inside over outside, for this much heat."""
    return watts / (TRANSFER.nominal * surface_m2())


def rows() -> tuple[Computed, ...]:
    """Air inside on a hot day: in shade it is within the Pi's limit; the other two show why shade is needed."""
    sun = SUN_W_PER_M2.nominal * WIDTH_M * HEIGHT_M
    day = HOT_DAY_C.nominal
    formula = "43 C + P / (5.5 W/m2K x A)"
    shade = Computed(
        "enclosure",
        "inside, in shade",
        formula,
        day + rise_k(inside_w()),
        "C",
        most=PI_AMBIENT_C.nominal,
        why="the Pi's limit",
    )
    others = (
        Computed(
            "enclosure",
            f"inside, sun on a {paint} front",
            f"{formula}, sun added",
            day + rise_k(inside_w() + share * sun),
            "C",
            why="over the Pi's limit: shade it",
        )
        for paint, share in ABSORBED.items()
    )
    return (shade, *others)
