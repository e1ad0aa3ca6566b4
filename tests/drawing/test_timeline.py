"""Curves over time: their edges are those of what ran, and what they say in sum stays what was measured."""

from __future__ import annotations

import re

from condenser_monitor.monitor.core.records import LinkState
from condenser_monitor.monitor.drawing.strip_chart import StripSpan, path
from condenser_monitor.monitor.drawing.timeline import at_edges
from condenser_monitor.monitor.storage.models import Lane, StoredPoint

LIVE, DEAD, UNKNOWN = LinkState.LIVE, LinkState.DEAD, LinkState.UNKNOWN


def lanes(*rows: tuple[float, float | None, LinkState]) -> list[Lane]:
    return [Lane(name="compressor", state=state, from_wall_s=from_s, to_wall_s=to_s) for from_s, to_s, state in rows]


# means of 300 s: off; on for the last 100 s; on for the first 200 s
POINTS = [StoredPoint(0.0, 0.0, 0.0, 0.0), StoredPoint(300.0, 6.0, 0.0, 19.0), StoredPoint(600.0, 12.0, 0.0, 18.5)]
POINTS.append(StoredPoint(900.0, 0.0, 0.0, 0.0))
RUN = lanes((0.0, 500.0, DEAD), (500.0, 800.0, LIVE), (800.0, None, DEAD))


def test_a_run_has_its_own_edges_and_its_own_height() -> None:
    """300 s at 18 A, begun and ended within stretches of five minutes: a square, and no stairs."""
    found = [(point.wall_s, round(point.mean, 6)) for point in at_edges(POINTS, RUN, 300.0)]
    assert found == [(0.0, 0.0), (300.0, 0.0), (500.0, 18.0), (600.0, 18.0), (800.0, 0.0), (900.0, 0.0)]


def test_what_was_measured_in_a_stretch_stays_its_mean() -> None:
    """The parts of a stretch, each as long as it is, have the stretch's own mean (where no peak is in it)."""
    parts = [point for point in at_edges(POINTS, RUN, 300.0) if 300.0 <= point.wall_s < 600.0]
    ends = [point.wall_s for point in parts[1:]] + [600.0]
    total = sum(point.mean * (end_s - point.wall_s) for point, end_s in zip(parts, ends, strict=True))
    assert total / 300.0 == POINTS[1].mean


def test_where_it_is_not_known_what_ran_the_mean_stands() -> None:
    """No edge is made up."""
    unsure = lanes((0.0, 500.0, DEAD), (500.0, 550.0, UNKNOWN), (550.0, None, LIVE))
    assert at_edges(POINTS[1:2], unsure, 300.0) == POINTS[1:2]
    assert at_edges(POINTS, [], 300.0) == POINTS
    assert at_edges(POINTS[:3], RUN, 300.0)[-1] == POINTS[2]  # nor of a stretch that no other follows


def test_a_part_of_a_stretch_ends_where_the_next_begins() -> None:
    """Drawn from left to right, never back over what is drawn already."""
    drawn = path(at_edges(POINTS, RUN, 300.0), StripSpan(0.0, 1200.0, str), 20.0, 300.0)
    across = [float(x) for x in re.findall(r"[MH](-?[\d.]+)", drawn)]
    assert across == sorted(across)
    assert across[-1] == 1000.0


def test_nothing_is_drawn_of_no_points() -> None:
    """A span in which nothing was recorded."""
    assert at_edges([], RUN, 0.0) == []
    assert path([], StripSpan(0.0, 900.0, str), 20.0, 0.0) == ""
