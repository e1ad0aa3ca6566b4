"""The page's own limits on both sides of each border."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.web import view_setup
from condenser_monitor.web.access import Access, SignInTries


@pytest.mark.parametrize(("password", "taken"), [("xyzw1234", False), ("correct horse", True)])
def test_a_password_of_a_word_is_refused_and_one_of_two_words_taken(tmp_path: Path, password: str, taken: bool) -> None:
    """WEB.password_least: of a single factor NIST SP 800-63B-4 asks 15; eight were its minimum before."""
    access = Access(tmp_path / "access.json")
    if taken:
        access.set_password(password)
    else:
        with pytest.raises(CommandError):
            access.set_password(password)


@pytest.mark.parametrize(
    ("number", "amps", "fits"),
    [
        ("observed_low", 5.8, True),  # 0.45 of rated load, on a mild day
        ("observed_low", 3.2, False),  # one of two leads, or another nameplate
        ("observed_high", 14.0, True),
        ("observed_high", 23.0, False),  # NEC 440.52: no protector carries 1.56 of rated load for long
    ],
)
def test_a_nameplate_is_held_to_what_the_unit_draws(
    monkeypatch: pytest.MonkeyPatch, number: str, amps: float, fits: bool
) -> None:
    """`number`, of WEB."""
    monkeypatch.setattr(view_setup, "drawn", lambda _: amps)
    monkeypatch.setattr(view_setup, "plain", lambda key, **_: key)
    found: Any = SimpleNamespace(
        wall=lambda: 1e9,
        settings=Settings(unit=Unit(compressor_rla_a=12.8)),
        history=SimpleNamespace(cycles=lambda *_: ()),
    )
    assert (view_setup._observed(found) == "observed-fits") is fits, number


@pytest.mark.parametrize(("wrong", "waits"), [(3, False), (8, True)])
def test_a_few_slips_of_the_fingers_lock_nobody_out(wrong: int, waits: bool) -> None:
    """WEB.login_tries."""
    tries = SignInTries(lambda: 1000.0)
    for _ in range(wrong):
        tries.wrong("192.0.2.1")
    assert (tries.wait_s("192.0.2.1") > 0.0) is waits
