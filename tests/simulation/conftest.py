"""Where storms are played."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest


@pytest.fixture
def memory_path() -> Iterator[Path]:
    """A directory in memory where there is one: storms commit thousands of times, and cuts are played on copies."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(prefix="storm-", dir=memory if os.access(memory, os.W_OK) else None) as name:
        yield Path(name)
