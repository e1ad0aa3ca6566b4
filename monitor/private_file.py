"""(edge) A small file that only its owner may read, written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path


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
