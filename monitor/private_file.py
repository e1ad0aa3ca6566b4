"""(edge) A small file that only its owner may read, written whole or not at all; and reading a secret that somebody
else wrote, which must be as well kept.

A group may read a secret only where root has put it into a folder that is closed to all others: so a system gives
credentials to a service (systemd.exec(5), CREDENTIALS), and so `/etc/condenser-monitor` is made.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.errors import CondenserError


def write_private(place: Path, data: bytes) -> None:
    """Replace the file at `place`, mode 600, on the disk before it counts. Raises OSError and leaves the old one.

    What root writes is given to the folder's owner: else the service, which owns the folder, could not read it.
    """
    new = place.with_name(place.name + ".new")
    new.unlink(missing_ok=True)
    try:
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(data)
            if os.geteuid() == 0:
                owner = place.parent.stat()
                os.fchown(file.fileno(), owner.st_uid, owner.st_gid)
            file.flush()
            os.fsync(file.fileno())
        new.replace(place)
    except BaseException:
        new.unlink(missing_ok=True)
        raise


def read_private(
    path: str | Path,
    error: type[CondenserError],
    allowed: str,
    *,
    place: str = "",
    most: int = untrusted_input.SETTINGS_MOST,
) -> bytes:
    """A whole file that holds a secret; `place` is its path when not given.

    Raises `error` for one that cannot be read (`allowed` says what it is to be), and for one that others than its owner
    may read, with the command that mends it.
    """
    place = place or str(path)
    try:
        with Path(path).open("rb") as file:
            open_to = exposed(Path(path), os.fstat(file.fileno()))
            data = b"" if open_to else file.read(most + 1)
    except (OSError, ValueError) as found:  # ValueError: a NUL in the name
        raise error(place, untrusted_input.why(found), allowed) from None
    if open_to:
        raise error(place, open_to, f"mode 600 for a secret: chmod 600 {path}")
    if len(data) > most:
        raise error(place, f"more than {most} bytes", allowed)
    return data


def exposed(path: Path, found: os.stat_result) -> str:
    """Who else may read or write a file of a secret, in words; "" when nobody may."""
    mode = stat.S_IMODE(found.st_mode)
    if mode & 0o007:
        return f"mode {mode:03o}, which everybody may {_may(mode)}"
    handed_out = not mode & 0o030 and found.st_uid == 0 and not path.resolve().parent.stat().st_mode & 0o007
    if mode & 0o070 and not handed_out:
        return f"mode {mode:03o}, which its group may {_may(mode >> 3)}"
    return ""


def _may(bits: int) -> str:
    return "read" if bits & 4 else "change" if bits & 2 else "run"
