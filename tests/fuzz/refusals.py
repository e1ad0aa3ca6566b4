"""What each fuzz test holds: no errors but those of core/errors.py, and a refusal that names place, given, allowed.

`FUZZ=50` multiplies the number of examples (a nightly size; 1 with WHOLE=1, a fifth elsewhere); `FUZZ_SEED=7` plays a
given seed. Without a seed every run draws the same examples, and a failure prints its example.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from hypothesis import HealthCheck, seed, settings

from condenser_monitor.monitor.core.errors import CondenserError
from tests.size import WHOLE

SIZE = float(os.environ.get("FUZZ") or (1 if WHOLE else 0.2))
LINE_MOST = 4000  # characters of a refusal: monitor/core/errors.py bounds each of its three parts
_SEED = os.environ.get("FUZZ_SEED")


def fuzzed(examples: int) -> Callable[[Any], Any]:
    """The settings of a fuzz test with its number of examples at size 1."""
    kept = settings(
        max_examples=max(5, round(examples * SIZE)),
        deadline=None,
        database=None,
        derandomize=_SEED is None and SIZE <= 1,
        print_blob=True,
        suppress_health_check=list(HealthCheck),
    )
    return kept if _SEED is None else lambda test: seed(int(_SEED))(kept(test))


def looked_at(error: CondenserError) -> None:
    """A refusal has all three parts, on one line of bounded length that a terminal only shows."""
    said = str(error)
    assert error.place.strip(), said
    assert error.allowed.strip(), said
    assert len(said) < LINE_MOST, len(said)
    assert said.isprintable(), repr(said)
    assert "Traceback" not in said


def tried(action: Callable[[], Any], kind: type[CondenserError] = CondenserError) -> Any:
    """What an action gives; None where it refused by an error of the kind. Any other error goes on."""
    try:
        return action()
    except kind as error:
        looked_at(error)
        return None


def refusal(action: Callable[[], Any], kind: type[CondenserError] = CondenserError) -> str:
    """What an action was refused with, in words; "" where it was not."""
    try:
        action()
    except kind as error:
        looked_at(error)
        return str(error)
    return ""


@contextmanager
def soon(seconds: int = 20) -> Iterator[None]:
    """An end to what hangs: TimeoutError after `seconds`, far more than anything inside takes."""

    def end(*_: object) -> None:
        raise TimeoutError(f"not done within {seconds} s")

    was = signal.signal(signal.SIGALRM, end)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, was)
