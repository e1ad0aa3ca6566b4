"""The report's pictures: what they say in words, round axes, moments that are local, and SVG that a parser reads."""

from __future__ import annotations

from datetime import UTC, datetime
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condenser_monitor.monitor.core.records import LinkState, LinkView
from condenser_monitor.monitor.drawing.report_charts import (
    PlotMark,
    PlotSpan,
    Trace,
    axis,
    chain,
    lanes,
    trace,
)
from condenser_monitor.monitor.drawing.shapes import (
    Curve,
    Drawing,
    Line,
    Rect,
    Text,
    as_svg,
)
from condenser_monitor.monitor.storage.models import Lane, StoredPoint
from condenser_monitor.monitor.strings import time_format
from tests.monitor import edge_tools

NEW_YORK = ZoneInfo("America/New_York")
SPAN = PlotSpan(0.0, 1000.0)


def words(drawing: Drawing) -> list[str]:
    return [shape.words for shape in drawing.shapes if isinstance(shape, Text)]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-500, 5000), min_size=1, max_size=20), st.booleans())
def test_axis_holds_every_value_and_has_round_ends(values: list[float], from_zero: bool) -> None:
    """Ends are multiples of 1, 2 or 5 times a power of ten, and no value lies outside."""
    if from_zero:
        values = [abs(value) for value in values]
    low, high = axis(values, values, from_zero=from_zero)
    assert low - 1e-9 <= min(values)
    assert max(values) <= high + 1e-6
    assert low < high
    steps = [times * 10.0**power for power in range(-4, 5) for times in (1, 2, 5)]
    assert any(_whole(low / step) and _whole(high / step) and (high - low) / step < 4.5 for step in steps)


def _whole(number: float) -> bool:
    return abs(number - round(number)) < 1e-6


def test_axis_of_no_readings_is_an_axis() -> None:
    """Nothing to show is no error."""
    assert axis([], [], from_zero=True) == (0.0, 1.0)
    assert trace(Trace("Fan", "A", []), SPAN).description == "Fan: no readings."


def test_axis_of_a_flat_line_is_not_finer_than_what_is_measured() -> None:
    """A fan that stands still, a temperature that does not move: an axis of one or more, not of thousandths."""
    assert axis([0.0], [0.0], from_zero=True) == (0.0, 1.0)
    low, high = axis([32.0], [32.0], from_zero=False)
    assert high - low >= 1.0


def test_ticks_are_at_local_midnight_also_when_the_clock_changes() -> None:
    """In New York (IANA tz database) summer time ended on 2026-11-01: midnights are 05:00 UTC afterwards."""
    from_s = datetime(2026, 11, 2, 12, tzinfo=UTC).timestamp()
    found = time_format.ticks(from_s, from_s + 3 * 86400.0, NEW_YORK)
    assert (datetime(2026, 11, 3, 5, tzinfo=UTC).timestamp(), "Tue 3") in found
    assert time_format.midnight(datetime(2026, 11, 1, 20, tzinfo=UTC).timestamp(), NEW_YORK) == pytest.approx(
        datetime(2026, 11, 1, 4, tzinfo=UTC).timestamp()
    )


@pytest.mark.parametrize("hours", [0.1, 1, 5, 24, 72, 168, 2000])
def test_ticks_are_few_and_lie_in_the_span(hours: float) -> None:
    """From minutes to a season: at least one, never a thicket."""
    found = time_format.ticks(1e9, 1e9 + hours * 3600, NEW_YORK)
    assert 1 <= len(found) <= 9
    assert all(1e9 <= wall_s <= 1e9 + hours * 3600 for wall_s, _ in found)


def test_lanes_say_in_words_how_long_each_was_on_and_not_known() -> None:
    """What is cut by the span counts only as far as it lies in it."""
    rows = [
        Lane(name="fan", state=LinkState.LIVE, from_wall_s=-100.0, to_wall_s=60.0),
        Lane(name="fan", state=LinkState.UNKNOWN, from_wall_s=60.0, to_wall_s=180.0),
        Lane(name="fan", state=LinkState.LIVE, from_wall_s=880.0, to_wall_s=None),
    ]
    drawing = lanes(rows, SPAN, [PlotMark(500.0, 1), PlotMark(505.0, 2), PlotMark(900.0, 1)], title="t")
    assert "Fan: on 3 min in 2 stretches, not known for 2 min" in drawing.description
    assert "1–2" in words(drawing)  # numbers that would touch are joined
    assert words(drawing).count("1") == 0


