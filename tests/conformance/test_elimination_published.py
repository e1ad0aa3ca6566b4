"""The elimination engine against worked examples published in the literature of diagnosis."""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable, Sequence
from itertools import product

import pytest

from condenser_monitor.monitor.diagnosis.elimination import (
    Expect,
    PredictionRow,
    entropy_bits,
    expect,
    gain_bits,
    minimal_hitting_sets,
)

# ---------------------------------------------------------------- conflicts from a model
# The program's conflicts come from its table; the published examples are models that say only what is consistent. This
# search finds a model's conflicts, and takes the program's hitting sets for the diagnoses.


def minimal_conflict(sound: Sequence[str], consistent: Callable[[frozenset[str]], bool]) -> frozenset[str]:
    """Shrink a set of parts that cannot all be sound to one of which every member is needed.

    `consistent(parts)` tells whether the observations allow exactly these to be sound, the others doing anything.
    """
    kept = list(sound)
    for part in sound:
        fewer = [other for other in kept if other != part]
        if not consistent(frozenset(fewer)):
            kept = fewer
    return frozenset(kept)


def minimal_diagnoses(
    parts: Sequence[str], consistent: Callable[[frozenset[str]], bool]
) -> tuple[list[frozenset[str]], list[frozenset[str]]]:
    """Conflict-directed search: (minimal diagnoses, the minimal conflicts that led to them).

    A diagnosis is a set of parts whose being at fault makes all observations possible.
    """
    conflicts: list[frozenset[str]] = []
    while True:
        diagnoses = minimal_hitting_sets(conflicts)
        failing = next((d for d in diagnoses if not consistent(frozenset(parts) - d)), None)
        if failing is None:
            return diagnoses, conflicts
        conflicts.append(minimal_conflict([part for part in parts if part not in failing], consistent))


# ---------------------------------------------------------------- three multipliers, two adders
# J. de Kleer and B. C. Williams, "Diagnosing multiple faults", Artificial Intelligence 32 (1987), their first example:
# M1 = A*C, M2 = B*D, M3 = C*E, A1 = M1 + M2 (output F), A2 = M2 + M3 (output G).

PARTS = ("M1", "M2", "M3", "A1", "A2")
A, B, C, D, E = 3, 2, 2, 3, 3
F_SEEN, G_SEEN = 10, 12


def polybox_consistent(sound: frozenset[str]) -> bool:
    """Whether the inputs and the outputs seen allow these parts to work; the others may put out any number."""
    free = range(-30, 31)
    m1s = (A * C,) if "M1" in sound else free
    m2s = (B * D,) if "M2" in sound else free
    m3s = (C * E,) if "M3" in sound else free
    first = any(m1 + m2 == F_SEEN for m1, m2 in product(m1s, m2s)) or "A1" not in sound
    second = any(m2 + m3 == G_SEEN for m2, m3 in product(m2s, m3s)) or "A2" not in sound
    if not (first and second):
        return False
    return any(("A1" not in sound or F_SEEN - m2 in m1s) and ("A2" not in sound or G_SEEN - m2 in m3s) for m2 in m2s)


def sets(*members: str) -> set[frozenset[str]]:
    return {frozenset(word.split()) for word in members}


def test_polybox_conflicts_are_the_two_published_ones() -> None:
    """Search finds {A1, M1, M2} and {A1, A2, M1, M3} as the minimal conflicts."""
    _, conflicts = minimal_diagnoses(PARTS, polybox_consistent)
    assert set(conflicts) == sets("A1 M1 M2", "A1 A2 M1 M3")


def test_polybox_minimal_diagnoses() -> None:
    """Its minimal diagnoses are {A1}, {M1}, {A2, M2} and {M2, M3}."""
    diagnoses, _ = minimal_diagnoses(PARTS, polybox_consistent)
    assert set(diagnoses) == sets("A1", "M1", "A2 M2", "M2 M3")


def test_polybox_every_superset_and_no_other_set_is_a_diagnosis() -> None:
    """Brute force over all 32 sets: exactly the supersets of the minimal ones explain the outputs, 27 of them."""
    diagnoses, _ = minimal_diagnoses(PARTS, polybox_consistent)
    explaining = 0
    for chosen in product((False, True), repeat=len(PARTS)):
        faulty = frozenset(part for part, bad in zip(PARTS, chosen, strict=True) if bad)
        explains = polybox_consistent(frozenset(PARTS) - faulty)
        assert explains == any(diagnosis <= faulty for diagnosis in diagnoses)
        explaining += explains
    assert explaining == 27


def test_sound_outputs_give_no_conflict() -> None:
    """The same search on outputs as they should be names nobody."""
    assert minimal_diagnoses(PARTS, lambda sound: True) == ([frozenset()], [])


# ---------------------------------------------------------------- the full adder
# R. Reiter, "A theory of diagnosis from first principles", Artificial Intelligence 32 (1987): X1, X2 exclusive ors,
# A1, A2 ands, O1 or; inputs 1 0 1, outputs seen: sum 1, carry 0 (should be 0 and 1).

ADDER = ("X1", "X2", "A1", "A2", "O1")


def adder_consistent(sound: frozenset[str]) -> bool:
    """Whether the gates named can all work, the others putting out any bit."""
    for x1, x2, a1, a2, o1 in product((0, 1), repeat=5):
        right = {
            "X1": x1 == 1 ^ 0,
            "X2": x2 == x1 ^ 1,
            "A1": a1 == (1 & 0),
            "A2": a2 == (x1 & 1),
            "O1": o1 == (a1 | a2),
        }
        if x2 == 1 and o1 == 0 and all(right[gate] for gate in sound):
            return True
    return False


