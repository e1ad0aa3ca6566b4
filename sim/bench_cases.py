"""What the accuracy bench breaks, and in which units, houses and monitors.

A case is a cause with its level and time; what may be found of it is not written here: sim/truth.py reads that from the
world. Units, sensors and scan rates are drawn as people install them, whether they can show the fault or not.
"""

from __future__ import annotations

from typing import NamedTuple

from condenser_monitor.monitor.core.config import OUTDOOR_SENSES
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.sim.designs import Design

HOUR_S = 3600.0
DAY_S = 24 * HOUR_S

# Sets of sensors a site may have, the least useful first (contract.md, Readings), and how often each is drawn (ours).
SENSE_SETS: dict[str, tuple[str, ...]] = {
    "least": ("call", "compressor_a"),
    "currents": ("call", "compressor_a", "fan_a", "outdoor_c"),
    "line": ("call", "supply", "load", "compressor_a", "fan_a", "outdoor_c"),
    "outdoor": OUTDOOR_SENSES,
    "indoor": (*OUTDOOR_SENSES, "control_power", "thermostat"),
    "all": tuple(READINGS),
}
SET_WEIGHTS = (1, 1, 1, 3, 2, 2)
# Scans: seconds apart, "uneven" 2 to 60; how often each is drawn (ours).
RATES: dict[str, float] = {"1 s": 1.0, "10 s": 10.0, "60 s": 60.0, "uneven": 31.0}
RATE_WEIGHTS = (5, 2, 2, 1)
# Units, as many of each as are sold (ours).
KINDS: dict[str, int] = {
    "three-ton": 3,
    "two-ton-heat-pump": 2,
    "five-ton": 2,
    "one-ton-50-hz": 1,
    "three-ton-two-stage": 2,
    "three-ton-variable": 1,
    "three-ton-board-fan": 1,
}


class BenchCase(NamedTuple):
    """One way to break a unit: `level` is drawn between two, `of_coil` as a share of the coil's open-armature
    impedance; `on_off_s` makes it come and go. `length_s` is how long it is watched from the start. `needs` is a
    property of the design (`delay_on_make_s`, `high_pressure_c`, ...) without which it cannot be there."""

    cause: str
    level: tuple[float, float] | None = None
    of_coil: bool = False
    sense: str = ""
    at_s: float = 1.0 * HOUR_S
    length_s: float = 6.0 * HOUR_S
    grow_s: float = 0.0
    starts: bool = False
    design: str | None = None
    delay_on_make_s: float = 0.0
    on_off_s: tuple[float, float] | None = None
    needs: str = ""

    def fits(self, design: Design) -> bool:
        """Whether this unit has the part that breaks: behind a drive there is no capacitor and no start winding."""
        driven = ("capacitor", "start-", "run-winding", "common-winding")
        if design.kind == "variable-speed" and any(part in self.cause for part in driven):
            return False
        return not self.needs or bool(getattr(design, self.needs))


_SLOW = {"at_s": 6 * DAY_S, "grow_s": 4 * DAY_S, "length_s": 12 * DAY_S}
CASES: tuple[BenchCase, ...] = (
    # the 24 V side
    BenchCase("control-fuse-open"),
    BenchCase("transformer-burnt-out"),
    BenchCase("transformer-weak", (0.18, 0.30)),
    BenchCase("call-joint-poor", (0.2, 1.0), of_coil=True),
    BenchCase("thermostat-dead", at_s=2.5 * DAY_S, length_s=5 * DAY_S),
    BenchCase("thermostat-set-up", (15.0, 25.0), at_s=2.5 * DAY_S, length_s=5 * DAY_S),
    BenchCase("thermostat-set-down", (8.0, 12.0), length_s=30 * HOUR_S),
    BenchCase("thermostat-stuck-on", length_s=30 * HOUR_S),
    BenchCase("thermostat-in-draught", (4.0, 6.0)),
    BenchCase("float-switch-open"),
    BenchCase("float-switch-open", at_s=2.5 * DAY_S, length_s=5 * DAY_S),
    BenchCase("low-pressure-switch-open"),
    BenchCase("high-pressure-switch-open"),
    BenchCase("indoor-board-fails"),
    BenchCase("door-panel-off"),
    BenchCase("detector-alarms"),
    BenchCase("utility-sheds"),
    BenchCase("control-wire-cut"),
    BenchCase("call-wire-shorted"),
    BenchCase("call-wire-on-r"),
    BenchCase("call-splice-loose", on_off_s=(0.9, 1.1), length_s=2.0 * HOUR_S, at_s=0.5 * HOUR_S),
    # the contactor
    BenchCase("board-fails"),
    BenchCase("delay-relay-dead", delay_on_make_s=180.0),
    BenchCase("coil-lead-loose"),
    BenchCase("coil-burnt-open"),
    BenchCase("coil-turns-shorted", (0.40, 0.97)),
    BenchCase("armature-jammed"),
    BenchCase("armature-sticks"),
    BenchCase("contacts-fouled"),
    BenchCase("contacts-weld"),
    # the line
    BenchCase("disconnect-pulled"),
    BenchCase("line-leg-opens"),
    BenchCase("line-volts-low", (0.09, 0.14)),
    BenchCase("line-volts-high", (0.06, 0.10)),
    BenchCase("load-lead-loose"),
    BenchCase("compressor-lead-loose"),
    BenchCase("fan-lead-loose"),
    # the compressor
    BenchCase("run-capacitor-fades", (0.85, 1.0)),
    BenchCase("run-capacitor-fades", (0.65, 0.75), at_s=4 * DAY_S, grow_s=5 * DAY_S, length_s=11 * DAY_S, starts=True),
    BenchCase("dual-capacitor-fades", (0.9, 1.0)),
    BenchCase("protector-stuck-open"),
    BenchCase("compressor-seizes"),
    BenchCase("common-winding-opens"),
    BenchCase("run-winding-opens"),
    BenchCase("start-winding-opens"),
    BenchCase("winding-grounds"),
    # the fan
    BenchCase("fan-winding-opens"),
    BenchCase("fan-seizes"),
    BenchCase("fan-capacitor-fades"),
    BenchCase("fan-relay-dead", design="three-ton-board-fan"),
    # refrigerant and air
    BenchCase("condenser-fouls", (0.5, 0.65), **_SLOW),  # type: ignore[arg-type]
    BenchCase("charge-leaks", (0.7, 0.95), **_SLOW),  # type: ignore[arg-type]
    BenchCase("overcharged", (0.3, 0.45), at_s=5 * DAY_S, length_s=9 * DAY_S),
    BenchCase("air-in-circuit", (0.7, 1.0), at_s=5 * DAY_S, length_s=9 * DAY_S),
    BenchCase("valves-leak", (0.85, 1.0), length_s=8 * HOUR_S),
    BenchCase("metering-plugs", (0.6, 0.95), length_s=8 * HOUR_S),
    BenchCase("indoor-air-blocked", (0.5, 0.8), at_s=5 * DAY_S, length_s=9 * DAY_S),
    BenchCase("blower-dead", length_s=8 * HOUR_S),
    BenchCase("oversized", (3.0, 5.0)),
    # the monitor
    BenchCase("sense-unplugged", sense="compressor_a"),
    BenchCase("sense-unplugged", sense="supply"),
    BenchCase("sense-offset", (6.0, 9.0), sense="compressor_a"),
)
QUICK = tuple(case for case in CASES if case.length_s <= 8 * HOUR_S)
