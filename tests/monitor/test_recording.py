"""Recordings (contract.md, Recording): what is written is read again; a bad row is refused with line and reason."""

from __future__ import annotations

import io
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from condenser_monitor.monitor.core.config import SensorSettings
from condenser_monitor.monitor.core.errors import RecordingError
from condenser_monitor.monitor.core.readings import FLAGS, NUMBERS, READINGS
from condenser_monitor.monitor.core.records import (
    AlertChange,
    Change,
    Scan,
    StartTransient,
)
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.recording.csv_file import Reader, RecordingWriter
from condenser_monitor.monitor.recording.replay import Replay
from tests.monitor.units import ALL, REST, RUN, SETTINGS, but, scans

HEAD = "t_s,call,compressor_a\n"


def _file(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "r.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def _read(tmp_path: Path, text: str | bytes, **how: bool) -> tuple[list[Scan | StartTransient], Reader]:
    reader = Reader(_file(tmp_path, text), **how)
    return list(reader), reader


def test_empty_cell_is_missing_and_never_zero(tmp_path: Path) -> None:
    """An empty cell gives None; columns may stand in any order."""
    scans, reader = _read(tmp_path, "compressor_a,t_s,call\n,0,1\n9.5,1,\n")
    assert scans == [Scan(t_s=0.0, call=True), Scan(t_s=1.0, compressor_a=9.5)]
    assert reader.columns == ("call", "compressor_a")


def test_start_comment_gives_the_wall_clock(tmp_path: Path) -> None:
    """RFC 3339 with offset: 2026-07-14T13:00:00-05:00 is 18:00 UTC; comments elsewhere are skipped."""
    scans, _ = _read(tmp_path, f"# start: 2026-07-14T13:00:00-05:00\n{HEAD}# a note, with, commas\n2.5,1,0\n")
    assert scans == [Scan(t_s=2.5, wall_s=1784052002.5, call=True, compressor_a=0.0)]


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("1,1", "2 cells; the header has 3"),
        ("1,1,2,3", "4 cells; the header has 3"),
        ("1,1,abc", "compressor_a is 'abc', not a number"),
        ("x,1,2", "t_s is 'x', not a number"),
        ("0,1,2", "it must rise"),
        ("-5,1,2", "it must rise"),
        ("nan,1,2", "it must rise"),
        ("inf,1,2", "it must rise"),
        ("1,1,-0.5", "compressor_a: got -0.5; allowed: a number from 0 up"),
        ("1,1,nan", "compressor_a: got nan"),
        ("1,1,inf", "compressor_a: got inf"),
        ("1,2,3", "call is '2'; a flag is 0 or 1"),
        ("1,0.5,3", "call is '0.5'; a flag is 0 or 1"),
        ("1,yes,3", "call is 'yes', not a number"),
        (",1,3", "t_s is '', not a number"),
    ],
)
def test_bad_row_is_refused_with_line_and_reason_and_the_rest_is_read(tmp_path: Path, row: str, reason: str) -> None:
    """The rows before and after are read as if the bad one were not there."""
    scans, reader = _read(tmp_path, f"{HEAD}0,0,0\n{row}\n2,1,9\n")
    assert scans == [Scan(t_s=0.0, call=False, compressor_a=0.0), Scan(t_s=2.0, call=True, compressor_a=9.0)]
    assert [refused.line for refused in reader.refused] == [3]
    assert reason in reader.refused[0].reason
    strict, reader = _read(tmp_path, f"{HEAD}0,0,0\n{row}\n2,1,9\n", strict=True)
    assert len(strict) == 1
    assert len(reader.refused) == 1


def test_power_of_a_clamp_put_on_the_other_way_round_is_read_by_its_size(tmp_path: Path) -> None:
    """As the boards give it (tests/hardware/test_power.py): a motor takes power whichever way round its transformer
    sits, so the sign says nothing of it (common practice with clamps). A current by the same text stays refused, and so
    is a power that cannot be."""
    head = "t_s,compressor_a,compressor_w\n"
    scans, reader = _read(tmp_path, f"{head}0,9.5,-2100\n1,9.5,2100\n2,-2100,9\n3,9.5,-inf\n4,9.5,-2e6\n5,0,-0\n")
    assert scans == [
        Scan(t_s=0.0, compressor_a=9.5, compressor_w=2100.0),
        Scan(t_s=1.0, compressor_a=9.5, compressor_w=2100.0),
        Scan(t_s=5.0, compressor_a=0.0, compressor_w=0.0),
    ]
    assert [refused.line for refused in reader.refused] == [4, 5, 6]
    assert "compressor_a: got -2100" in reader.refused[0].reason


def test_bytes_that_are_no_text_spoil_only_their_row(tmp_path: Path) -> None:
    """A row of broken bytes is refused; a byte order mark and CRLF are no trouble."""
    scans, reader = _read(tmp_path, b"\xef\xbb\xbft_s,call\r\n0,1\r\n1,\xff\xfe\r\n\r\n2,0\r\n")
    assert [scan.t_s for scan in scans] == [0.0, 2.0]
    assert [refused.line for refused in reader.refused] == [3]


