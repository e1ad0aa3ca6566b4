"""Who is left of the suspects (contract, section 6) when the evidence is in, and what rules the others out.

`judge` is elimination over a table, not a heap of ifs: the table is predictions_control.py and predictions_motors.py
(by finding) with SUSPECTS of table.py (the state of each part, which a meter shows whatever the finding); what is done
with it is elimination.py. A sense that is missing
says nothing: it narrows less and never accuses.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.readings import READINGS, SYMBOLS
from condenser_monitor.monitor.diagnosis import elimination
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.elimination import Expect, PredictionRow
from condenser_monitor.monitor.diagnosis.predictions import (
    HISTORY,
    RECENT_NEEDS,
    YES_NO,
    Situation,
    meter_by_senses,
)
from condenser_monitor.monitor.diagnosis.predictions_control import CONTROL
from condenser_monitor.monitor.diagnosis.predictions_motors import MOTORS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS, clause

SITUATIONS: dict[str, Situation] = CONTROL | MOTORS


class Verdict(NamedTuple):
    """What `judge` finds.

    suspects: consistent with all the evidence, the most usual in the trade first. ruled_out: suspect -> the reason in
    one clause. wanted_senses: senses, not fitted or silent, that would tell the suspects further apart, the best
    first. together: where no single suspect explains everything, the smallest sets that do; `suspects` are then their
    members.
    """

    suspects: tuple[str, ...]
    ruled_out: dict[str, str]
    wanted_senses: tuple[str, ...]
    together: tuple[frozenset[str], ...] = ()


NO_METER: Mapping[str, str] = {}
# What no fault of the unit explains, singly or in pairs, is a matter of the monitor's own senses.
CONTRADICTION = ("monitor-sensing",)


def judge(
    finding: str, seen: Mapping[str, str], *, unit: Unit, fitted: Collection[str], meter: Mapping[str, str] = NO_METER
) -> Verdict:
    """Who is left for a finding, and why the others are not.

    `seen`: sense -> symbol of records.SYMBOLS (a sense left out is unknown), `recent:FINDING` -> "yes" for findings
    that stood in the last two hours, and, where known, what predictions.HISTORY has. `fitted`: the
    fitted readings, so that a silent one can be told from one that is not there. `meter`: check -> outcome (see
    checks/).
    Raises ContractError for a finding or a symbol that does not exist.
    """
    return judge_any((finding,), seen, unit=unit, fitted=fitted, meter=meter)


def judge_any(
    findings: Sequence[str],
    seen: Mapping[str, str],
    *,
    unit: Unit,
    fitted: Collection[str],
    meter: Mapping[str, str] = NO_METER,
    cleared: Mapping[str, str] = NO_METER,
) -> Verdict:
    """As `judge`, where it is not known which of several findings it is: a visit without a monitor's finding.

    `cleared`: suspects ruled out earlier, with the reason; they stay out.
    """
    evidence = evidence_of(findings, seen, unit=unit, fitted=fitted, meter=meter)
    rows = _rows(findings, evidence, cleared)
    left = elimination.eliminate(rows, evidence)
    together: tuple[frozenset[str], ...] = ()
    suspects = tuple(left.scores)
    if not suspects:
        together = _together(findings, rows, evidence)
        suspects = _members(together, rows) or (CONTRADICTION if rows else ())
    ruled_out = dict(cleared) | {
        name: clause(observable, evidence[observable])
        for name, observable in left.contradicted.items()
        if name not in suspects
    }
    wanted = wanted_senses(elimination.still_open(rows, evidence), evidence, fitted)
    return Verdict(suspects, ruled_out, wanted, together)


def evidence_of(
    findings: Sequence[str], seen: Mapping[str, str], *, unit: Unit, fitted: Collection[str], meter: Mapping[str, str]
) -> dict[str, str]:
    """All that is known as observable -> symbol, the newest (the meter) first.

    A recent finding that is not named did not stand, where the senses that it needs are fitted; else it is not known.
    Raises ContractError for a finding, an observable or a symbol that does not exist.
    """
    for finding in findings:
        if finding not in SITUATIONS:
            raise ContractError("suspects: finding", finding, ", ".join(SITUATIONS))
    for name, symbol in {**seen, **meter}.items():
        allowed = symbols_of(name)
        if symbol not in allowed:
            raise ContractError(f"suspects: {name}", symbol, ", ".join(allowed) or "senses, recent findings and checks")
    facts = {"unit:delay": "yes" if unit.delay_on_make_s > 0 else "no"}
    recent = {
        name: "no" for finding in findings for name in _recents(finding) if set(RECENT_NEEDS[name]) <= set(fitted)
    }
    return {**meter, **facts, **recent, **seen}


def symbols_of(observable: str) -> tuple[str, ...]:
    """What an observable can say; empty for one that does not exist."""
    if observable in CHECKS:
        return CHECKS[observable].symbols
    if observable.startswith(("recent:", "unit:")):
        return YES_NO
    return HISTORY.get(observable) or SYMBOLS.get(observable, ())


def _recents(finding: str) -> set[str]:
    where = SITUATIONS[finding]
    names = set(where.base).union(*(row.predicts for row in where.causes))
    return {name for name in names if name.startswith("recent:")}


def rows_of(finding: str, evidence: Mapping[str, str]) -> list[PredictionRow]:
    """The finding's rows with all predictions filled in; far-fetched ones only where their mark was seen."""
    pairs = zip(SITUATIONS[finding].causes, ROWS[finding], strict=True)
    return [
        row for cause, row in pairs if not cause.marks or any(evidence.get(mark, "no") != "no" for mark in cause.marks)
    ]


