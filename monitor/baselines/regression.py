"""Least squares, plain and robust, and two lines at once, for a handful of unknowns; numbers only, no library.

The Pi need not carry numpy for three unknowns. Robust means Huber's M-estimate: residuals beyond 1.345 scales pull only
linearly (95 % efficiency for normal errors; P. J. Huber, Robust Statistics, from memory), with the scale from the
median absolute residual, so that a few odd minutes do not bend the line.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import inf
from statistics import median

HUBER_K = 1.345
MAD_TO_SD = 1.4826
_ROUNDS = 50
_TINY = 1e-12

Rows = Sequence[Sequence[float]]


def solve(matrix: Rows, right: Sequence[float]) -> list[float] | None:
    """Solve a small square system by elimination with pivoting; None when it is singular."""
    size = len(right)
    work = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    largest = max((abs(value) for row in matrix for value in row), default=0.0)
    for column in range(size):
        pivot = max(range(column, size), key=lambda row: abs(work[row][column]))
        if abs(work[pivot][column]) <= _TINY * largest:
            return None
        work[column], work[pivot] = work[pivot], work[column]
        for row in range(column + 1, size):
            factor = work[row][column] / work[column][column]
            work[row] = [a - factor * b for a, b in zip(work[row], work[column], strict=True)]
    return _back(work, size)


def _back(work: list[list[float]], size: int) -> list[float]:
    found = [0.0] * size
    for row in reversed(range(size)):
        known = sum(work[row][column] * found[column] for column in range(row + 1, size))
        found[row] = (work[row][size] - known) / work[row][row]
    return found


def least_squares(rows: Rows, values: Sequence[float], weights: Sequence[float] | None = None) -> list[float] | None:
    """The coefficients that make `rows` times them closest to `values`; None when the rows do not determine them.

    `rows` is n x p, `values` and `weights` are n long. Columns should be centred: normal equations square the spread.
    """
    if not rows:
        return None
    weigh = [1.0] * len(values) if weights is None else weights
    size = len(rows[0])
    matrix = [
        [sum(w * row[i] * row[j] for w, row in zip(weigh, rows, strict=True)) for j in range(size)] for i in range(size)
    ]
    right = [sum(w * row[i] * y for w, row, y in zip(weigh, rows, values, strict=True)) for i in range(size)]
    return solve(matrix, right)


def residuals(rows: Rows, values: Sequence[float], coefficients: Sequence[float]) -> list[float]:
    """What the coefficients leave unexplained of each value."""
    return [y - sum(c * x for c, x in zip(coefficients, row, strict=True)) for row, y in zip(rows, values, strict=True)]


def robust_scale(left: Sequence[float]) -> float:
    """The standard deviation that normal residuals of this median size have."""
    return MAD_TO_SD * median(abs(value) for value in left) if left else 0.0


def robust_fit(rows: Rows, values: Sequence[float]) -> tuple[list[float], float] | None:
    """Huber's estimate and its scale, by reweighting until it stands still; None when the rows do not determine it."""
    found = least_squares(rows, values)
    if found is None:
        return None
    scale = 0.0
    for _ in range(_ROUNDS):
        left = residuals(rows, values, found)
        scale = robust_scale(left)
        if scale <= _TINY:
            break
        cut = HUBER_K * scale
        better = least_squares(rows, values, [1.0 if abs(r) <= cut else cut / abs(r) for r in left])
        if better is None:
            break
        moved = max(abs(a - b) for a, b in zip(better, found, strict=True))
        found = better
        if moved <= 1e-9 * scale:
            break
    return found, scale


def natural_break(values: Sequence[float]) -> float:
    """The border that parts the values (two or more) into the two groups with the least sum of squares within.

    Source: W. D. Fisher, On Grouping for Maximum Homogeneity, J. Am. Stat. Assoc. 53 (1958); for two groups every
    border is tried.
    """
    ordered = sorted(values)
    total, squares = sum(ordered), sum(value * value for value in ordered)
    best, border = inf, ordered[0]
    low = low_squares = 0.0
    for count, (value, above) in enumerate(pairwise(ordered), 1):
        low += value
        low_squares += value * value
        high_count = len(ordered) - count
        within = low_squares - low * low / count + squares - low_squares - (total - low) ** 2 / high_count
        if within < best:
            best, border = within, (value + above) / 2.0
    return border


def two_lines(rows: Rows, values: Sequence[float], first: Sequence[bool]) -> list[bool] | None:
    """Which of the values belong to the upper of two robust lines, from a first guess of it; None when a line is left
    with fewer values than it needs.

    Clusterwise regression: fit each group, give each value to the nearer line, until nothing moves (H. Spaeth,
    Clusterwise linear regression, Computing 22 (1979) 367-373).
    """
    upper = list(first)
    for _ in range(_ROUNDS):
        errors: list[list[float]] = []
        for side in (False, True):
            chosen = [index for index, at in enumerate(upper) if at is side]
            if len(chosen) < len(rows[0]):
                return None
            found = robust_fit([rows[index] for index in chosen], [values[index] for index in chosen])
            if found is None:
                return None
            errors.append([abs(left) for left in residuals(rows, values, found[0])])
        moved = [high < low for low, high in zip(*errors, strict=True)]
        if moved == upper:
            break
        upper = moved
    return upper
