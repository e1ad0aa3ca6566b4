"""Share codes: given once, kept as a hash, read out loud, ended by time or by the owner."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from condenser_monitor.monitor.core.errors import CommandError, HistoryError
from condenser_monitor.monitor.report.share import Shares

NOW = 1_784_052_000.0
DAY = 86400.0


@pytest.fixture
def shares(tmp_path: Path) -> Shares:
    return Shares(tmp_path / "history.db")


def test_code_opens_what_it_was_made_for_however_it_is_typed(shares: Shares) -> None:
    """Lower case, blanks and missing hyphens are no matter; another process sees it too."""
    code = shares.make("Sam", wall_s=NOW, days=5)
    for typed in (code, code.lower(), code.replace("-", ""), f"  {code.replace('-', ' ')} "):
        found = Shares(shares._path.with_name("history.db")).check(typed, wall_s=NOW + 1)
        assert found is not None
        assert (found.name, found.days) == ("Sam", 5)


@pytest.mark.parametrize("typed", ["", "AAAA-AAAA-AAAA", "x" * 10000, "%00"])
def test_wrong_code_opens_nothing(shares: Shares, typed: str) -> None:
    """Also where no code was ever given out."""
    assert shares.check(typed, wall_s=NOW) is None
    shares.make("Sam", wall_s=NOW)
    assert shares.check(typed, wall_s=NOW) is None


def test_code_ends_by_itself_and_at_once_when_revoked(shares: Shares) -> None:
    """Seven days by default; revoked codes are gone in the next moment; a clock set back gives no longer life."""
    code = shares.make("Sam", wall_s=NOW)
    assert shares.check(code, wall_s=NOW + 7 * DAY - 1) is not None
    assert shares.check(code, wall_s=NOW + 7 * DAY) is None
    assert shares.check(code, wall_s=NOW - 30 * DAY) is None
    assert shares.revoke("Sam", wall_s=NOW + 1)
    assert shares.check(code, wall_s=NOW + 2) is None
    assert not shares.revoke("Sam", wall_s=NOW + 3)


def test_file_gives_no_code_away(shares: Shares) -> None:
    """Mode 600, and neither the code nor its letters are in it."""
    code = shares.make("Sam", wall_s=NOW)
    kept = shares._path.read_text()
    assert stat.S_IMODE(shares._path.stat().st_mode) == 0o600
    assert code.replace("-", "") not in kept
    assert code[:4] not in kept


def test_codes_differ_and_hold_no_letter_that_is_taken_for_another(shares: Shares) -> None:
    """Twelve letters of an alphabet without 0, 1, I, L, O and U."""
    codes = {shares.make(f"n{place}", wall_s=NOW) for place in range(20)}
    assert len(codes) == 20
    assert not set("".join(codes)) & set("01ILOU")
    assert {len(code.replace("-", "")) for code in codes} == {12}


def test_what_cannot_be_is_refused(shares: Shares, tmp_path: Path) -> None:
    """A name in use, an empty one, too many codes, days and validity out of bounds; a name is free again when ended."""
    shares.make("Sam", wall_s=NOW)
    for name in ("Sam", " ", "x" * 65):
        with pytest.raises(CommandError):
            shares.make(name, wall_s=NOW)
    assert shares.make("Sam", wall_s=NOW + 8 * DAY)
    with pytest.raises(CommandError, match="days"):
        shares.make("b", wall_s=NOW, days=0)
    with pytest.raises(CommandError, match="valid"):
        shares.make("b", wall_s=NOW, valid_days=1000)
    for place in range(19):
        shares.make(f"n{place}", wall_s=NOW + 8 * DAY)
    with pytest.raises(CommandError, match="revoke one"):
        shares.make("one more", wall_s=NOW + 8 * DAY)


def test_file_that_cannot_be_read_opens_nothing(shares: Shares) -> None:
    """Garbage is an error, not an open door."""
    shares._path.write_text("{")
    with pytest.raises(HistoryError):
        shares.check("AAAA-AAAA-AAAA", wall_s=NOW)
    with pytest.raises(HistoryError):
        Shares(Path("/proc/none/history.db")).make("Sam", wall_s=NOW)