def _rows(findings: Sequence[str], evidence: Mapping[str, str], cleared: Collection[str]) -> list[PredictionRow]:
    return [row for finding in findings for row in rows_of(finding, evidence) if row.suspect not in cleared]


def open_rows(
    findings: Sequence[str],
    seen: Mapping[str, str],
    *,
    unit: Unit,
    fitted: Collection[str],
    meter: Mapping[str, str] = NO_METER,
    cleared: Mapping[str, str] = NO_METER,
) -> list[PredictionRow]:
    """The rows that nothing contradicts, weighed by how well they fit: what checks.next_check chooses by."""
    evidence = evidence_of(findings, seen, unit=unit, fitted=fitted, meter=meter)
    return elimination.still_open(_rows(findings, evidence, cleared), evidence)


def wanted_senses(
    rows: Sequence[PredictionRow], evidence: Mapping[str, str], fitted: Collection[str]
) -> tuple[str, ...]:
    """Unknown senses that would tell the open rows apart: fitted but silent ones first, then by the bits they tell."""
    gains = {
        name: elimination.gain_bits(rows, name, SYMBOLS[name])
        for name in READINGS
        if name in SYMBOLS and name not in evidence and _splits(rows, name)
    }
    return tuple(sorted(gains, key=lambda name: (name not in fitted, -gains[name])))


def _splits(rows: Sequence[PredictionRow], sense: str) -> bool:
    """Whether what one suspect usually shows there rules another one out."""
    usual: dict[str, set[str]] = {}
    allowed: dict[str, set[str]] = {}
    for row in rows:
        said = row.predicts.get(sense, Expect(frozenset(SYMBOLS[sense])))
        usual.setdefault(row.suspect, set()).update(said.usual)
        allowed.setdefault(row.suspect, set()).update(said.allowed)
    return any(not usual[one] <= allowed[other] for one in usual for other in allowed)


def _together(
    findings: Sequence[str], rows: Sequence[PredictionRow], evidence: Mapping[str, str]
) -> tuple[frozenset[str], ...]:
    """Pairs that explain what no single suspect does; none where something is beyond all of them."""
    if len(findings) != 1:
        return ()
    conflicts = elimination.conflicts_of(rows, base_of(findings[0]), evidence)
    return tuple(elimination.minimal_hitting_sets(conflicts, size=2)) if conflicts else ()


def _members(together: Sequence[frozenset[str]], rows: Sequence[PredictionRow]) -> tuple[str, ...]:
    weight: dict[str, float] = {}
    for row in rows:
        weight[row.suspect] = max(row.weight, weight.get(row.suspect, 0.0))
    members = {name for group in together for name in group}
    return tuple(sorted(members, key=lambda name: -weight[name]))


# ---------------------------------------------------------------- the rows, with every prediction filled in


def base_of(finding: str) -> dict[str, Expect]:
    """What the finding shows with no part at fault that a sense or a meter could see."""
    base = dict(SITUATIONS[finding].base)
    return SOUND | meter_by_senses(base) | base


def _filled(finding: str) -> tuple[PredictionRow, ...]:
    """Each cause's predictions, the later before the earlier: sound parts, what the senses imply, the part, the row."""
    base = SITUATIONS[finding].base
    rows = []
    for cause in SITUATIONS[finding].causes:
        said = {name: value for name, value in {**base, **cause.predicts}.items() if value is not None}
        part = dict(SUSPECTS[cause.suspect].meter)
        rows.append(PredictionRow(cause.suspect, cause.usual, SOUND | meter_by_senses(said) | part | said))
    return tuple(rows)


SOUND = {check.name: Expect(frozenset({check.sound})) for check in CHECKS.values() if check.sound is not None}

ROWS: dict[str, tuple[PredictionRow, ...]] = {finding: _filled(finding) for finding in SITUATIONS}
