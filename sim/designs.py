"""Unit designs: nameplate, parts and kind of a condensing unit with its control circuit; seven to start from.

A design never changes; wear and faults are in sim/condition.py. `varied` draws a neighbour of a design for fleets and
the accuracy bench.
"""

from __future__ import annotations

from random import Random
from typing import Literal

import msgspec

from condenser_monitor.monitor.core.config import Unit


class Design(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One outdoor unit and its 24 V circuit. Lengths one way; temperatures of switches are saturation temperatures.

    `pressure_at`: pressure switches stand between the unit's Y terminal and the coil ("unit") or ahead of it
    ("indoors"). `float_in`: the float switch breaks Y, or R to the thermostat; `r_tap`: control_power is tapped at the
    board's R, ahead of a float switch in R, or at the thermostat's. `lockout_after`: a board holds the contactor off
    after so many trips in one call, until the call goes (0: none). `fan_after_s`: a board lets the fan run on;
    `fan_off_c`, `fan_on_c`: it cycles the fan in the cold, by head pressure.
    """

    name: str = "three-ton"
    # nameplate
    tons: float = 3.0
    line_hz: int = 60
    line_v: float = 240.0
    rated_v: float = 230.0
    primary_v: float = 240.0
    contactor_poles: int = 1
    compressor: Literal["reciprocating", "scroll"] = "reciprocating"
    compressor_rla_a: float = 16.7
    compressor_lra_a: float = 79.0
    fan_fla_a: float = 1.2
    run_uf: float = 40.0
    fan_uf: float = 5.0
    heat_pump: bool = False
    kind: Literal["single-stage", "two-stage", "variable-speed"] = "single-stage"
    fan_control: Literal["contactor", "board"] = "contactor"
    load_shed: bool = False
    metering: Literal["fixed", "txv"] = "txv"
    delay_on_make_s: float = 0.0
    delay_on_break_s: float = 0.0
    fan_after_s: float = 0.0
    fan_off_c: float | None = None
    fan_on_c: float = 35.0
    lockout_after: int = 0
    pressure_at: Literal["unit", "indoors"] = "unit"
    float_in: Literal["y", "r"] = "y"
    r_tap: Literal["board", "thermostat"] = "board"
    # extras
    trickle: bool = False
    heater_w: float = 0.0
    heater_across_pole: bool = False
    high_pressure_c: float | None = None
    low_pressure_c: float | None = None
    # control circuit
    transformer_va: float = 40.0
    transformer_regulation: float = 0.12
    control_fuse_a: float = 3.0
    indoor_va: float = 6.0
    control_awg: int = 18
    control_m: float = 15.0
    joints_ohm: float = 0.05
    coil_inrush_va: float = 30.0
    coil_sealed_va: float = 6.0
    coil_ohm: float = 12.0
    pull_in_v: float = 17.5
    drop_out_v: float = 10.0
    pull_in_s: float = 0.020
    drop_out_s: float = 0.012
    bounce_s: float = 0.004
    # line
    service_ohm: float = 0.06
    branch_awg: int = 10
    branch_m: float = 18.0

    def nameplate(self) -> Unit:
        """What the site file says of this unit."""
        return Unit(
            line_hz=self.line_hz,
            contactor_poles=self.contactor_poles,
            compressor_rla_a=self.compressor_rla_a,
            compressor_lra_a=self.compressor_lra_a,
            fan_fla_a=self.fan_fla_a,
            delay_on_make_s=self.delay_on_make_s,
            delay_on_break_s=self.delay_on_break_s,
            heat_pump=self.heat_pump,
            kind=self.kind,
            fan_control=self.fan_control,
            load_shed=self.load_shed,
            metering=self.metering,
            line_v=self.primary_v,
            run_capacitor_uf=self.run_uf if self.kind != "variable-speed" else 0.0,
        )

    def label(self) -> Unit:
        """What a site file says that somebody has filled in from the label alone: nothing of kind, boards, timers."""
        return Unit(
            line_hz=self.line_hz,
            contactor_poles=self.contactor_poles,
            compressor_rla_a=self.compressor_rla_a,
            compressor_lra_a=self.compressor_lra_a,
            fan_fla_a=self.fan_fla_a,
            line_v=self.primary_v,
        )


DESIGNS: dict[str, Design] = {
    design.name: design
    for design in (
        Design(metering="fixed"),
        Design(
            name="two-ton-heat-pump",
            tons=2.0,
            contactor_poles=2,
            compressor="scroll",
            compressor_rla_a=12.8,
            compressor_lra_a=58.0,
            fan_fla_a=0.9,
            run_uf=35.0,
            heat_pump=True,
            heater_w=40.0,
            high_pressure_c=66.0,
            low_pressure_c=-22.0,
            coil_inrush_va=45.0,
            coil_sealed_va=7.5,
            coil_ohm=8.5,
            control_m=22.0,
        ),
        Design(
            name="five-ton",
            tons=5.0,
            contactor_poles=2,
            compressor="scroll",
            compressor_rla_a=26.4,
            compressor_lra_a=134.0,
            fan_fla_a=1.5,
            run_uf=70.0,
            fan_uf=7.5,
            high_pressure_c=66.0,
            low_pressure_c=-15.0,
            transformer_va=75.0,
            coil_inrush_va=60.0,
            coil_sealed_va=9.0,
            coil_ohm=6.5,
            branch_awg=8,
            control_m=30.0,
        ),
        Design(
            name="one-ton-50-hz",
            tons=1.0,
            line_hz=50,
            line_v=230.0,
            primary_v=230.0,
            compressor="scroll",
            compressor_rla_a=6.2,
            compressor_lra_a=29.0,
            fan_fla_a=0.5,
            metering="fixed",
            run_uf=25.0,
            fan_uf=2.5,
            coil_inrush_va=24.0,
            coil_sealed_va=5.0,
            coil_ohm=14.0,
            branch_awg=12,
        ),
        Design(
            name="three-ton-two-stage",
            kind="two-stage",
            compressor="scroll",
            contactor_poles=2,
            compressor_rla_a=15.3,
            compressor_lra_a=83.0,
            run_uf=45.0,
            high_pressure_c=66.0,
            low_pressure_c=-15.0,
            lockout_after=3,
        ),
        Design(
            name="three-ton-variable",
            kind="variable-speed",
            compressor="scroll",
            contactor_poles=2,
            compressor_rla_a=17.0,
            compressor_lra_a=60.0,
            fan_control="board",
            fan_after_s=30.0,
            high_pressure_c=66.0,
            lockout_after=3,
        ),
        Design(
            name="three-ton-board-fan",
            compressor="scroll",
            contactor_poles=1,
            fan_control="board",
            fan_after_s=60.0,
            fan_off_c=30.0,
            fan_on_c=40.0,
            high_pressure_c=66.0,
        ),
    )
}


def _scaled(rng: Random, value: float, spread: float) -> float:
    return round(value * rng.uniform(1 - spread, 1 + spread), 4)


def varied(design: Design, rng: Random) -> Design:
    """A neighbour of a design: other wire lengths, transformer, coil and nameplate, within what is sold."""
    transformer_va = rng.choice((40.0, 40.0, 50.0, 75.0))
    return msgspec.structs.replace(
        design,
        compressor_rla_a=_scaled(rng, design.compressor_rla_a, 0.08),
        compressor_lra_a=_scaled(rng, design.compressor_lra_a, 0.08),
        fan_fla_a=_scaled(rng, design.fan_fla_a, 0.2),
        line_v=_scaled(rng, design.line_v, 0.03),
        transformer_va=max(transformer_va, design.transformer_va),
        transformer_regulation=round(rng.uniform(0.08, 0.15), 3),
        control_m=round(rng.uniform(6.0, 35.0), 1),
        joints_ohm=round(rng.uniform(0.02, 0.15), 3),
        coil_inrush_va=_scaled(rng, design.coil_inrush_va, 0.15),
        coil_sealed_va=_scaled(rng, design.coil_sealed_va, 0.15),
        coil_ohm=_scaled(rng, design.coil_ohm, 0.1),
        pull_in_v=round(rng.uniform(16.0, 19.0), 2),
        drop_out_v=round(rng.uniform(7.0, 13.0), 2),
        service_ohm=round(rng.uniform(0.03, 0.10), 3),
        branch_m=round(rng.uniform(8.0, 30.0), 1),
    )
