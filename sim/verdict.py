"""Holds what an engine said against what a scenario demands."""

from __future__ import annotations

from collections.abc import Iterable
from math import inf

from condenser_monitor.monitor.core.records import Change, ChangeKind
from condenser_monitor.sim.scenario import Expectation, Scenario


def verdict(scenario: Scenario, changes: Iterable[Change]) -> list[str]:
    """What went otherwise than the scenario demands, one sentence each; empty: all as it should be."""
    changes = list(changes)
    wrong = [why for row in scenario.expect for why in _missed(row, changes)]
    known = {row.finding for row in scenario.expect} | set(scenario.allow)
    for change in changes:
        if change.change is ChangeKind.RAISED and change.finding not in known:
            wrong.append(f"{change.finding} raised at {change.t_s:g} s, which nothing explains: {change.evidence}")
    return wrong


def _missed(row: Expectation, changes: list[Change]) -> list[str]:
    raised = [
        change
        for change in changes
        if change.finding == row.finding
        and change.change is ChangeKind.RAISED
        and row.after_s <= change.t_s <= row.before_s
    ]
    if not raised:
        seen = [f"{c.change.value} {c.finding} at {c.t_s:g} s" for c in changes]
        return [f"{row.finding} not raised from {row.after_s:g} to {row.before_s:g} s; there was: {seen or 'nothing'}"]
    return _wrong_suspects(row, raised[0], changes) + _not_cleared(row, raised[0], changes)


def _wrong_suspects(row: Expectation, raised: Change, changes: list[Change]) -> list[str]:
    end_s = _cleared_s(row.finding, raised, changes)
    last = [c for c in changes if c.finding == row.finding and raised.t_s <= c.t_s < end_s][-1]
    named = last.suspects
    wrong = [f"{row.finding}: {name} is not among {named}" for name in row.suspects if name not in named]
    wrong += [f"{row.finding}: {name} is still among {named}" for name in row.absent if name in named]
    if row.first and named[:1] != (row.first,):
        wrong.append(f"{row.finding}: {row.first} is not first of {named}")
    return wrong


def _cleared_s(finding: str, raised: Change, changes: list[Change]) -> float:
    cleared = (c.t_s for c in changes if c.finding == finding and c.change is ChangeKind.CLEARED and c.t_s > raised.t_s)
    return next(cleared, inf)


def _not_cleared(row: Expectation, raised: Change, changes: list[Change]) -> list[str]:
    if row.cleared_by_s is None:
        return []
    cleared_s = _cleared_s(row.finding, raised, changes)
    if cleared_s <= row.cleared_by_s:
        return []
    return [f"{row.finding} not cleared by {row.cleared_by_s:g} s (cleared: {cleared_s:g})"]
