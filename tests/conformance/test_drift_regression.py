"""Our least squares against numpy, our robust fit against scipy, both on a real heat pump's days.

Data: tests/data/nist-ashp-hilft (11 of 95 published days). The publisher prints no slope: numpy's, on the same rows, is
what ours is held to.
"""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares as scipy_least_squares

from condenser_monitor.monitor.baselines.regression import (
    HUBER_K,
    least_squares,
    residuals,
    robust_fit,
    solve,
)

DAYS = Path(__file__).parent.parent / "data" / "nist-ashp-hilft"
SETTLED_ROWS = 5


@cache
def settled(stage: int) -> tuple[list[list[float]], list[float]]:
    """Rows (1, outdoor °F - 80) and outdoor power in W, where the stage has not changed for five rows."""
    rows: list[list[float]] = []
    watts: list[float] = []
    for path in sorted(DAYS.glob("*_*_*.csv")):
        with path.open() as file:
            day = list(csv.DictReader(file))
        for number, row in enumerate(day):
            before = {day[n]["stg"] for n in range(max(0, number - SETTLED_ROWS), number + 1)}
            if number >= SETTLED_ROWS and before == {str(stage)} and float(row["od_power"]) > 500:
                rows.append([1.0, float(row["oa_temp"]) - 80.0])
                watts.append(float(row["od_power"]))
    return rows, watts


@pytest.mark.parametrize("stage", [1, 2])
def test_least_squares_agrees_with_numpy_on_measured_days(stage: int) -> None:
    """Slope and intercept to nine digits, on thousands of settled minutes."""
    rows, watts = settled(stage)
    theirs = np.linalg.lstsq(np.array(rows), np.array(watts), rcond=None)[0]
    assert least_squares(rows, watts) == pytest.approx(list(theirs), rel=1e-9)


@pytest.mark.parametrize("stage", [1, 2])
def test_robust_fit_agrees_with_scipys_huber_loss(stage: int) -> None:
    """With our scale given, scipy's minimum of the same loss lies at the same line."""
    rows, watts = settled(stage)
    fit = robust_fit(rows, watts)
    assert fit is not None
    (ours, scale), x, y = fit, np.array(rows), np.array(watts)
    theirs = scipy_least_squares(
        lambda b: x @ b - y, x0=ours, loss="huber", f_scale=HUBER_K * scale, xtol=1e-12, ftol=1e-12, gtol=1e-12
    )
    assert ours == pytest.approx(list(theirs.x), rel=1e-5)
    left = np.array(residuals(rows, watts, ours))
    assert scale == pytest.approx(1.4826 * float(np.median(np.abs(left))), rel=1e-6)


def test_a_tenth_of_odd_minutes_bends_the_robust_line_little_and_the_plain_one_much() -> None:
    """Every tenth minute of the low stage read 40 % high: the robust slope moves a third as far, or less."""
    rows, watts = settled(1)
    odd = [w * 1.4 if n % 10 == 0 and r[1] > 5 else w for n, (r, w) in enumerate(zip(rows, watts, strict=True))]
    clean, plain, fit = least_squares(rows, watts), least_squares(rows, odd), robust_fit(rows, odd)
    assert clean is not None
    assert plain is not None
    assert fit is not None
    assert abs(fit[0][1] - clean[1]) < abs(plain[1] - clean[1]) / 3


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(*[st.floats(-50, 50)] * 3), min_size=6, max_size=40), st.data())
def test_three_unknowns_agree_with_numpy(points: list[tuple[float, float, float]], data: st.DataObject) -> None:
    """Two columns, an intercept and weights: as numpy, wherever the columns are well apart."""
    rows = [[1.0, a, b] for a, b, _ in points]
    values = [y for *_, y in points]
    weights = data.draw(st.lists(st.floats(0.1, 1), min_size=len(points), max_size=len(points)))
    root = np.sqrt(weights)
    x, y = np.array(rows) * root[:, None], np.array(values) * root
    if np.linalg.cond(x) > 1e4:
        return
    theirs = np.linalg.lstsq(x, y, rcond=None)[0]
    assert least_squares(rows, values, weights) == pytest.approx(list(theirs), rel=1e-6, abs=1e-6)


def test_what_the_rows_do_not_determine_is_said_and_not_guessed() -> None:
    """No rows, one temperature only, two columns in step: None."""
    assert least_squares([], []) is None
    assert least_squares([[1.0, 3.0]] * 9, [5.0] * 9) is None
    assert robust_fit([[1.0, c, 2 * c] for c in range(9)], [1.0] * 9) is None
    assert solve([[0.0, 0.0], [0.0, 0.0]], [1.0, 1.0]) is None
