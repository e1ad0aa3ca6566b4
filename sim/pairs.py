"""Which causes the further readings tell apart: every pair of causes that runs the unit, with and without them.

Each cause is put into the simulated unit and left for half an hour of run; what the readings then say is written as the
symbols that the diagnosis works with (bands of readings, current against a sound unit's, observables of a settled
minute). Two causes are told apart where a symbol differs. `python -m condenser_monitor.sim.pairs` prints the table.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.performance import air_split_k, apparent_uf, observed
from condenser_monitor.monitor.core.config import OUTDOOR_SENSES, SensorSettings, Settings
from condenser_monitor.monitor.core.inputs import DebouncedInputs
from condenser_monitor.monitor.core.readings import NUMBERS, READINGS
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.rig import ReadingsRig
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.weather import design_days
from condenser_monitor.sim.world import World, WorldPlan

BASIC = (*OUTDOOR_SENSES, "control_power", "thermostat")
# A cause with the level at which it still lets the unit run.
RUNNING: tuple[tuple[str, float], ...] = (
    ("charge-leaks", 0.5),
    ("overcharged", 0.3),
    ("condenser-fouls", 0.5),
    ("metering-plugs", 0.6),
    ("air-in-circuit", 0.6),
    ("valves-leak", 0.9),
    ("indoor-air-blocked", 0.5),
    ("blower-dead", 1.0),
    ("run-capacitor-fades", 0.3),
    ("line-volts-low", 0.11),
    ("line-volts-high", 0.08),
    ("line-joint-poor", 1.0),
    ("fan-seizes", 1.0),
)


def _scan(cause: tuple[str, float] | None) -> Scan:
    """The last scan of half an hour's run."""
    causes = () if cause is None else (Planned(name=cause[0], at_s=0.0, level=cause[1]),)
    plan = WorldPlan(design=DESIGNS["three-ton"], calls=((60.0, 9000.0),), causes=causes, line_swing=0.0)
    world = World(plan, design_days([(35.0, 35.0)], 12.0))
    world.advance(1800.0)
    settings = Settings(unit=plan.design.nameplate(), senses=SensorSettings(fitted=tuple(READINGS)))
    items = ReadingsRig(world, settings, seed=1).scans(1801.0)
    return next(item for item in items if isinstance(item, Scan) and item.outdoor_c is not None)


def _ratio(value: float | None, sound: float | None, low: float, high: float) -> str:
    if value is None or not sound:
        return "?"
    return "low" if value < low * sound else "high" if value > high * sound else "normal"


def symbols(scan: Scan, sound: Scan, fitted: tuple[str, ...]) -> dict[str, str]:
    """What a scan says, with these readings, beside the scan of a sound unit in the same weather."""
    settings = Settings(unit=DESIGNS["three-ton"].nameplate(), senses=SensorSettings(fitted=fitted))
    inputs = DebouncedInputs(settings)
    for t_s in (0.0, 1.0):
        inputs.update(Scan(t_s=t_s, **{name: getattr(scan, name) for name in fitted}))
    means: Mapping[str, float | None] = {name: getattr(scan, name) for name in NUMBERS if name in fitted}
    usual: Mapping[str, float | None] = {name: getattr(sound, name) for name in NUMBERS if name in fitted}
    numbers = limits.LOW_RUNNING_CURRENT.ratio.value, limits.HIGH_RUNNING_CURRENT.ratio.value
    found = inputs.symbols() | {"draw": _ratio(means["compressor_a"], usual["compressor_a"], *numbers)}
    split = limits.LOW_SPLIT.ratio.value, limits.HIGH_SPLIT.ratio.value
    found["split"] = _ratio(air_split_k(means), air_split_k(usual), *split)
    least = limits.RUN_CAPACITOR_WEAK.ratio.value
    found["microfarads"] = _ratio(apparent_uf(means, settings.unit), apparent_uf(usual, settings.unit), least, 2.0)
    return found | observed(means, settings.unit)


def table() -> str:
    """The pairs that are told apart now and were not, the readings' symbols that do it, and what is left."""
    sound = _scan(None)
    scans = {cause[0]: _scan(cause) for cause in RUNNING}
    before = {name: symbols(scan, sound, BASIC) for name, scan in scans.items()}
    after = {name: symbols(scan, sound, tuple(READINGS)) for name, scan in scans.items()}
    lines, left = ["| cause | cause | told apart by |", "|---|---|---|"], []
    for one, other in combinations(scans, 2):
        if before[one] != before[other]:
            continue
        differ = sorted(name for name in after[one] if after[one][name] != after[other].get(name))
        if differ:
            said = ", ".join(f"{name} ({after[one][name]} / {after[other].get(name)})" for name in differ)
            lines.append(f"| {one} | {other} | {said} |")
        else:
            left.append(f"{one} and {other}")
    pairs = len(scans) * (len(scans) - 1) // 2
    told = sum(before[a] != before[b] for a, b in combinations(scans, 2))
    head = f"Of {pairs} pairs {told} were told apart by ten readings, {told + len(lines) - 2} by all."
    return "\n".join([head, "", *lines, "", "Left: " + ("; ".join(left) or "none") + ".", ""])


if __name__ == "__main__":
    print(table())
