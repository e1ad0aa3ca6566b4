"""The stand-in for the C library's calls on files (shim.c), as seen from Python: built, and told what to do."""

from __future__ import annotations

import ctypes
import subprocess
from functools import cache
from pathlib import Path
from typing import Any


def build(folder: Path) -> Path:
    """Make it in a folder, to be named in LD_PRELOAD. Raises OSError where there is no compiler."""
    made = folder / "shim.so"
    source = Path(__file__).with_suffix(".c")
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", str(made), str(source), "-ldl", "-pthread"], check=True)
    return made


@cache
def _library() -> Any:
    library = ctypes.CDLL(None)
    if not hasattr(library, "shim_set"):
        return None
    library.shim_taken.restype = ctypes.c_size_t
    return library


def loaded() -> bool:
    """Whether this process was started with it."""
    return _library() is not None


def rule(folder: Path, rule: str, *, record: bool = False) -> None:
    """Give files below a folder a rule (see shim.c; "" for none); `record` what is done to them. Raises RuntimeError
    where this process was started without it."""
    if not loaded():
        raise RuntimeError("this process has no stand-in for the disk: start it by `python -m tests.simulation.many`")
    _library().shim_set(str(folder).encode(), rule.encode(), int(record))


def taken() -> bytes:
    """The record since it was last taken."""
    data = ctypes.POINTER(ctypes.c_char)()
    size = _library().shim_taken(ctypes.byref(data))
    return data[:size] if size else b""  # type: ignore[return-value]
