"""EWMA and CUSUM against the worked examples of handbooks.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 "EWMA Control Charts" and 6.3.2.3 "CUSUM Control Charts", and
D. C. Montgomery, Introduction to Statistical Quality Control, chapter 9, the tabular CUSUM of thirty samples. The data
and printed results are from memory of these works, not read again; data and results that did not belong together would
not agree to the printed digits.
"""

from __future__ import annotations

import pytest

from condenser_monitor.monitor.baselines.drift import Cusum, Drift, Ewma

EWMA_DATA = "52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"
EWMA_PRINTED = (
    "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23"
    " 51.94 51.99"
)
CUSUM_DATA = (
    "324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600 324.625 325.150 328.325 327.250"
    " 327.825 328.500 326.675 327.775 326.875 328.350"
)
CUSUM_HIGH = "0 0 0 0 0.03 0 0 0 0 0 0 0 3.01 4.94 7.45 10.63 11.99 14.44 16.00 19.04"
CUSUM_LOW = "0 0.01 0 0.33 0 0 0.56 0.72 0.17 0.25 0.31 0 0 0 0 0 0 0 0 0"
MONTGOMERY_DATA = (
    "9.45 7.99 9.29 11.66 12.16 10.18 8.04 11.46 9.20 10.34 9.03 11.47 10.51 9.40 10.08 9.37 10.62 10.31 8.52 10.84"
    " 10.90 9.33 12.29 11.50 10.60 11.08 10.38 11.62 11.31 10.52"
)


def _numbers(text: str) -> list[float]:
    return [float(word) for word in text.split()]


def test_ewma_of_the_nist_handbook() -> None:
    """Twenty values, weight 0.3, start 50: every printed level to its two digits."""
    ewma = Ewma(0.3, 50.0)
    levels = [ewma.add(value) for value in _numbers(EWMA_DATA)]
    assert levels == pytest.approx(_numbers(EWMA_PRINTED), abs=0.0051)


def test_cusum_of_the_nist_handbook() -> None:
    """Target 325, k = 0.3175, h = 4.1959: both printed columns, and the signal from the fourteenth group on."""
    cusum = Cusum(0.3175, 325.0)
    sums = [cusum.add(value) for value in _numbers(CUSUM_DATA)]
    assert [high for high, _ in sums] == pytest.approx(_numbers(CUSUM_HIGH), abs=0.0125)
    assert [low for _, low in sums] == pytest.approx(_numbers(CUSUM_LOW), abs=0.0125)
    assert [n for n, pair in enumerate(sums, 1) if max(pair) > 4.1959] == list(range(14, 21))


def test_cusum_of_montgomery() -> None:
    """Target 10, k = 0.5, h = 5: the mean moved after sample 20, the signal comes at 29 with 5.28, then 5.30."""
    cusum = Cusum(0.5, 10.0)
    high = [cusum.add(value)[0] for value in _numbers(MONTGOMERY_DATA)]
    assert [n for n, value in enumerate(high, 1) if value > 5.0] == [29, 30]
    assert high[28:] == pytest.approx([5.28, 5.30], abs=1e-9)


def _watch() -> Drift:
    return Drift(Cusum(0.02), Ewma(0.2), 0.10)


def test_one_wild_day_is_no_drift() -> None:
    """A single day 10 % off does not signal."""
    drift = _watch()
    for day, ratio in enumerate([0.0] * 5 + [0.10] + [0.0] * 20):
        drift.add(ratio, day * 86400.0)
        assert drift.state == "steady"


@pytest.mark.parametrize(("sign", "state"), [(1, "rising"), (-1, "falling")])
def test_a_small_shift_that_stays_signals_when_the_sums_say_so(sign: int, state: str) -> None:
    """4 % off from the first day: (0.04 - 0.02) a day passes 0.10 on the sixth."""
    drift = _watch()
    days = 0
    while drift.state == "steady":
        days += 1
        drift.add(sign * 0.04, days * 86400.0)
        assert days < 50
    assert (days, drift.state, drift.since_x) == (6, state, 6 * 86400.0)


def test_within_the_allowance_it_never_signals() -> None:
    """Two per cent either way, for a year, is what weather and house do."""
    drift = _watch()
    for day in range(365):
        drift.add(0.02 if day // 30 % 2 else -0.02, day * 86400.0)
        assert drift.state == "steady"


def test_mended_it_is_steady_again_within_a_fortnight() -> None:
    """After two months 12 % off, two weeks of normal days take the signal back."""
    drift = _watch()
    for day in range(60):
        drift.add(-0.12, day * 86400.0)
    assert drift.state == "falling"
    days = 0
    while drift.state != "steady":
        days += 1
        drift.add(0.0, (60 + days) * 86400.0)
        assert days <= 14
    assert drift.since_x is None
