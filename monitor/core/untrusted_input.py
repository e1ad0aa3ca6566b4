"""(edge) What strangers hand in, read with an end: files whole but bounded, TOML and JSON with one kind of refusal.

A file may be a device that never ends, and a text may be nested so deep, or hold a number so long, that the reader
itself gives up. Here each of these becomes an OSError or a ValueError in words, and never anything else.
"""

from __future__ import annotations

import errno
import os
import tomllib
from collections.abc import Collection
from pathlib import Path
from typing import Annotated, Any, TypeVar

import msgspec

from condenser_monitor.monitor.core.errors import CONTROLS, CommandError

_Kind = TypeVar("_Kind")
Digest = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]  # SHA-256, or a key as long
WallSeconds = Annotated[float, msgspec.Meta(ge=0, le=2e11)]  # within the years that a calendar can show
SETTINGS_MOST = 1 << 18  # bytes; a site file has two thousand
KEPT_MOST = 64 << 20  # bytes; what this program wrote itself: years of calibrations and tokens are far below
_NAME_MOST = 64  # characters
_DEEP = "nested too deep"
_DOTS_MOST = 200  # in a line of TOML: time and memory that tomllib takes for a key grow with the square of its parts


def read_bytes(path: str | Path, most: int = SETTINGS_MOST) -> bytes:
    """A whole file. Raises OSError, also for more than `most` bytes and for a name that no file can have."""
    try:
        with Path(path).open("rb") as file:
            data = file.read(most + 1)
    except ValueError as error:  # a NUL in the name
        raise OSError(errno.EINVAL, str(error)) from None
    if len(data) > most:
        raise OSError(errno.EFBIG, f"more than {most} bytes")
    return data


def read_text(path: str | Path, most: int = SETTINGS_MOST) -> str:
    """A whole file in UTF-8. Raises OSError as `read_bytes`, UnicodeDecodeError."""
    return read_bytes(path, most).decode("utf-8")


def check_name(place: str, name: str, taken: Collection[str]) -> None:
    """Raise CommandError for what is no name for something a person makes and will want to find again."""
    if not name.strip() or len(name) > _NAME_MOST or CONTROLS.search(name) or name in taken:
        raise CommandError(place, name[:80], f"1 to {_NAME_MOST} characters, none a control, not in use")


def why(error: Exception) -> str:
    """An OSError or ValueError in words, without number and name of the file, which the place names already."""
    return (error.strerror or os.strerror(error.errno or 0)) if isinstance(error, OSError) else str(error)


def from_toml(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises ValueError."""
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > _DOTS_MOST and not line.lstrip().startswith("#"):
            raise ValueError(f"{line.count('.')} dots (at line {number}); at most {_DOTS_MOST} in one")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError(_DEEP) from None
    except tomllib.TOMLDecodeError:
        raise
    except ValueError:  # the interpreter's own limit
        raise ValueError("a whole number of too many digits") from None


def from_json(data: bytes | str, kind: type[_Kind]) -> _Kind:
    """A record of JSON. Raises ValueError (msgspec's and Unicode's are)."""
    try:
        return msgspec.json.decode(data, type=kind)
    except RecursionError:
        raise ValueError(_DEEP) from None
