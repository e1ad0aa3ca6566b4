"""What the third minute of a run tells of the rest of it, on a measured machine.

Data: NIST chamber days of a two-stage heat pump, a row a minute (tests/data/nist-ashp-hilft and -more, MIT). Power
stands for current: volts and power factor of one stage hardly change.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from statistics import median

from condenser_monitor.monitor import limits
from tests.conformance.measured import NIST, NIST_WEEKS


def runs_in_warm_weather() -> Iterator[list[float]]:
    """Watts of each run of one stage over 18 °C outdoors, from its first whole minute, without its last."""
    for path in sorted([*NIST.glob("*_*.csv"), *NIST_WEEKS.glob("*_*.csv")]):
        with path.open() as file:
            day = list(csv.DictReader(file))
        run: list[dict[str, str]] = []
        for row in [*day, {"od_power": "0"}]:
            if float(row["od_power"]) > 500.0:
                run.append(row)
                continue
            run, ended = [], run[:20]
            alike = len({one["stg"] for one in ended[2:-1]}) == 1
            if len(ended) >= 8 and alike and (float(ended[0]["oa_temp"]) - 32) / 1.8 > 18.0:
                yield [float(one["od_power"]) for one in ended[:-1]]


def test_a_run_goes_on_drawing_what_its_third_minute_drew() -> None:
    """BASELINES.early_ratio, early_steady_ratio: what a run drew before it had settled is a bound of what it draws
    once it has, and its second minute is not far from its third."""
    runs = list(runs_in_warm_weather())
    assert len(runs) > 1000
    later = sorted(median(run[6:]) / run[2] for run in runs)
    apart = sorted(abs(run[2] / run[1] - 1.0) for run in runs)
    assert later[len(runs) // 100] > limits.BASELINES.early_ratio.value
    assert apart[-len(runs) // 100] < limits.BASELINES.early_steady_ratio.value
