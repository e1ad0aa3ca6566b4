"""Calibration against a meter: the gain or offset it gives, what it refuses, and the file it is kept in."""

from __future__ import annotations

import json
from math import inf, nan
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.hardware import calibration
from condenser_monitor.hardware.calibration import (
    Calibration,
    CalibrationPoint,
    Trim,
    calibrate,
)
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import CommandError, SiteError
from tests.hardware.bench import Bench, Wave, steady

NOON_S = 1784052000.0  # 2026-07-14T18:00:00Z


def points(*pairs: tuple[float, float]) -> list[CalibrationPoint]:
    return [CalibrationPoint(raw=raw, meter=meter) for raw, meter in pairs]


def taken(reading: str = "compressor_a", *pairs: tuple[float, float], by: str = "R. Vale") -> Calibration:
    return calibrate(reading, points(*(pairs or ((12.0, 12.6),))), by=by, meter="clamp", wall_s=NOON_S)


@pytest.mark.parametrize(
    ("reading", "pairs", "trim"),
    [
        ("compressor_a", [(12.0, 12.6)], Trim(1.05, 0.0)),
        ("fan_a", [(1.0, 0.95)], Trim(0.95, 0.0)),
        # by hand: ratios raw/meter 0.98 and 1.02; gain = (0.98 + 1.02) / (0.98^2 + 1.02^2) = 2 / 2.0008
        ("control_v", [(24.5, 25.0), (25.5, 25.0)], Trim(2 / 2.0008, 0.0)),
        ("outdoor_c", [(35.0, 34.0), (36.0, 35.4)], Trim(1.0, -0.8)),
        ("outdoor_c", [(-3.0, -2.0)], Trim(1.0, 1.0)),
    ],
)
def test_gain_or_offset(reading: str, pairs: list[tuple[float, float]], trim: Trim) -> None:
    """Currents and voltages get a gain, a temperature an offset, by least squares worked out by hand."""
    found = taken(reading, *pairs)
    assert found.trim == pytest.approx(trim)
    assert found.at == "2026-07-14T18:00:00Z"


@given(st.floats(0.85, 1.18), st.lists(st.floats(0.2, 60.0), min_size=1, max_size=5))
def test_a_true_gain_is_found_from_any_points(gain: float, currents: list[float]) -> None:
    """Points that lie on one line through zero give back its slope, few or many, small or large."""
    found = calibrate("compressor_a", points(*((amps / gain, amps) for amps in currents)), by="x")
    assert found.gain == pytest.approx(gain)


@pytest.mark.parametrize(
    ("reading", "pairs", "by", "says"),
    [
        ("call", [(1.0, 1.0)], "x", "one of control_v"),
        ("fan_a", [], "x", "one comparison"),
        ("fan_a", [(1.0, 1.0)], "  ", "who held the meter"),
        ("fan_a", [(0.01, 1.0)], "x", "0.1 or more"),
        ("fan_a", [(1.0, 0.0)], "x", "0.1 or more"),
        ("fan_a", [(nan, 1.0)], "x", "0.1 or more"),
        ("fan_a", [(1.0, inf)], "x", "0.1 or more"),
        ("fan_a", [(1.0, 1.5)], "x", "look at the transformer's ratio"),
        ("fan_a", [(0.4, 1.2)], "x", "passes through the transformer: 1 of 3"),
        ("coil_a", [(1.25, 0.25)], "x", "passes through the transformer: 5 instead of 1"),
        ("compressor_a", [(10.0, 10.0), (10.0, 11.5)], "x", "agree within 5%"),
        ("outdoor_c", [(35.0, 28.0)], "x", "the sensor's place"),
        ("outdoor_c", [(35.0, nan)], "x", "the sensor's place"),
        ("outdoor_c", [(35.0, 33.0), (35.0, 36.0)], "x", "within 1 K"),
    ],
)
def test_refusals_name_place_and_what_is_allowed(
    reading: str, pairs: list[tuple[float, float]], by: str, says: str
) -> None:
    """Comparisons that tell nothing, disagree or ask for a look at the wiring are refused in words."""
    with pytest.raises(CommandError, match=rf"^calibrate {reading}.*{says}"):
        calibrate(reading, points(*pairs), by=by)


