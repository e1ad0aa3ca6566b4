"""How much of the long tests is played: a part of them, or all with WHOLE=1 (nightly).

With CI=true a missing service is a failure instead of a skip; that is FULL.
"""

from __future__ import annotations

import os

import pytest

FULL = bool(os.environ.get("CI"))
WHOLE = bool(os.environ.get("WHOLE"))
whole_only = pytest.mark.skipif(not WHOLE, reason="a long one, played with WHOLE=1")


def sized(small: int, full: int) -> int:
    """Return the number that is played here."""
    return full if WHOLE else small