def test_curve_is_broken_where_readings_are_missing() -> None:
    """Ten points, then a gap of ten steps, then ten more: two stretches, and the band from lowest to highest."""
    at = [*range(0, 100, 10), *range(200, 300, 10)]
    drawing = trace(Trace("A", "A", [StoredPoint(float(s), 5.0, 4.0, 6.0) for s in at]), SPAN)
    (curve,) = [shape for shape in drawing.shapes if isinstance(shape, Curve)]
    assert [len(stretch) for stretch in curve.stretches] == [10, 10]
    assert sum(isinstance(shape, Rect) for shape in drawing.shapes) == 20
    assert drawing.description == "A: from 4.0 to 6.0 A."


def test_temperature_is_in_the_reader_s_scale() -> None:
    """35 °C is 95 °F on the axis and in words."""
    one = Trace("Outdoors", "°F", [StoredPoint(1.0, 35.0, 35.0, 35.0)], False, lambda c: c * 9 / 5 + 32)
    assert trace(one, SPAN).description == "Outdoors: from 95.0 to 95.0 °F."


def _status(state: LinkState) -> edge_tools.UnitStatus:
    names = ("control-power", "thermostat-call", "call", "coil-current", "line-supply", "contacts", "compressor", "fan")
    views = tuple(LinkView(name=name, state=state, since_s=0.0, sense=None) for name in names)
    return edge_tools.status(links=views, break_at="contacts", readings={"compressor_a": 9.5})


def test_chain_tells_state_by_line_and_word_and_names_the_break() -> None:
    """Live, dead and unknown differ in line weight or dash, not in colour alone."""
    looks = {}
    for state in LinkState:
        drawing = chain(_status(state), blind=False)
        looks[state] = {(box.stroke, box.dash) for box in drawing.shapes if isinstance(box, Rect) and box.width == 118}
        assert "the break" in drawing.description
    assert len({tuple(sorted(look)) for look in looks.values()}) == 3
    assert "9.5 A" in words(chain(_status(LinkState.LIVE), blind=False))


def test_chain_of_a_blind_monitor_shows_no_reading_and_no_break() -> None:
    """What was is not what is."""
    drawing = chain(_status(LinkState.LIVE), blind=True)
    assert "the break" not in drawing.description
    assert "9.5 A" not in words(drawing)


def test_svg_is_well_formed_and_escapes_words() -> None:
    """Every shape, with words that would break markup, is read back by an XML parser."""
    shapes = (
        Line(0, 0, 1, 1, dash=(1, 2)),
        Rect(0, 0, 1, 1, fill="#000000", colour="#ffffff"),
        Curve((((0, 0), (1, 1)), ((2, 2),))),
        Text(0, 0, "<&\"'>", bold=True),
    )
    svg = as_svg(Drawing("<t>", "a & b", 10, 10, shapes), "one")
    tree = ElementTree.fromstring(svg)
    found = {child.tag.split("}")[1]: child for child in tree}
    assert set(found) == {"title", "desc", "line", "rect", "path", "text"}
    assert found["text"].text == "<&\"'>"
    assert found["title"].text == "<t>"


def test_ticks_of_days_are_midnights_on_both_sides_of_the_clocks_change() -> None:
    """Around 2026-03-08 in New York (IANA time zone database) each tick is a local midnight; those of a fortnight are
    said with the day of the week, those of months without."""
    for begin, days, form in ((27, 14, "%a %b "), (1, 60, "%b ")):
        from_s = datetime(2026, 2, begin, tzinfo=NEW_YORK).timestamp()
        for wall_s, words in time_format.ticks(from_s, from_s + days * 86400.0, NEW_YORK):
            at = datetime.fromtimestamp(wall_s, NEW_YORK)
            assert (at.hour, at.minute) == (0, 0)
            assert words == f"{at.strftime(form)}{at.day}"


@pytest.mark.parametrize(
    ("name", "value", "scale", "uncertainty", "words"),
    [
        ("compressor_a", 9.584, "F", 0.21, "9.58 A ± 0.21 A"),
        ("control_v", 26.4, "F", 0.8, "26.40 V ± 0.80 V"),
        ("outdoor_c", 31.0, "C", 0.5, "31.00 °C ± 0.50 °C"),
        ("outdoor_c", 31.0, "F", 0.5, "87.80 °F ± 0.90 °F"),
        ("outdoor_c", 31.0, "F", None, "88 °F"),
        ("call", True, "F", None, "on"),
        ("fan_a", None, "F", 0.1, "no reading"),
    ],
)
def test_a_reading_is_told_with_its_uncertainty_in_the_readers_scale(
    name: str, value: float | bool | None, scale: str, uncertainty: float | None, words: str
) -> None:
    """A difference of one kelvin is 1.8 degrees Fahrenheit: the uncertainty is scaled and not shifted."""
    assert time_format.reading(name, value, scale, uncertainty) == words