def test_full_adder_conflicts_and_diagnoses() -> None:
    """Conflicts {X1, X2} and {X1, A2, O1}; diagnoses {X1}, {X2, A2}, {X2, O1}."""
    diagnoses, conflicts = minimal_diagnoses(ADDER, adder_consistent)
    assert set(conflicts) == sets("X1 X2", "X1 A2 O1")
    assert set(diagnoses) == sets("X1", "A2 X2", "O1 X2")


def test_minimal_conflict_needs_every_member() -> None:
    """Dropping any member of a conflict found makes the rest consistent."""
    conflict = minimal_conflict(ADDER, adder_consistent)
    assert not adder_consistent(conflict)
    assert all(adder_consistent(conflict - {gate}) for gate in conflict)


# ---------------------------------------------------------------- hitting sets


def test_hitting_sets_of_reiters_tree() -> None:
    """Reiter's hitting-set tree example: six minimal hitting sets."""
    conflicts = ["245", "123", "135", "246", "24", "235", "16"]
    assert set(minimal_hitting_sets(conflicts)) == sets("1 2", "1 3 4", "1 4 5", "2 3 6", "2 5 6", "3 4 6")


@pytest.mark.parametrize("size", [1, 2, 3])
def test_hitting_sets_bounded_in_size_are_the_small_ones_of_all(size: int) -> None:
    """Bounding the size loses no small set."""
    conflicts = ["245", "123", "135", "246", "24", "235", "16"]
    wanted = [found for found in minimal_hitting_sets(conflicts) if len(found) <= size]
    assert minimal_hitting_sets(conflicts, size) == wanted


def test_an_empty_conflict_cannot_be_hit() -> None:
    """What nothing explains has no explanation."""
    assert minimal_hitting_sets([["a"], []]) == []


# ---------------------------------------------------------------- the next look


def half_split_steps(stages: int, broken: int) -> int:
    """Probe a chain of equally likely stages where most bits are told, until one is left; the probes it took."""
    open_stages = list(range(stages))
    steps = 0
    while len(open_stages) > 1:
        rows = [
            PredictionRow(str(s), 1.0, {f"after {p}": chain_shows(s, p) for p in range(stages)}) for s in open_stages
        ]
        probe = max(range(stages), key=lambda p: gain_bits(rows, f"after {p}", ("live", "dead")))
        dead = broken <= probe
        open_stages = [s for s in open_stages if (s <= probe) == dead]
        steps += 1
    return steps


def chain_shows(broken: int, probe: int) -> Expect:
    return expect("dead" if broken <= probe else "live")


def test_half_split_of_eight_stages_takes_three_probes() -> None:
    """Half-split rule: n equally likely stages in series need ceil(log2 n) probes; 8 stages, 3 probes."""
    assert {half_split_steps(8, broken) for broken in range(8)} == {3}


@pytest.mark.parametrize("stages", [2, 3, 5, 13])
def test_half_split_never_needs_more_than_the_rule(stages: int) -> None:
    """Also where n is no power of two."""
    assert max(half_split_steps(stages, broken) for broken in range(stages)) == math.ceil(math.log2(stages))


def test_a_fair_two_way_split_is_one_bit() -> None:
    """Entropy of 0.5/0.5 is one bit, and a look that tells the two apart gains all of it (Shannon)."""
    rows = [PredictionRow("one", 0.5, {"look": expect("yes")}), PredictionRow("other", 0.5, {"look": expect("no")})]
    assert entropy_bits([0.5, 0.5]) == pytest.approx(1.0)
    assert entropy_bits([]) == 0.0
    assert gain_bits(rows, "look", ("yes", "no")) == pytest.approx(1.0)
    assert gain_bits(rows, "elsewhere", ("yes", "no")) == pytest.approx(0.0)


@pytest.mark.parametrize("weights", [[1.0], [1, 1, 1, 1], [0.5, 0.25, 0.125, 0.125], [8, 4, 3], [1e-9, 1.0]], ids=str)
def test_entropy_agrees_with_scipy(weights: list[float]) -> None:
    """Entropy in bits equals scipy.stats.entropy."""
    stats = importlib.import_module("scipy.stats")
    assert entropy_bits(weights) == pytest.approx(float(stats.entropy(weights, base=2)), abs=1e-12)


def test_gain_is_the_mutual_information_of_suspect_and_outcome() -> None:
    """Gain equals H(suspect) + H(outcome) - H(both), computed by scipy from the joint table."""
    np, stats = importlib.import_module("numpy"), importlib.import_module("scipy.stats")
    rows = [
        PredictionRow("a", 5.0, {"look": expect("x or y; seldom z")}),
        PredictionRow("b", 3.0, {"look": expect("z")}),
        PredictionRow("c", 2.0, {}),
        PredictionRow("a", 1.0, {"look": expect("y; seldom x")}),
    ]
    shares: dict[str, Callable[[], list[float]]] = {
        "a": lambda: [5 / 2.1 + 0.1 / 1.1, 5 / 2.1 + 1 / 1.1, 0.5 / 2.1],
        "b": lambda: [0.0, 0.0, 3.0],
        "c": lambda: [2 / 3, 2 / 3, 2 / 3],
    }
    joint = np.array([row() for row in shares.values()]) / 11.0
    bits = sum(float(stats.entropy(joint.sum(axis=axis), base=2)) for axis in (0, 1))
    bits -= float(stats.entropy(joint.ravel(), base=2))
    assert gain_bits(rows, "look", ("x", "y", "z")) == pytest.approx(bits)
