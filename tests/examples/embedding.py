"""A program of one's own that feeds scans to the engine and reads what it makes of them.

    python tests/examples/embedding.py

The engine reads no clock, file or socket: times are the caller's, and the scans may come from anywhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from condenser_monitor.monitor.core.config import parse
from condenser_monitor.monitor.engine import Change, Engine, Scan

SITE = """
[unit]
compressor_rla_a = 12.8
compressor_lra_a = 68.0
fan_fla_a = 1.1

[senses]
fitted = ["call", "control_v", "coil_a", "supply", "load", "compressor_a", "fan_a"]
"""
OFF: dict[str, Any] = {"coil_a": 0.0, "supply": True, "load": False, "compressor_a": 0.0, "fan_a": 0.0}


def scans() -> Iterator[Scan]:
    """A minute at rest, then a minute of a call that no current in the coil answers, one scan a second."""
    for t_s in range(120):
        called = t_s >= 60
        yield Scan(t_s=float(t_s), call=called, control_v=26.4 if called else 0.0, **OFF)


def main() -> None:
    """Say each change of a finding as it comes, then how the unit stands."""
    engine = Engine(parse(SITE))
    for scan in scans():
        for event in engine.feed(scan):
            if isinstance(event, Change):
                print(f"{event.t_s:g} s: {event.change} {event.finding}: {', '.join(event.suspects)}")
    status = engine.status()
    print(f"cycle: {status.cycle}; the chain breaks at: {status.break_at}")
    for finding in status.findings:
        print(f"{finding.severity}: {finding.summary}")


if __name__ == "__main__":
    main()
