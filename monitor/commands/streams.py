"""(edge) Standard streams that are closed, full or of another encoding, and what is said of a fault of our own."""

from __future__ import annotations

import io
import os
import sys
import traceback
from contextlib import suppress

from condenser_monitor.monitor.core.errors import shown

_FRAMES = 6  # of the innermost calls, in what is said of a fault


def prepare() -> None:
    """Open what was closed, so that no file of ours takes its number; let no letter that the encoding lacks be a
    fault of output: it is shown as a question mark."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        stream = getattr(sys, name)
        if stream is None:
            # open as long as the program
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8", errors="replace"))  # noqa: SIM115
        elif mode == "w" and isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace" if name == "stdout" else "backslashreplace")


def give_up_output() -> None:
    """Say nothing more into an output that takes nothing: what is left in memory would fail again at the end."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def at_fault(error: Exception) -> str:
    """One line for an error that nobody foresaw: what it is, and the innermost calls, for a report."""
    frames = traceback.extract_tb(error.__traceback__)[-_FRAMES:]
    calls = " < ".join(f"{frame.filename.rpartition('/')[2]}:{frame.lineno}" for frame in reversed(frames))
    what = shown(f"{type(error).__name__}: {error}")
    return f"this is a fault of the program, please report it with this line: {what} ({calls})"
