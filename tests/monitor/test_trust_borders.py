"""When a current clamp that reads nothing is disbelieved, on both sides of each border.

The thermostat calls, everything answers but the compressor's current, and after a while the thermostat is satisfied:
nothing cooled, so either somebody turned it off or the clamp lies. Names are those of limits.TRUST.
"""

from __future__ import annotations

import pytest

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.trust import Evidence, Trust

FITTED = ("thermostat", "call", "coil_a", "supply", "load", "compressor_a", "fan_a")
REST = dict.fromkeys(FITTED, False) | {"supply": True}
DEAD = dict.fromkeys(FITTED, True) | {"compressor_a": False}


def rounds(rest_s: float, call_s: float, most: int = 12) -> int | None:
    """In which round of rest and dead call the clamp is disbelieved; None within so many."""
    trust, now_s = Trust(Unit(), FITTED), 0.0
    for number in range(1, most + 1):
        for held_s, seen in ((rest_s, REST), (call_s, DEAD)):
            trust.update(Evidence(tuple(seen[name] for name in trust.sensors)), now_s)
            now_s += held_s
            if trust.distrusted:
                assert trust.distrusted == {"compressor_a"}
                return number
    return None


@pytest.mark.parametrize(
    ("number", "rest_s", "call_s", "told"),
    [
        ("satisfied_least_s", 600.0, 200.0, False),  # a flicker, or a try
        ("satisfied_least_s", 600.0, 400.0, True),  # as long as a thermostat runs at the least
        ("satisfied_most_s", 600.0, 3000.0, True),
        ("satisfied_most_s", 600.0, 5400.0, False),  # it may have ended with the cool of the night
        ("pause_s", 200.0, 900.0, False),  # the same call, interrupted
        ("pause_s", 300.0, 900.0, True),  # a thermostat's own rest
    ],
)
def test_a_thermostat_that_is_satisfied_again_and_again_speaks_for_the_compressor(
    number: str, rest_s: float, call_s: float, told: bool
) -> None:
    """`number` is the border that rest or call lies beside."""
    assert (rounds(rest_s, call_s) is not None) is told, number


def test_two_such_calls_may_be_chance_and_four_are_none() -> None:
    """satisfied, liar and fault: what each costs beside the others."""
    found = rounds(600.0, 900.0)
    assert found is not None
    assert 2 < found <= 4