def test_a_meter_too_poor_is_refused() -> None:
    """A meter's own error must be a number one can calibrate with."""
    for share in (-0.1, nan, 50.0):
        with pytest.raises(CommandError, match="meter error"):
            calibrate("fan_a", points((1.0, 1.0)), by="x", meter_share=share)


def test_calibrated_boards_show_what_the_meter_shows() -> None:
    """A clamp meter that shows 5 % more than the board, and a thermometer 0.8 K less: after it, the boards agree."""
    signals: dict[str, Any] = {"compressor_a": Wave(12.0), "outdoor_c": steady(10e3)}
    before = Bench(signals).boards.scan()
    assert before.compressor_a is not None
    assert before.outdoor_c is not None
    rows = [
        taken("compressor_a", (before.compressor_a, 12.6)),
        taken("outdoor_c", (before.outdoor_c, 24.2)),
    ]
    after = Bench(signals, trims=calibration.trims(rows)).boards.scan()
    assert after.compressor_a == pytest.approx(12.6, rel=2e-3)
    assert after.outdoor_c == pytest.approx(24.2, abs=0.05)


# ---------------------------------------------------------------- the file


def test_all_are_kept_and_the_last_is_in_force(tmp_path: Path) -> None:
    """Nothing is dropped from the file; the newest of each reading counts; both who and when are there."""
    path = tmp_path / "calibration.json"
    assert calibration.load(path) == ()
    first, fan, second = taken(), taken("fan_a", (1.0, 1.02)), taken("compressor_a", (12.0, 12.12), by="M. Oakes")
    for row in (first, fan, second):
        kept = calibration.add(path, row)
    assert kept == calibration.load(path) == (first, fan, second)
    assert calibration.trims(kept) == {"compressor_a": second.trim, "fan_a": fan.trim}
    assert [row["by"] for row in json.loads(path.read_text())] == ["R. Vale", "R. Vale", "M. Oakes"]
    assert "12 A read, 12.12 A on the meter" in calibration.one_line(second)
    assert "M. Oakes, 2026-07-14T18:00:00Z" in calibration.one_line(second)


def test_nothing_else_is_left_beside_the_file(tmp_path: Path) -> None:
    """It is put in place as a whole: no half-written file stays, and a failed write leaves the old one."""
    path = tmp_path / "calibration.json"
    calibration.add(path, taken())
    assert [entry.name for entry in tmp_path.iterdir()] == ["calibration.json"]
    calibration.write_whole(str(path), path.read_bytes())  # a path may be a text
    assert [entry.name for entry in tmp_path.iterdir()] == ["calibration.json"]
    blocked = tmp_path / "no-such-directory" / "calibration.json"
    with pytest.raises(SiteError, match="a place that can be written"):
        calibration.add(blocked, taken())
    assert len(calibration.load(path)) == 1


def _with(**changes: object) -> str:
    row = {"reading": "fan_a", "gain": 1.0, "offset": 0.0, "meter": "", "meter_share": 0.03, "by": "x"}
    row["points"] = [{"raw": 1.1, "meter": 1.1}]
    return json.dumps([{**row, **changes}])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "as `calibrate` writes it"),
        ("{}", "as `calibrate` writes it"),
        ("[{}]", "as `calibrate` writes it"),
        (_with(gain="1.0"), "as `calibrate` writes it"),
        (_with(surprise=1), "as `calibrate` writes it"),
        (_with(points=[]), "comparisons of numbers"),
        (_with(points=[{"raw": 1.1, "meter": 0}]), "comparisons of numbers"),
        (_with(meter_share=-1), "for the meter"),
        ("[" * 100_000, "as `calibrate` writes it"),
        (_with(reading="call"), "one of control_v"),
        (_with(gain=3.0), "a gain of"),
        (_with(gain=0.0), "a gain of"),
        (_with(offset=40.0), "an offset within"),
    ],
)
def test_a_file_that_cannot_be_used_stops_the_program(tmp_path: Path, text: str, says: str) -> None:
    """A wrong calibration is worse than none: the file is named, and what it should hold; so are good ones, read."""
    path = tmp_path / "calibration.json"
    path.write_text(text)
    with pytest.raises(SiteError, match=says) as caught:
        calibration.load(path)
    assert str(path) in str(caught.value)
    path.write_text(_with())
    assert len(calibration.load(path)) == 1


