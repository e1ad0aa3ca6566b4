"""One unit on the bench, without house or weather: called and left to rest by hand."""

from __future__ import annotations

from math import inf

from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import DESIGNS, Design
from condenser_monitor.sim.unit import CondensingUnit, Surroundings


class Bench:
    """A unit on the bench: `call()`, `rest()`, `run(s)`, with steps as the unit wants them."""

    def __init__(self, design: Design = DESIGNS["three-ton"], outdoor_c: float = 35.0, **faults: object) -> None:
        self.condition = Condition()
        for name, value in faults.items():
            setattr(self.condition, name, value)
        self.unit = CondensingUnit(design, self.condition, outdoor_c)
        self.around = Surroundings(service_v=design.line_v, outdoor_c=outdoor_c, indoor_c=26.7)
        self.t_s = 0.0
        self.run(1.0)

    def run(self, seconds: float) -> Bench:
        until_s = self.t_s + seconds
        self.unit.poke()
        while self.t_s < until_s - 1e-9:
            step_s = max(1e-6, min(until_s - self.t_s, self.unit.patience_s()))
            self.unit.step(step_s, self.t_s, self.around)
            self.t_s += step_s
        return self

    def call(self, seconds: float) -> Bench:
        self.around.thermostat_ohm = 0.1
        return self.run(seconds)

    def rest(self, seconds: float) -> Bench:
        self.around.thermostat_ohm = inf
        return self.run(seconds)

    def until(self, open_: bool, longest_s: float) -> float:
        """Seconds until the protector is open (or closed)."""
        began_s = self.t_s
        while self.unit.compressor.protector.open is not open_:
            assert self.t_s - began_s < longest_s, "nothing happened"
            self.run(0.5)
        return self.t_s - began_s