@pytest.mark.parametrize(
    ("text", "allowed"),
    [
        ("", "a header row"),
        ("# only a comment\n", "a header row"),
        ("call,load\n0,1\n", "the column t_s"),
        ("t_s,call,amps\n", "any of call, control_v"),
        ("t_s,call,call\n", "each column once"),
        ("# start: yesterday\nt_s,call\n", "RFC 3339"),
        ("# start: 2026-07-14T13:00:00\nt_s,call\n", "RFC 3339"),
    ],
)
def test_header_that_cannot_be_used_is_an_error_that_says_what_is_allowed(
    tmp_path: Path, text: str, allowed: str
) -> None:
    """Names the file, what was given and what is allowed."""
    with pytest.raises(RecordingError, match=r"r\.csv") as caught:
        Reader(_file(tmp_path, text))
    assert allowed in caught.value.allowed


def test_missing_file_is_an_error(tmp_path: Path) -> None:
    """A file that is not there is named."""
    with pytest.raises(RecordingError, match="nowhere"):
        Reader(tmp_path / "nowhere.csv")


def _scan_values() -> st.SearchStrategy[dict[str, float | bool | None]]:
    numbers = st.none() | st.integers(0, 200_000).map(lambda n: n / 1000)
    outdoor = st.none() | st.integers(-40_000, 60_000).map(lambda n: n / 1000)
    flags = dict.fromkeys(FLAGS, st.none() | st.booleans())
    return st.fixed_dictionaries(
        {**flags, **{name: outdoor if READINGS[name].unit == "°C" else numbers for name in NUMBERS}}
    )


@given(st.lists(st.tuples(st.integers(1, 100_000), _scan_values()), max_size=20), st.booleans())
def test_what_is_written_is_read_again(tmp_path_factory: pytest.TempPathFactory, rows: list[Any], start: bool) -> None:
    """Any scans, to the millisecond and the third decimal, with and without a wall clock, and captured starts."""
    wall_0 = 1784052000.0 if start else None
    t_s, items = 0.0, list[Scan | StartTransient]()
    for step, values in rows:
        t_s = round(t_s + step / 1000, 3)
        items.append(Scan(t_s=t_s, wall_s=None if wall_0 is None else wall_0 + t_s, **values))
        items.append(StartTransient(t_s=t_s, duration_s=0.21, peak_a=61.0, settled_a=9.0, rate_hz=860.0))
    file = io.StringIO()
    writer = RecordingWriter(file, tuple(READINGS), wall_0)
    for item in items:
        writer.write(item)
    path = tmp_path_factory.mktemp("w") / "w.csv"
    path.write_text(file.getvalue())
    reader = Reader(path)
    assert list(reader) == items
    assert reader.refused == []


@given(st.lists(st.integers(1, 900), min_size=1, max_size=20))
def test_changes_within_a_millisecond_are_all_read_again(steps_us: list[int]) -> None:
    """Contacts that bounce: each change is a row of its own, none is refused, and no time is off by a millisecond."""
    times = [sum(steps_us[: count + 1]) / 1e6 for count in range(len(steps_us))]
    file = io.StringIO()
    writer = RecordingWriter(file, ("load",))
    for place, t_s in enumerate(times):
        writer.write(Scan(t_s=t_s, load=place % 2 == 0))
    with NamedTemporaryFile("w", suffix=".csv") as kept:
        kept.write(file.getvalue())
        kept.flush()
        reader = Reader(kept.name)
        found = [item for item in reader if isinstance(item, Scan)]
    assert reader.refused == []
    assert [scan.load for scan in found] == [place % 2 == 0 for place in range(len(times))]
    assert all(abs(scan.t_s - t_s) < 0.001 for scan, t_s in zip(found, times, strict=True))


def test_a_column_of_a_sense_that_is_not_fitted_changes_nothing(tmp_path: Path) -> None:
    """The site has call, supply and clamp; the recording all. Neither what the others say nor what they lie is heard: a
    start that stalls, contacts that blink, a fan and a supply's volts that are dead."""
    fitted = ("call", "supply", "compressor_a")
    odd = but(RUN, compressor_a=60.0, load=False, coil_a=0.0, control_v=0.0, fan_a=0.0)
    parts = ((600, REST), (5, but(odd, load=True)), (5, odd), (600, but(RUN, load=False, fan_a=0.0)), (60, odd))
    told = []
    for columns in (ALL, fitted):
        path = tmp_path / f"{len(columns)}.csv"
        with path.open("w") as file:
            writer = RecordingWriter(file, columns)
            for scan in scans(*parts, (600, but(RUN, compressor_a=0.0)), (600, REST)):
                writer.write(scan)
        told.append(list(Replay(path, replace(SETTINGS, senses=SensorSettings(fitted=fitted)))))
    assert told[0] == told[1]
    assert any(isinstance(event, Change) for event in told[1])


def test_a_replay_gives_the_all_clears_that_are_due_by_time_alone(tmp_path: Path) -> None:
    """A pulled disconnect, back after a minute, and two quiet hours: the all-clear comes as it would live, with no
    change of a finding at its moment."""
    path = tmp_path / "quiet.csv"
    parts = ((60, REST), (60, but(REST, supply=False)), (7200, REST))
    with path.open("w") as file:
        writer = RecordingWriter(file, ALL)
        for scan in scans(*parts, every_s=5.0):
            writer.write(scan)
    replay = Replay(path, SETTINGS)
    told = [(event.t_s, event.tell) for event in replay if isinstance(event, AlertChange) and event.tell != "no"]
    live = Engine(SETTINGS, fitted=ALL)
    expected = []
    for scan in scans(*parts, every_s=5.0):
        for event in (*live.feed(scan), *live.tick(scan.t_s, None)):
            if isinstance(event, AlertChange) and event.tell != "no":
                expected.append((event.t_s, event.tell))
    assert told == expected
    assert [word for _, word in told] == ["alarm", "all-clear"]
