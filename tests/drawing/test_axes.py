"""Upright axes and the lanes' currents: a start's peak does not flatten the run, and is not hidden either."""

from __future__ import annotations

import re
from collections.abc import Sequence
from statistics import median
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor.core.records import LinkState
from condenser_monitor.monitor.drawing import axes, strip_chart
from condenser_monitor.monitor.storage.models import Lane, StoredPoint

DAY = strip_chart.StripSpan(0.0, 86400.0, lambda at_s: f"{at_s:.0f} s")
RUN_A, START_A = 7.9, 118.2
SVG = {"svg": "http://www.w3.org/2000/svg"}


def cycled(mean_at_start: float = 9.0, *, starts: Sequence[int] = range(20, 390, 40)) -> list[StoredPoint]:
    """A day in 400 stretches: ten runs of twenty stretches, each begun by a start that its stretch's highest tells."""
    points = []
    for place in range(400):
        since = (place - starts[0]) % 40
        if since == 0:
            mean, high = mean_at_start, START_A
        else:
            mean, high = (RUN_A, RUN_A + 0.2) if since < 20 else (0.02, 0.05)
        points.append(StoredPoint(place * 216.0, mean, 0.0, high))
    return points


def drawn(points: Sequence[StoredPoint], reading: str = "compressor_a") -> ElementTree.Element:
    rows = [Lane(name="compressor", state=LinkState.LIVE, from_wall_s=0.0, to_wall_s=None)]
    return ElementTree.fromstring(strip_chart.svg(rows, {reading: points}, DAY, ()))


def notes(picture: ElementTree.Element) -> list[str]:
    return [text.text or "" for text in picture.iterfind(".//svg:text[@class='lane-note']", SVG)]


def heights(picture: ElementTree.Element) -> list[float]:
    """Each point of the curve as a share of its box, 0 at the foot and 1 at the top."""
    curve = picture.find(".//svg:path[@class='curve']", SVG)
    assert curve is not None
    return [(98 - float(y)) / 94 for y in re.findall(r"(?:M[\d.]+ |V)([\d.-]+)", curve.attrib["d"])]


@pytest.mark.parametrize(
    ("rough", "step"), [(0.07, 0.1), (0.2, 0.2), (1.0, 1.0), (1.1, 2.0), (3.0, 5.0), (7.0, 10.0), (34.0, 50.0)]
)
def test_axes_have_round_steps(rough: float, step: float) -> None:
    """1, 2 or 5 times a power of ten, never below what was asked."""
    assert axes.round_step(rough) == pytest.approx(step)


@pytest.mark.parametrize("mean_at_start", [0.6, 9.0, 30.0, START_A])
def test_the_run_can_be_read_beside_a_start_of_fifteen_times_it(mean_at_start: float) -> None:
    """However much of a start a stretch's mean holds (long stretches little, short ones nearly all), the run is drawn
    at half the height or more, on a scale that says its amperes, and nothing is drawn outside the lane."""
    points = cycled(mean_at_start)
    axis = axes.running_axis(points, "A")
    assert RUN_A <= axis.high <= 2 * RUN_A
    shares = heights(drawn(points))
    assert median(share for share in shares if share > 0.1) == pytest.approx(RUN_A / axis.high, abs=0.01)
    assert min(shares) >= 0
    assert max(shares) <= 1
    assert {"0 A", f"{axis.high / 2:g} A", f"{axis.high:g} A"} <= set(notes(drawn(points)))


def test_each_start_over_the_scale_is_marked_with_its_height_and_moment() -> None:
    """Ten starts, ten marks, and the same mark beside the highest; without peaks there is neither."""
    picture = drawn(cycled())
    marks = picture.findall(".//svg:path[@class='peak']/../svg:title", SVG)
    assert [mark.text for mark in marks] == [f"{place * 216} s: up to 118.2 A" for place in range(20, 390, 40)]
    assert "▲ up to 118.2 A" in notes(picture)
    even = drawn([point._replace(mean=min(point.mean, RUN_A), high=min(point.high, 8.0)) for point in cycled()])
    assert even.find(".//svg:path[@class='peak']", SVG) is None
    assert "up to 8.0 A" in notes(even)


def test_marks_that_would_touch_share_one_that_tells_the_highest() -> None:
    """A week with three hundred starts is no comb of marks on a phone."""
    points = [StoredPoint(at * 216.0, RUN_A, 0.0, 100.0 + at % 3) for at in range(400)]
    titles = drawn(points).findall(".//svg:path[@class='peak']/../svg:title", SVG)
    assert 50 < len(titles) < 100
    assert all((title.text or "").endswith("up to 102.0 A") for title in titles)


def test_a_run_that_ripples_over_a_round_number_is_no_start() -> None:
    """19.9 A whose highest is 20.3 A, or a hot hour half as much again: the scale holds it, and nothing is marked."""
    for high in (20.3, 30.2):
        picture = drawn([StoredPoint(at * 216.0, 19.9, 19.0, high) for at in range(400)])
        assert picture.find(".//svg:path[@class='peak']", SVG) is None
        assert f"up to {high:.1f} A" in notes(picture)


def test_where_there_were_only_starts_the_scale_is_theirs() -> None:
    """A compressor that tries and cannot: its current is what there is to see."""
    points = [StoredPoint(at * 216.0, 70.0 if at in (50, 51, 120) else 0.0, 0.0, 71.0) for at in range(400)]
    axis = axes.running_axis(points, "A")
    assert 70 <= axis.high <= 105
    assert max(heights(drawn(points))) == pytest.approx(70 / axis.high, abs=0.01)


def test_nothing_measured_and_nothing_flowing_have_an_axis_too() -> None:
    """No division by a current of nothing; a sense's own noise below zero is no current."""
    for points in (
        [StoredPoint(0.0, 0.0, 0.0, 0.0)],
        [StoredPoint(0.0, -0.02, -0.03, 0.0), StoredPoint(216.0, 0.0, 0.0, 0.0)],
    ):
        assert axes.running_axis(points, "A").high > 0
        drawn(points)


@given(st.lists(st.floats(0, 500, allow_subnormal=False), min_size=1, max_size=60))
def test_half_of_the_charge_flowed_at_the_running_current_or_less(means: list[float]) -> None:
    """The weighted median, as its definition has it: neither side of it carries more than half."""
    found = axes.running([StoredPoint(float(at), mean, mean, mean) for at, mean in enumerate(means)])
    whole = sum(means)
    assert sum(mean for mean in means if mean < found) <= whole / 2 * (1 + 1e-9)
    assert sum(mean for mean in means if mean > found) <= whole / 2 * (1 + 1e-9)
