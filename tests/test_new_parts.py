"""What a new sense, finding, suspect or check needs, and where: one failure names every place that is still left.

The tables are the program's own. Whoever adds a row to the first one of a kind (READINGS, findings.ROWS, SUSPECTS,
CHECKS) runs this file alone until it passes, then the suite.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import pytest

from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.readings import FLAGS, NUMBERS, READINGS
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.verdict import ROWS, SITUATIONS, SOUND
from condenser_monitor.monitor.fleet.load_list import LOADS
from condenser_monitor.monitor.fleet.triage import COOLING
from condenser_monitor.monitor.limits import FINDINGS
from condenser_monitor.monitor.strings import findings as words
from condenser_monitor.sim import meter_model, scenario, senses
from condenser_monitor.sim.causes import CAUSES_OF

CAUSES = [cause for situation in SITUATIONS.values() for cause in situation.causes]
PREDICTED = {
    name
    for rows in ROWS.values()
    for row in rows
    for name, expected in row.predicts.items()
    if expected != SOUND.get(name)
}
SCENARIOS = [scenario.load(name) for name in scenario.names()]
# A temperature is taken as it is: no band to hold it against, no motor's lead to find it on.
JUDGED = [name for name, row in READINGS.items() if row.says]

Needs = Mapping[str, tuple[Collection[str], Collection[str]]]
SENSE: Needs = {
    "monitor/core/records.py: a field of Scan": (READINGS, Scan.__struct_fields__),
    "hardware/channels.py: CHANNELS": (READINGS, CHANNELS),
    "hardware/channels.py: its answers in a commissioning": (FLAGS, {n for n, row in CHANNELS.items() if row.answers}),
    "hardware/channels.py: what an answer that never changes means": (
        FLAGS,
        {n for n, row in CHANNELS.items() if row.stuck},
    ),
    "hardware/channels.py: its bands in a commissioning": (
        [n for n in NUMBERS if n in JUDGED],
        {n for n, row in CHANNELS.items() if row.bands},
    ),
    "sim/senses.py: WIRES, what it is wired to": (READINGS, senses.WIRES),
}
FINDING: Needs = {
    "monitor/limits.py: a class of FindingLimits, its numbers and when its alert is over": (CATALOGUE, FINDINGS),
    "monitor/diagnosis/predictions_*.py: its suspects": (CATALOGUE, SITUATIONS),
    "monitor/strings/findings.py: FINDINGS, its words": (CATALOGUE, words.FINDINGS),
    "monitor/fleet/triage.py: COOLING, what it costs the house": (CATALOGUE, COOLING),
    "sim/scenarios: a scenario that expects it": (CATALOGUE, {row.finding for one in SCENARIOS for row in one.expect}),
}
SUSPECT: Needs = {
    "monitor/diagnosis/predictions_*.py: a cause of some finding": (SUSPECTS, {cause.suspect for cause in CAUSES}),
    "monitor/fleet/load_list.py: LOADS, what to take along": (SUSPECTS, LOADS),
    "sim/causes.py: a physical cause": (SUSPECTS, CAUSES_OF),
}
CHECK: Needs = {
    "monitor/diagnosis (`meter` in table.py, or a prediction): a suspect under which it does not show what is sound": (
        [name for name in CHECKS if name != "leads"],  # that one tries the meter itself
        PREDICTED,
    ),
    "sim/meter_model.py: SHOWN, what it shows in the simulated unit": (CHECKS, meter_model.SHOWN),
}


@pytest.mark.parametrize("kind", ["SENSE", "FINDING", "SUSPECT", "CHECK"])
def test_a_new_part_stands_in_every_place_that_it_needs(kind: str) -> None:
    """Each name of the first table of its kind is in every other one."""
    needs: Needs = globals()[kind]
    left = [
        f"{name} is missing in {place}"
        for place, (wanted, there) in needs.items()
        for name in wanted
        if name not in there
    ]
    assert not left, f"a {kind.lower()} is not finished:\n" + "\n".join(left)
