"""Air that is cooled by a compressor whose clamp reads nothing, and what only looks like it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from msgspec.structs import replace

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import Change, Scan
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import ALL, REST, RUN, SETTINGS, but, scans

WITH = (*ALL, "return_air_c", "supply_air_c")
DEAD = but(RUN, compressor_a=0.0)
COOLED_K = 10.0  # 18 °F, in the middle of the 14 to 22 that technicians expect (common practice)
# Air of 26 °C and half saturated has a wet-bulb temperature of 18.7 °C (psychrometric chart, from memory); a wet coil
# without refrigerant cools towards it, and two thirds of the air touch it.
DRYING_K = 0.67 * (26.0 - 18.7)


def aired(readings: dict[str, Any], split_k: Callable[[float], float], minutes: int, every_s: float) -> Iterator[Scan]:
    """A rest, a sound run, and so many minutes of these readings under air that leaves so many kelvins colder."""
    for scan in scans((900.0, REST), (900.0, RUN), (60.0 * minutes, readings), every_s=every_s):
        later_s = scan.t_s - 1800.0
        split = split_k(later_s) if later_s >= 0.0 else COOLED_K if scan.call else 0.0
        swing_k = 0.03 * (scan.t_s // every_s % 7)  # no air stands still
        yield replace(scan, return_air_c=26.0 + swing_k, supply_air_c=26.0 - split + 2 * swing_k)


def told(items: Iterator[Scan]) -> tuple[Engine, list[Change]]:
    engine = Engine(SETTINGS, fitted=WITH)
    return engine, [event for scan in items for event in engine.feed(scan) if isinstance(event, Change)]


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
def test_a_dead_clamp_is_found_in_its_own_run_by_the_cooled_air(every_s: float) -> None:
    """Told on time, for it may be so; withdrawn with the reason a few minutes after a coil would have lost its cold."""
    engine, found = told(aired(DEAD, lambda later_s: COOLED_K, 20, every_s))
    assert [change.change for change in found if change.finding == "compressor-not-running"] == ["raised", "cleared"]
    cleared = next(change for change in found if change.change == "cleared")
    assert cleared.evidence["distrusted"] == ["compressor_a"]
    assert cleared.t_s - 1800.0 <= limits.TRUST.coil_warms_s.value + 180.0
    assert engine.status().distrusted == ("compressor_a",)


def drying(later_s: float) -> float:
    """The coil's cold is gone within three minutes; its water is not."""
    return max(DRYING_K, COOLED_K - (COOLED_K - DRYING_K) * later_s / 180.0)


@pytest.mark.parametrize("every_s", [1.0, 60.0])
def test_a_compressor_that_dies_over_a_wet_coil_stays_told(every_s: float) -> None:
    engine, found = told(aired(DEAD, drying, 40, every_s))
    assert [(change.finding, change.change) for change in found] == [("compressor-not-running", "raised")]
    assert engine.status().distrusted == ()


def test_a_probe_that_is_stuck_beside_a_dead_compressor_takes_no_alarm_back() -> None:
    """At its running value, to the last digit."""
    items = (
        replace(scan, supply_air_c=16.0) if scan.t_s >= 1800.0 else scan
        for scan in aired(DEAD, lambda later_s: COOLED_K, 40, 10.0)
    )
    _, found = told(items)
    assert [change.change for change in found if change.finding == "compressor-not-running"] == ["raised"]


def test_a_drive_at_its_slowest_is_no_dead_clamp() -> None:
    """15 % of its rated current, less than a contactor's compressor that runs."""
    slow = but(RUN, compressor_a=0.15 * SETTINGS.unit.compressor_rla_a)
    engine, _ = told(aired(slow, lambda later_s: COOLED_K, 20, 10.0))
    assert engine.status().distrusted == ()


@pytest.mark.parametrize(("colder_k", "found_out"), [(-0.3, False), (0.3, True)])
def test_how_much_colder_the_air_must_be(colder_k: float, found_out: bool) -> None:
    split_k = limits.TRUST.cooled_air_k.value + colder_k + 0.18  # the swing takes up to that
    engine, _ = told(aired(DEAD, lambda later_s: split_k if later_s > 120.0 else COOLED_K, 30, 60.0))
    assert (engine.status().distrusted == ("compressor_a",)) is found_out
