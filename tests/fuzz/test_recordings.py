"""Recordings (CSV): rows of every kind and a good one with bytes changed, through reader and engine; files without end,
in a process of little memory."""

from __future__ import annotations

import resource
import subprocess
import sys
from math import isfinite
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import RecordingError, ScanError
from condenser_monitor.monitor.core.readings import NUMBERS, READINGS
from condenser_monitor.monitor.core.records import (
    Change,
    Scan,
)
from condenser_monitor.monitor.recording.replay import Replay
from condenser_monitor.monitor.terminal.text import change_line
from tests.fuzz.damage import ODD_NUMBERS, ODD_TEXTS, damaged
from tests.fuzz.refusals import (
    LINE_MOST,
    fuzzed,
    looked_at,
    soon,
)

_GOOD = (
    b"# start: 2026-07-14T13:00:00-05:00\nt_s,call,supply,load,compressor_a,fan_a,control_v,outdoor_c\n"
    b'0,0,1,0,0,0,0.5,31\n10,1,1,0,0,0,26.1,31\n# start-transient: {"t_s":12.5,"duration_s":0.2,"peak_a":60.5,'
    b'"settled_a":9.5,"rate_hz":800.0}\n20,1,1,1,9.5,1.1,26,31\n30,1,1,0,,,26,31\n50,1,1,0,0,0,26,31.5\n'
)
_CELL = st.one_of(
    st.sampled_from(
        ["", "0", "1", " 1 ", "26.1", "9.5", "-1", "nan", "inf", "1e999", "0x1", "1_0", '"1"', '"', "#", "\t"]
    ),
    ODD_NUMBERS.map(str),
    ODD_TEXTS,
)
_START = st.sampled_from(
    [
        *("", "# start: 9999-12-31T23:59:59-23:59\n", "# start: 0001-01-01T00:00:00+23:59\n", "# start: soon\n"),
        *("# start: 2026-11-01T01:30:00-05:00\n", "# start: 1969-12-31T23:59:60Z\n", "# start: " + "9" * 5000 + "\n"),
    ]
)
_TRANSIENT = st.fixed_dictionaries(
    {"t_s": st.floats(), "peak_a": st.floats(), "rate_hz": st.floats()},
    optional={"duration_s": st.none() | st.floats(), "settled_a": st.none() | st.floats(), "more": st.text(max_size=3)},
)


@st.composite
def recordings(draw: st.DrawFn) -> bytes:
    """A header of our own names, then rows whose time mostly rises and whose cells are anything."""
    names = draw(st.lists(st.sampled_from(sorted(READINGS)), unique=True, min_size=1, max_size=6))
    lines = [draw(_START), ",".join(["t_s", *names])]
    t_s = 0.0
    for _ in range(draw(st.integers(0, 12))):
        t_s += draw(st.sampled_from([0.1, 1.0, 15.0, 3600.0, 1e7, 1e11, -5.0]))
        cells = draw(st.lists(_CELL, min_size=len(names), max_size=len(names)))
        lines.append(",".join([f"{t_s:.10g}", *cells]) if draw(st.integers(0, 9)) else draw(ODD_TEXTS))
        if not draw(st.integers(0, 4)):
            lines.append(f"# start-transient: {msgspec.json.encode(draw(_TRANSIENT)).decode()}")
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def _judged(path: Path, *, strict: bool) -> None:
    """What `replay` does with a file: every scan is one that can be, every change can be told."""
    try:
        replay = Replay(path, Settings(), strict=strict)
        for event in replay:
            if isinstance(event, Change):
                assert msgspec.json.decode(msgspec.json.encode(event), type=Change) == event
                assert change_line(event).isprintable()
    except RecordingError as error:
        looked_at(error)
        return
    for row in replay.reader.refused:
        assert len(row.reason) < LINE_MOST, row
        assert row.reason.isprintable(), row
    assert replay.reader.bad == len(replay.reader.refused)
    assert not (strict and replay.reader.bad > 1)


@fuzzed(150)
@given(data=st.one_of(recordings(), damaged(_GOOD)), strict=st.booleans())
def test_a_recording_is_judged_or_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes, strict: bool) -> None:
    """Rows of every kind, and a good recording with bytes changed: bad rows are refused one by one, the rest judged."""
    path = tmp_path_factory.getbasetemp() / "fuzzed.csv"
    path.write_bytes(data)
    with soon():
        _judged(path, strict=strict)


@fuzzed(100)
@given(values=st.dictionaries(st.sampled_from(NUMBERS), ODD_NUMBERS))
def test_no_scan_holds_a_number_that_cannot_be(values: dict[str, float]) -> None:
    """A scan is made or refused; made, each of its numbers is finite and no current is negative."""
    try:
        given: dict[str, Any] = dict(values)
        made = Scan(t_s=0.0, **given)
    except ScanError as error:
        return looked_at(error)
    for name, value in values.items():
        assert isfinite(value)
        assert value >= 0 or name == "outdoor_c"
        assert getattr(made, name) == value


_LONG = {
    "a-line-of-ten-megabytes": (b"t_s,call\n0,1\n" + b"9" * 10_000_000 + b"\n2,0\n", 1),
    "a-quoted-cell": (b't_s,call\n0,1\n"' + b"9" * 200_000 + b'",1\n2,0\n', 1),
    "a-deep-transient": (b"t_s,call\n0,1\n# start-transient: " + b"[" * 100_000 + b"\n2,0\n", 1),
    "bad-rows-without-number": (b"t_s,call\n0,1\n" + b"x,y\n" * 30_000 + b"2,0\n", 30_000),
}


@pytest.mark.parametrize(("data", "bad"), _LONG.values(), ids=_LONG)
def test_what_is_too_long_is_one_bad_row(tmp_path: Path, data: bytes, bad: int) -> None:
    """The rows before and after are read, the reasons stay short, and no more of them are kept than anybody reads."""
    path = tmp_path / "long.csv"
    path.write_bytes(data)
    replay = Replay(path, Settings())
    with soon():
        list(replay)
    assert (replay.reader.rows, replay.reader.bad) == (2, bad)
    assert len(replay.reader.refused) <= 10_000
    assert all(len(row.reason) < 300 for row in replay.reader.refused)


@pytest.mark.parametrize("where", ["", "t_s,call\n0,1\n"], ids=["from-the-start", "after-good-rows"])
def test_a_line_without_end_is_refused_in_little_memory(tmp_path: Path, where: str) -> None:
    """A gigabyte of zeros on a pipe, read by a process that may have 300 MB: refused by line, exit status 2."""
    feed = f"import os\nos.write(1, {where.encode()!r})\nwhile True: os.write(1, bytes(1 << 20))"
    with subprocess.Popen([sys.executable, "-c", feed], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as feeding:
        done = subprocess.run(
            [sys.executable, "-m", "condenser_monitor.monitor.cli", "replay", "/dev/stdin", "--json"],
            stdin=feeding.stdout,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (300 << 20, 300 << 20)),
        )
        feeding.kill()
    assert done.returncode == 2, done.stderr
    assert "a line without end" in done.stderr
