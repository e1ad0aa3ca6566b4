"""What the further readings are worth: pairs of causes that they tell apart and ten readings do not."""

from __future__ import annotations

import re

from condenser_monitor.sim import pairs


def test_the_further_readings_tell_most_pairs_of_causes_apart() -> None:
    """Of causes that let the unit run, hardly any pair is left; handbooks' own signs are among those that do it."""
    made = pairs.table()
    found = re.match(r"Of (\d+) pairs (\d+) were told apart by ten readings, (\d+) by all", made)
    assert found
    every, before, after = map(int, found.groups())
    assert before < 0.7 * every
    assert after >= every - 5
    for one, other, sign in (
        ("charge-leaks", "indoor-air-blocked", "split"),
        ("run-capacitor-fades", "line-volts-low", "microfarads"),
        ("indoor-air-blocked", "blower-dead", "blower"),
    ):
        assert re.search(rf"\| {one} \| {other} \|.*{sign}", made)
