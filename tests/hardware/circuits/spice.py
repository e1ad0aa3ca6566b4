"""Runs a netlist in ngspice and gives back what its `.meas` lines measured. For building and testing; not on the Pi.

The decks come from `presence.py` and `analog.py`; each run is a fresh process in its own directory, bounded in time.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path

from condenser_monitor.monitor.core.errors import ContractError

PROGRAM = "ngspice"
_MEASURED = re.compile(r"^\s*([a-z]\w*)\s*=\s*([-+]?\d[\d.]*(?:e[-+]?\d+)?)", re.MULTILINE)
_ASKED = re.compile(r"^\.meas\s+tran\s+(\w+)", re.MULTILINE)


def available() -> bool:
    """Whether the simulator is installed here."""
    return shutil.which(PROGRAM) is not None


def run(deck: str, *, timeout_s: float = 60.0) -> Mapping[str, float]:
    """Simulate `deck`; every `.meas tran NAME` of it, by name, in the deck's own units.

    Raises ContractError when the simulator fails or leaves a measurement out: a deck that cannot be run is our fault.
    """
    with tempfile.TemporaryDirectory(prefix="circuit-") as folder:
        path = Path(folder, "deck.cir")
        path.write_text(deck, encoding="ascii")
        done = subprocess.run(
            [PROGRAM, "-b", path.name], cwd=folder, capture_output=True, text=True, timeout=timeout_s, check=False
        )
    found = {name: float(number) for name, number in _MEASURED.findall(done.stdout.lower())}
    wanted = [name.lower() for name in _ASKED.findall(deck)]
    missing = [name for name in wanted if name not in found]
    if done.returncode or missing:
        raise ContractError("netlist", (done.stdout + done.stderr)[-800:], f"a run that measures {missing or 'all'}")
    return {name: found[name] for name in wanted}
