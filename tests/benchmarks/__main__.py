"""Benches on this machine, one table; each figure beside a floor measured in the same run.

    python -m tests.benchmarks [NAME ...]
    python -m tests.benchmarks household [DAYS] [CAUSE ...] [--into FILE]
    python -m tests.benchmarks sensing

NAMES: machines, processor, memory, alert, recordings, history, trial, pages, card; all without a name. Wants the extra
`bench` and, for the alert, a mosquitto. Times are processor time (the alert's: wall time), the best of several turns.
No figure is a demand: a machine that does other work besides gives others, the ratios move less.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.benchmarks import card, household, live, machines, past, sensing
from tests.benchmarks.table import Row

CASES: dict[str, Callable[[Path], list[Row]]] = {
    "machines": lambda folder: machines.rows(),
    "processor": live.processor,
    "memory": live.memory,
    "alert": live.alert_delay,
    "recordings": past.recordings,
    "history": past.history,
    "trial": past.trial,
    "pages": past.pages,
    "card": card.wear,
}


def main(names: Sequence[str]) -> int:
    """Print the rows of the named cases, or of all."""
    if names and names[0] == "household":
        for line in household.lines(names[1:]):
            print(line, flush=True)
        return 0
    if names and names[0] == "sensing":
        for line in sensing.lines():
            print(line, flush=True)
        return 0
    wrong = [name for name in names if name not in CASES]
    if wrong:
        print(f"got {wrong[0]!r}; allowed: {', '.join(CASES)}", file=sys.stderr)
        return 2
    with TemporaryDirectory(prefix="bench") as folder:
        for name in names or CASES:
            for row in CASES[name](Path(folder)):
                print(row.line(), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
