"""A visit to a unit in software: the simulated unit does what the talks of hardware/wizard.py ask of a person.

The boards are the real drivers on fake wires, wired as meant or with a mistake of sim/wiring.py; parts and meter have
errors of their own, as their classes allow.
"""

from __future__ import annotations

from collections.abc import Mapping
from random import Random

import msgspec

from condenser_monitor.hardware import values
from condenser_monitor.hardware.calibration import Trim
from condenser_monitor.hardware.commission import Phase
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import NUMBERS, READINGS
from condenser_monitor.sim import scenario
from condenser_monitor.sim.registers import RegisterRig
from condenser_monitor.sim.scenario import Scenario
from condenser_monitor.sim.senses import WIRES
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.wiring import AS_MEANT, MISTAKES, Wiring
from condenser_monitor.sim.world import World

UNIT = "story"
QUIET_S, REST_S, RUN_S, CLICK_S = 5.0, 300.0, 180.0, 3.0
_METER_SHARE, _THERMOMETER_K = 0.005, 0.2  # ours: a good meter, well inside what is claimed for a usual one


def unit_named(name: str | None) -> Scenario:
    """A scenario's unit, sound and without a call of its own; `name` is one that comes along, or a file."""
    found = scenario.load(name or UNIT)
    plan = msgspec.structs.replace(found.plan, causes=_worn(found.plan.seed), calls=())
    return msgspec.structs.replace(found, plan=plan, expect=())


def _worn(seed: int) -> tuple[Planned, ...]:
    """Each transformer and divider off by what class and tolerance let it be (one sigma is half of the class's 1 %)."""
    rng = Random(f"{seed}/parts")
    sigma = values.CT_RATIO.tolerance / 2 + values.COMPRESSOR.burden.tolerance / 2
    names = [name for name in NUMBERS if READINGS[name].unit != "°C"]
    return tuple(Planned(name="sense-drifts", at_s=0.0, level=rng.gauss(0.0, sigma), sense=name) for name in names)


def wiring_named(mistake: str | None) -> Wiring:
    """A mistake by name, none for None. Raises CommandError."""
    if mistake is None:
        return AS_MEANT
    if mistake not in MISTAKES:
        known = "".join(f"\n  {name}: {row.says}" for name, row in MISTAKES.items())
        raise CommandError("mistake", mistake, f"one of these{known}")
    return MISTAKES[mistake]


class SimulatedVisit:
    """One visit in virtual time. `boards` are what the talks watch; `at` and `measure` do what they ask for."""

    def __init__(
        self,
        unit: Scenario,
        wiring: Wiring = AS_MEANT,
        *,
        settings: Settings | None = None,
        trims: Mapping[str, Trim] | None = None,
        rest_s: float = REST_S,
        run_s: float = RUN_S,
        seed: int = 1,
    ) -> None:
        self._rest_s, self._run_s = rest_s, run_s
        self.settings = settings or unit.settings
        self._rig = RegisterRig(
            unit.world(), self.settings, scan_s=self.settings.boards.scan_s, wiring=wiring, trims=trims
        )
        self._rng = Random(f"{seed}/visit")
        self.boards = self._rig.boards

    @property
    def world(self) -> World:
        """What is visited."""
        return self._rig.world

    def at(self, phase: Phase) -> None:
        """Bring the unit into a phase of the walk, as a person would."""
        {"off": self._off, "called": self._called, "running": self._running}[phase.name]()

    def measure(self, reading: str) -> float:
        """Have the unit run, hold the meter there; what it shows, in the reading's unit. Raises CommandError."""
        if reading not in NUMBERS:
            raise CommandError("measure", reading, "one of " + ", ".join(NUMBERS))
        if not self.world.unit.contactor.contacts_closed:
            self._running()
        true = WIRES[reading].true(self.world.unit, self.world.outdoor_c)
        if READINGS[reading].unit == "°C":
            return round(true + self._rng.gauss(0.0, _THERMOMETER_K), 1)
        return round(true * (1 + self._rng.gauss(0.0, _METER_SHARE)), 3 if true < 1 else 2)

    def meter_words(self, reading: str) -> str:
        """What the meter shows, for a person to type."""
        return f"  (in software: the meter shows {self.measure(reading):g} {READINGS[reading].unit})"

    def close(self) -> None:
        """Let go of pins and bus."""
        self._rig.close()

    # ------------------------------------------------------------ what a person does

    def _off(self) -> None:
        self._do(pulled=False, call=False, then_s=QUIET_S)

    def _called(self) -> None:
        self._do(pulled=True, call=False, then_s=CLICK_S)
        self._do(pulled=True, call=True, then_s=CLICK_S + self.settings.unit.delay_on_make_s)

    def _running(self) -> None:
        self._do(pulled=True, call=False, then_s=CLICK_S)
        self._do(pulled=False, call=False, then_s=self._rest_s)
        self._do(pulled=False, call=True, then_s=self._run_s + self.settings.unit.delay_on_make_s)

    def _do(self, *, pulled: bool, call: bool, then_s: float) -> None:
        self.world.timeline.switch("disconnect-pulled", 1 if pulled else 0)
        self.world.call_by_hand(call)
        self.world.poke()
        self.boards.idle(then_s)
