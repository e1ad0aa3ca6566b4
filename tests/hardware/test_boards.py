"""The boards on the fake bus: what is put on the wires comes out of scan() in its own unit."""

from __future__ import annotations

import pytest

from condenser_monitor.monitor.core.readings import FLAGS
from tests.hardware.bench import (
    BASIC,
    MOST_S,
    Bench,
    Wave,
    ohm_at,
    steady,
)


def test_scan_reads_what_is_on_the_wires() -> None:
    """Every reading of the contract in its own unit, from signals of known size at the converters and pins."""
    bench = Bench(
        {
            "control_v": Wave(26.0),
            "coil_a": Wave(0.25),
            "compressor_a": Wave(12.3),
            "fan_a": Wave(1.1),
            "outdoor_c": steady(ohm_at(35.0)),
        }
    )
    for name in ("call", "load", "control_power"):
        bench.present(name, True)
    bench.boards.idle(0.5)
    began_s = bench.clock()
    scan = bench.boards.scan()
    assert bench.boards.faults() == {}
    assert scan.control_v == pytest.approx(26.0, rel=0.005)
    assert scan.coil_a == pytest.approx(0.25, abs=0.003)
    assert scan.compressor_a == pytest.approx(12.3, rel=0.005)
    assert scan.fan_a == pytest.approx(1.1, rel=0.005)
    assert scan.outdoor_c == pytest.approx(35.0, abs=0.05)
    assert {name: getattr(scan, name) for name in FLAGS if name in BASIC} == {
        **{"call": True, "supply": False, "load": True, "control_power": True, "thermostat": False}
    }
    assert bench.clock() - began_s < MOST_S