def test_the_angle_of_a_power_reading_is_bounded_and_found() -> None:
    """A resistive load gives the lag as it is; a motor's is the angle beyond its own, arccos(W / VA). A factor that no
    load has, or a lag of more than the limit, is refused."""
    most = limits.CALIBRATION.lag_most_deg.value
    load = CalibrationPoint(raw=1000.0, meter=1000.0, apparent=1000.0, displacement_deg=most)
    assert calibrate("compressor_w", [load], by="x").offset == pytest.approx(most)
    motor = CalibrationPoint(raw=500.0, meter=500.0, apparent=1000.0, displacement_deg=63.0)
    assert calibrate("compressor_w", [motor], by="x").offset == pytest.approx(3.0)
    for wrong in (
        msgspec.structs.replace(load, displacement_deg=most + 0.1),
        msgspec.structs.replace(load, meter=1100.0),
        msgspec.structs.replace(load, apparent=0.0),
        msgspec.structs.replace(motor, meter=0.0),
    ):
        with pytest.raises(CommandError, match="calibrate compressor_w"):
            calibrate("compressor_w", [wrong], by="x")


# ---------------------------------------------------------------- the bounds, from both sides


@pytest.mark.parametrize(
    ("reading", "inside", "outside"),
    [
        ("fan_a", [(1.0, 1.199)], [(1.0, 1.201)]),  # a fifth, up or down
        ("fan_a", [(1.199, 1.0)], [(1.201, 1.0)]),
        ("fan_a", [(0.1, 0.1)], [(0.099, 0.1)]),
        ("fan_a", [(0.1, 0.1)], [(0.1, 0.099)]),
        ("line_v", [(999_999.0, 999_999.0)], [(1e6, 1e6)]),
        # ratios 1 and r: gain (1 + r) / (1 + r^2); 0.92 leaves 4.3 % between them, 0.88 leaves 6.0 %
        ("coil_a", [(1.0, 1.0), (0.92, 1.0)], [(1.0, 1.0), (0.88, 1.0)]),
        ("outdoor_c", [(30.0, 35.0)], [(30.0, 35.1)]),
        ("outdoor_c", [(35.0, 30.0)], [(35.1, 30.0)]),
        ("outdoor_c", [(30.0, 31.0), (30.0, 29.0)], [(30.0, 31.1), (30.0, 29.0)]),
    ],
)
def test_comparisons_are_taken_up_to_their_bounds(
    reading: str, inside: list[tuple[float, float]], outside: list[tuple[float, float]]
) -> None:
    """And not a step beyond: a gain of a fifth, 5 % between points, 5 K, 1 K between points."""
    assert calibrate(reading, points(*inside), by="x").points == tuple(points(*inside))
    with pytest.raises(CommandError):
        calibrate(reading, points(*outside), by="x")


@pytest.mark.parametrize(
    ("pair", "hint"),
    [
        ((1.0, 2.0), "a ratio near 2 is that of passes through the transformer: 1 of 2"),
        ((1.0, 2.2), "a ratio near 2 is that of passes through the transformer: 1 of 2"),
        ((1.0, 2.3), "farther off, look at the transformer's ratio"),
        ((1.0, 5.0), "a ratio near 5 is that of passes through the transformer: 1 of 5"),
        ((2.0, 1.0), "a ratio near 0.5 is that of passes through the transformer: 2 instead of 1"),
        ((3.0, 1.0), "a ratio near 0.33 is that of passes through the transformer: 3 instead of 1"),
        ((1.0, 4.0), "farther off, look at the transformer's ratio"),
    ],
)
def test_a_wrong_number_of_passes_is_recognised_within_twelve_per_cent(pair: tuple[float, float], hint: str) -> None:
    """Whoever led the conductor through twice is told that, and not to buy another transformer."""
    with pytest.raises(CommandError, match=hint):
        calibrate("fan_a", points(pair), by="x")


