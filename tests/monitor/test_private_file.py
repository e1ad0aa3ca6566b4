"""Small secret files: readable by their owner only, whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from condenser_monitor.monitor.private_file import write_private


def test_the_file_is_its_owners_alone_whatever_was_there_before(tmp_path: Path) -> None:
    """Mode 600 also where the old file, or one left behind by a broken write, was open to all."""
    place = tmp_path / "secret"
    for name in ("secret", "secret.new"):
        (tmp_path / name).write_text("old")
        (tmp_path / name).chmod(0o644)
    write_private(place, b"new")
    assert place.read_bytes() == b"new"
    assert stat.S_IMODE(place.stat().st_mode) == 0o600
    assert [one.name for one in tmp_path.iterdir()] == ["secret"]


def test_a_write_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk: the old content stands, and nothing is left behind."""
    place = tmp_path / "secret"
    write_private(place, b"old")

    def full(_: int) -> None:
        raise OSError(28, "no space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="no space"):
        write_private(place, b"new")
    assert place.read_bytes() == b"old"
    assert [one.name for one in tmp_path.iterdir()] == ["secret"]


def test_what_root_writes_belongs_to_the_owner_of_the_folder(tmp_path: Path) -> None:
    """A code made with sudo must be readable by the service."""
    if os.geteuid() != 0:
        pytest.skip("only root gives files away")
    os.chown(tmp_path, 12345, 12346)
    write_private(tmp_path / "secret", b"x")
    found = (tmp_path / "secret").stat()
    assert (found.st_uid, found.st_gid) == (12345, 12346)
