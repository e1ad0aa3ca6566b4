"""The table of suspects is total, and every row of it counts."""

from __future__ import annotations

import msgspec
import pytest

from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.readings import SYMBOLS
from condenser_monitor.monitor.diagnosis import unit_diagnosis
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.features import FEATURES
from condenser_monitor.monitor.diagnosis.predictions import HISTORY, SAYS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import (
    ROWS,
    SITUATIONS,
    clause,
    symbols_of,
)
from tests.monitor.suspect_cases import DELAYED, judge
from tests.size import long_one

CONTRACT_SUSPECTS = """\
coil-open coil-shorted armature-blocked contacts-not-making contacts-welded armature-stuck-in control-voltage-weak
control-fuse control-transformer float-switch pressure-switch control-wire-open loose-connection line-supply-off
time-delay run-capacitor compressor-overload-open compressor-locked compressor-winding-open fan-motor fan-capacitor
condenser-dirty charge-low charge-high thermostat-setting thermostat equipment-oversized monitor-sensing
compressor-grounded line-leg-lost start-device metering-device non-condensables defrost-board indoor-board door-switch
refrigerant-detector line-voltage control-wire-shorted compressor-not-pumping indoor-airflow load-shed fan-control
low-pressure-cutout high-pressure-cutout"""


def test_the_suspects_are_those_of_the_contract() -> None:
    """45 names, in the contract's order of kinds, none more."""
    assert sorted(SUSPECTS) == sorted(CONTRACT_SUSPECTS.split())


def test_every_finding_has_a_situation_and_every_suspect_a_row() -> None:
    """No finding without suspects, no suspect that nothing can bring about."""
    assert set(SITUATIONS) >= set(CATALOGUE)
    assert {row.suspect for rows in ROWS.values() for row in rows} == set(SUSPECTS)


def test_every_prediction_is_of_symbols_that_exist() -> None:
    """Each observable of each row exists and can say what is predicted."""
    for finding, rows in ROWS.items():
        for row in rows:
            for name, said in row.predicts.items():
                assert said.allowed <= set(symbols_of(name)), (finding, row.suspect, name)


def test_every_row_says_an_outcome_for_every_check_or_the_finding_declares_no_news() -> None:
    """A check is predicted by every row of a finding, or what it follows from is no news there."""
    for finding, rows in ROWS.items():
        for check in CHECKS.values():
            silent = [row.suspect for row in rows if check.name not in row.predicts]
            if not silent:
                continue
            sense = check.same_as[0] if check.same_as else ""
            no_news = not check.news or check.sound is None
            assert no_news, (finding, check.name, silent)
            unsaid = {row.suspect for row in rows if sense and sense not in row.predicts}
            assert not sense or set(silent) <= unsaid, (finding, check.name)


def test_every_sense_that_a_finding_speaks_of_is_predicted_by_all_its_rows_but_far_fetched_ones() -> None:
    """What the base says, every usual row says too; only rows thought of on a mark may unsay it."""
    for finding, situation in SITUATIONS.items():
        for cause, row in zip(situation.causes, ROWS[finding], strict=True):
            if not cause.marks:
                assert set(situation.base) <= set(row.predicts), (finding, row.suspect)


def test_every_symbol_has_its_clause() -> None:
    """Whatever may be seen can be told as a reason."""
    for name, symbols in {**SYMBOLS, **HISTORY}.items():
        assert set(SAYS[name]) == set(symbols)
    for check in CHECKS.values():
        assert all(clause(check.name, symbol) for symbol in check.symbols)
    assert clause("recent:locked-rotor", "yes") == "locked-rotor stood in the last two hours"
    assert clause("recent:locked-rotor", "no") == "locked-rotor did not stand in the last two hours"


TAPPED = msgspec.structs.replace(DELAYED, call_tap="coil")
WITH_KIT = msgspec.structs.replace(DELAYED, start_kit=True)
BOARD_FAN = msgspec.structs.replace(DELAYED, fan_control="board")
SHED = msgspec.structs.replace(DELAYED, load_shed=True)
HEAT_PUMP = msgspec.structs.replace(DELAYED, heat_pump=True)
ROW_NAMES = [(finding, number) for finding, rows in ROWS.items() for number in range(len(rows))]


Shares = list[dict[str, float]]
SPLIT: list[dict[str, str]] = [
    {},
    {"supply": "off"},
    {"coil_a": "unsealed"},
    {"control_v": "weak"},
    {"control_power": "off"},
    {"thermostat": "off"},
    {"load": "on"},
    {"fan_a": "still"},
    {"blower": "on"},
]


def shares_behind(finding: str) -> Shares:
    """The shares behind a finding with nothing known, with a sense that splits its rows, and with each mark."""
    where = SITUATIONS[finding]
    history = [{"fan-in-runs": "still"}] if "fan-in-runs" in where.base else []
    found = [judge(finding, seen, unit=DELAYED, fitted=()).shares for seen in (*SPLIT, *history)]
    units = (TAPPED, WITH_KIT, BOARD_FAN, SHED, HEAT_PUMP)
    found += [judge(finding, {}, unit=unit, fitted=()).shares for unit in units]
    found += [judge(finding, seen, unit=BOARD_FAN, fitted=()).shares for seen in history]
    for mark in sorted({mark for cause in where.causes for mark in cause.marks}):
        symbol = symbols_of(mark)[-1]
        trait, sensed, meter = ({mark: symbol} if there else {} for there in _kinds(mark))
        for unit in (DELAYED, BOARD_FAN):
            found.append(judge(finding, sensed, unit=unit, fitted=(), traits=trait, meter=meter).shares)
    return found


def _kinds(mark: str) -> tuple[bool, bool, bool]:
    return mark in FEATURES, mark not in FEATURES and mark not in CHECKS, mark in CHECKS


@pytest.fixture(scope="module")
def shares() -> dict[str, Shares]:
    return {finding: shares_behind(finding) for finding in SITUATIONS}


@long_one
@pytest.mark.parametrize(("finding", "number"), ROW_NAMES, ids=[f"{f}-{ROWS[f][n].suspect}" for f, n in ROW_NAMES])
def test_a_row_taken_away_shows(
    finding: str, number: int, shares: dict[str, Shares], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without any one row, somebody's share is another one: behind its own finding first, where it mostly shows."""
    without = list(ROWS[finding])
    gone = without.pop(number)
    causes = list(SITUATIONS[finding].causes)
    causes.pop(number)
    if not causes:
        return  # its only row: without it the finding is not there
    monkeypatch.setitem(unit_diagnosis.ROWS, finding, tuple(without))
    monkeypatch.setitem(unit_diagnosis.SITUATIONS, finding, SITUATIONS[finding]._replace(causes=tuple(causes)))
    assert any(shares_behind(name) != shares[name] for name in (finding, *SITUATIONS)), gone.suspect


def test_every_feature_speaks_of_suspects_that_exist_and_tells_some_apart() -> None:
    """Ratios are positive, and none of a symbol's are all alike; how far apart scans are says it of the other ones."""
    for feature, symbols in FEATURES.items():
        for symbol, says in symbols.items():
            assert set(says.ratios) <= set(SUSPECTS), (feature, symbol)
            assert all(ratio > 0.0 for ratio in says.ratios.values())
            assert any(ratio != 1.0 for ratio in says.ratios.values()) or feature == "scans"
            assert says.says[0] == says.says[0].lower()
