"""How much of the long tests is played: a part of them on a developer's machine, all of them with CI=true."""

from __future__ import annotations

import os

import pytest

FULL = bool(os.environ.get("CI"))
whole_only = pytest.mark.skipif(not FULL, reason="a long one, played with CI=true")


def sized(small: int, full: int) -> int:
    """Return the number that is played here."""
    return full if FULL else small