@pytest.mark.parametrize(
    ("watts", "seen_deg", "offset"),
    [
        (1050.0, 3.0, 3.0),
        (990.0, 3.0, 3.0),  # resistive
        (970.0, 20.0, 20.0 - 14.07),  # a motor: arccos 0.97
        (500.0, 48.01, -11.99),
        (1051.0, 3.0, None),
        (989.0, 3.0, None),
        (971.0, 20.0, None),
        (500.0, 47.9, None),
    ],
)
def test_a_power_factor_that_tells_no_angle_is_refused(watts: float, seen_deg: float, offset: float | None) -> None:
    """Between 0.97 and 0.99; and no more than 12 degrees either way."""
    point = CalibrationPoint(raw=watts, meter=watts, apparent=1000.0, displacement_deg=seen_deg)
    if offset is None:
        with pytest.raises(CommandError):
            calibrate("compressor_w", [point], by="x")
    else:
        assert calibrate("compressor_w", [point, point], by="x").offset == pytest.approx(offset, abs=0.01)


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        ({"gain": 1.2}, {"gain": 1.21}),
        ({"gain": 0.834}, {"gain": 0.83}),
        ({"reading": "outdoor_c", "offset": -5.0}, {"reading": "outdoor_c", "offset": -5.1}),
        ({"reading": "compressor_w", "offset": 12.0}, {"reading": "compressor_w", "offset": 12.1}),
        ({"meter_share": 5.0}, {"meter_share": 5.1}),
        ({"meter_share": 0.0}, {"meter_share": -0.01}),
        ({"points": [{"raw": 0.1, "meter": 0.1}]}, {"points": [{"raw": 0.09, "meter": 0.1}]}),
        ({"points": [{"raw": 9e5, "meter": 1.0}]}, {"points": [{"raw": 1e6, "meter": 1.0}]}),
        (
            {"reading": "outdoor_c", "points": [{"raw": -40.0, "meter": -40.0}]},
            {"reading": "outdoor_c", "points": [{"raw": -90.1, "meter": -40.0}]},
        ),
    ],
)
def test_a_kept_calibration_is_read_up_to_its_bounds(
    tmp_path: Path, inside: dict[str, Any], outside: dict[str, Any]
) -> None:
    """What somebody wrote into the file by hand is held to what `calibrate` would have given."""
    path = tmp_path / "calibration.json"
    path.write_text(_with(**inside))
    assert len(calibration.load(path)) == 1
    path.write_text(_with(**outside))
    with pytest.raises(SiteError):
        calibration.load(path)


@pytest.mark.parametrize(
    ("reading", "share", "line"),
    [
        ("line_v", 0.01, "line_v: gain 1.0500 (100 V read, 105 V on the meter)"),
        ("fan_a", 0.03, "fan_a: gain 1.0500 (100 A read, 105 A on the meter)"),
        ("outdoor_c", 0.5, "outdoor_c: offset +5.00 K (100 °C read, 105 °C on the meter)"),
    ],
)
def test_a_calibration_in_one_line_with_the_usual_meter_of_its_unit(reading: str, share: float, line: str) -> None:
    """Its own error, where nobody states it; its name and the date, where they are known."""
    plain = calibrate(reading, points((100.0, 105.0)), by="R. Vale")
    assert (plain.meter_share, plain.at) == (share, "")
    assert calibration.one_line(plain) == f"{line}; meter not named, R. Vale, date not known"
    dated = calibrate(reading, points((100.0, 105.0)), by="R. Vale", meter="clamp", meter_share=0.2, wall_s=NOON_S)
    assert (dated.meter_share, dated.at) == (0.2, "2026-07-14T18:00:00Z")
    assert calibration.one_line(dated) == f"{line}; clamp, R. Vale, 2026-07-14T18:00:00Z"


def test_a_comparison_that_is_none_of_power_has_no_volt_amps_and_no_lag() -> None:
    """As those were kept that were made before there was power."""
    point = msgspec.json.decode(b'{"raw": 9.1, "meter": 9.0}', type=CalibrationPoint)
    assert (point.apparent, point.displacement_deg) == (0.0, 0.0)
