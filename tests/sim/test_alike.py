"""Which causes a set of sensors cannot split: every cause has its picture, and the pictures say what the trade says."""

from __future__ import annotations

from itertools import pairwise

import pytest

from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.sim.alike import PICTURES, alike
from condenser_monitor.sim.bench_cases import CASES, SENSE_SETS, BenchCase
from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.designs import DESIGNS

DESIGN = DESIGNS["three-ton"]


def test_every_picture_names_suspects_that_there_are() -> None:
    assert {name for picture in PICTURES.values() for name in picture.suspects} <= SUSPECTS.keys()


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.cause} {case.sense}")
def test_a_sensor_more_never_leaves_more_alike(case: BenchCase) -> None:
    """The sets of the bench grow; each true cause stays among those that are alike to it."""
    found = [alike(case.cause, fitted, DESIGN, sense=case.sense) for fitted in SENSE_SETS.values()]
    assert all(set(CAUSES[case.cause].suspects) <= one for one in found)
    for (fewer, wide), (more, narrow) in pairwise(zip(SENSE_SETS.items(), found, strict=True)):
        if set(fewer[1]) <= set(more[1]):
            assert narrow <= wide


@pytest.mark.parametrize(
    ("cause", "other", "without", "sensor"),
    [
        # common practice: what a technician's next reading splits
        ("control-fuse-open", "float-switch", ("call", "compressor_a"), "control_power"),
        ("thermostat-dead", "pressure-switch", ("call", "compressor_a"), "thermostat"),
        ("coil-burnt-open", "armature-blocked", ("call", "load", "compressor_a"), "coil_a"),
        ("coil-burnt-open", "time-delay", ("call", "load", "coil_a"), "coil_v"),
        ("contacts-fouled", "line-supply-off", ("call", "load", "coil_a"), "supply"),
        ("protector-stuck-open", "contacts-not-making", ("call", "coil_a", "compressor_a"), "load"),
        ("condenser-fouls", "fan-motor", ("call", "load", "compressor_a"), "fan_a"),
        ("compressor-seizes", "run-capacitor", ("call", "load", "compressor_a"), "start_winding_a"),
        ("line-volts-low", "condenser-dirty", ("call", "load", "compressor_a"), "line_v"),
        ("blower-dead", "charge-low", ("call", "load", "compressor_a"), "blower"),
    ],
)
def test_the_sensor_that_tells_two_apart(cause: str, other: str, without: tuple[str, ...], sensor: str) -> None:
    assert other in alike(cause, without, DESIGN)
    assert other not in alike(cause, (*without, sensor), DESIGN)


def test_slow_scans_miss_a_start_that_stalls() -> None:
    fitted = SENSE_SETS["outdoor"]
    assert "compressor-overload-open" not in alike("compressor-seizes", fitted, DESIGN)
    assert "compressor-overload-open" in alike("compressor-seizes", fitted, DESIGN, slow=True)
