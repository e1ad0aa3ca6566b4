"""Elimination over a table: what contradicts, what is left, what explains together, what to look at next.

Knows nothing of cooling. A *row* says what one suspect predicts for each observable: the symbols usually seen, and
those seldom seen. An observed symbol outside both contradicts the row. A suspect may have several rows (ways of
failing); it is contradicted when all of them are.

Where no single suspect is left, the conflicts (sets of suspects of which at least one must be at fault) are hit by
the smallest sets of suspects: R. Reiter, "A theory of diagnosis from first principles" (1987), and J. de Kleer and
B. C. Williams, "Diagnosing multiple faults" (1987), whose worked examples the tests reproduce. The next look is the one
whose outcome is expected to leave the fewest bits open (the same paper's minimum entropy rule).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

from condenser_monitor.monitor.limits import SELDOM_SHARE


class Expect(NamedTuple):
    """What is predicted for one observable."""

    usual: frozenset[str]
    seldom: frozenset[str] = frozenset()

    @property
    def allowed(self) -> frozenset[str]:
        return self.usual | self.seldom

    def fit(self, symbol: str) -> float:
        """How well a symbol fits: 1 usual, SELDOM_SHARE seldom, 0 contradicted."""
        if symbol in self.usual:
            return 1.0
        return SELDOM_SHARE.value if symbol in self.seldom else 0.0


class PredictionRow(NamedTuple):
    """One way in which a suspect shows; `weight` is how usual it is; an observable not in `predicts` is no news."""

    suspect: str
    weight: float
    predicts: Mapping[str, Expect]


def expect(text: str) -> Expect:
    """ "a or b; seldom c or d" -> Expect. Raises ValueError for an empty part."""
    usual, split, seldom = text.partition("; seldom ")
    parts = [[word.strip() for word in part.split(" or ")] for part in ((usual, seldom) if split else (usual,))]
    if not all(word for part in parts for word in part):
        raise ValueError(f"expectation: got {text!r}; allowed: 'a or b; seldom c'")
    return Expect(*(frozenset(part) for part in parts))


def fit(row: PredictionRow, seen: Mapping[str, str], contradicted: float = 0.0) -> float:
    """Product of the fits of all that was seen; what contradicts the row counts as `contradicted`."""
    return math.prod(
        row.predicts[name].fit(symbol) or contradicted for name, symbol in seen.items() if name in row.predicts
    )


def contradictions(row: PredictionRow, seen: Mapping[str, str]) -> list[str]:
    """The observables, in the order of `seen`, whose symbol the row does not allow."""
    return [n for n, symbol in seen.items() if n in row.predicts and not row.predicts[n].fit(symbol)]


# ---------------------------------------------------------------- what explains conflicts together


def minimal_hitting_sets(conflicts: Iterable[Collection[str]], size: int | None = None) -> list[frozenset[str]]:
    """All minimal sets that share a member with every conflict, smallest first; at most `size` members if given.

    Each new conflict replaces every set that misses it by that set plus each member, and supersets are dropped.
    """
    sets: set[frozenset[str]] = {frozenset()}
    for conflict in conflicts:
        members = frozenset(conflict)
        grown = {old | {new} for old in sets if not old & members for new in members}
        sets = _minimal({old for old in sets if old & members} | grown, size)
    return sorted(sets, key=lambda found: (len(found), sorted(found)))


def _minimal(sets: set[frozenset[str]], size: int | None) -> set[frozenset[str]]:
    kept: list[frozenset[str]] = []
    for candidate in sorted(sets, key=len):
        if (size is None or len(candidate) <= size) and not any(other <= candidate for other in kept):
            kept.append(candidate)
    return set(kept)


# ---------------------------------------------------------------- the next look


def entropy_bits(weights: Iterable[float]) -> float:
    """Shannon entropy, in bits, of weights that need not add up to one."""
    positive = [w for w in weights if w > 0.0]
    total = math.fsum(positive)
    return -math.fsum(w / total * math.log2(w / total) for w in positive) if total else 0.0


def gain_bits(rows: Sequence[PredictionRow], observable: str, outcomes: Sequence[str]) -> float:
    """Bits about *which suspect* that the observable is expected to tell; 0 when it cannot tell any apart."""
    joint: dict[str, dict[str, float]] = {outcome: {} for outcome in outcomes}
    prior: dict[str, float] = {}
    for row in rows:
        prior[row.suspect] = prior.get(row.suspect, 0.0) + row.weight
        # How likely each outcome is behind this row; all alike where nothing is predicted.
        expected = row.predicts.get(observable)
        fits = {outcome: 1.0 if expected is None else expected.fit(outcome) for outcome in outcomes}
        of_all = math.fsum(fits.values()) or 1.0
        for outcome, fitting in fits.items():
            cell = joint[outcome]
            cell[row.suspect] = cell.get(row.suspect, 0.0) + row.weight * (fitting / of_all)
    total = math.fsum(prior.values())
    if not total:
        return 0.0
    left = math.fsum(math.fsum(c.values()) / total * entropy_bits(c.values()) for c in joint.values())
    return max(0.0, entropy_bits(prior.values()) - left)
