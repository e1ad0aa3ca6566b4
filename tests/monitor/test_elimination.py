"""The engine of elimination on small tables."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.diagnosis.elimination import (
    PredictionRow,
    conflicts_of,
    contradictions,
    eliminate,
    entropy_bits,
    expect,
    gain_bits,
    minimal_hitting_sets,
    still_open,
)

LAMP = [
    PredictionRow("bulb", 5.0, {"glow": expect("no"), "ohms": expect("open; seldom high"), "volts": expect("yes")}),
    PredictionRow("switch", 2.0, {"glow": expect("no"), "ohms": expect("low"), "volts": expect("no")}),
    PredictionRow(
        "socket", 1.0, {"glow": expect("no; seldom dim"), "ohms": expect("low"), "volts": expect("yes or no")}
    ),
]
BASE = {"ohms": expect("low"), "volts": expect("yes")}


def test_expectation_text_is_usual_then_seldom() -> None:
    """'a or b; seldom c' names the usual and the seldom symbols."""
    said = expect("a or b; seldom c")
    assert (said.usual, said.seldom, said.allowed) == ({"a", "b"}, {"c"}, {"a", "b", "c"})


@pytest.mark.parametrize("text", ["", "a or ", "; seldom c", "a; seldom "])
def test_expectation_without_a_symbol_is_refused(text: str) -> None:
    """An empty part is an error that shows what was given."""
    with pytest.raises(ValueError, match="expectation"):
        expect(text)


def test_nothing_seen_rules_nobody_out_and_keeps_the_order_of_weight() -> None:
    """Without evidence all are left, the most usual first."""
    assert list(eliminate(LAMP, {}).scores) == ["bulb", "switch", "socket"]


def test_a_symbol_outside_the_prediction_contradicts() -> None:
    """What a row does not allow rules its suspect out and is named."""
    left = eliminate(LAMP, {"volts": "no"})
    assert list(left.scores) == ["switch", "socket"]
    assert left.contradicted == {"bulb": "volts"}


def test_a_seldom_symbol_keeps_the_suspect_but_puts_it_back() -> None:
    """Seldom counts SELDOM_SHARE of usual."""
    left = eliminate([LAMP[0], PredictionRow("heater", 1.0, {})], {"ohms": "high"})
    assert list(left.scores) == ["heater", "bulb"]
    assert left.scores["bulb"] == pytest.approx(5.0 * limits.SELDOM_SHARE.value)


def test_a_suspect_with_two_rows_stays_while_one_of_them_fits() -> None:
    """Ways of failing are alternatives."""
    rows = [PredictionRow("joint", 3.0, {"volts": expect("no")}), PredictionRow("joint", 1.0, {"volts": expect("yes")})]
    assert eliminate(rows, {"volts": "yes"}) == ({"joint": 1.0}, {})
    assert eliminate(rows, {"volts": "odd"}).contradicted == {"joint": "volts"}


def test_the_reason_is_that_of_the_row_that_came_closest() -> None:
    """With several rows, the one with the fewest contradictions gives the reason."""
    far = PredictionRow("joint", 3.0, {"volts": expect("no"), "glow": expect("no")})
    near = PredictionRow("joint", 1.0, {"glow": expect("no")})
    assert eliminate([far, near], {"volts": "yes", "glow": "yes"}).contradicted == {"joint": "glow"}


def test_an_unknown_observable_is_no_news() -> None:
    """What no row predicts changes nothing."""
    assert eliminate(LAMP, {"weather": "rain"}) == eliminate(LAMP, {})


def test_conflicts_name_who_can_explain_each_odd_observation() -> None:
    """Observations that the base cannot explain each give a conflict; who forbids a plain one is in none."""
    assert conflicts_of(LAMP, BASE, {"ohms": "open", "volts": "no"}) == [{"bulb"}, {"switch", "socket"}]
    assert conflicts_of(LAMP, BASE, {"ohms": "low", "volts": "no"}) == [{"switch", "socket"}]
    assert conflicts_of(LAMP, BASE, {"ohms": "low", "volts": "yes"}) == []


def test_two_together_explain_what_no_single_one_does() -> None:
    """The bulb open and no volts: the bulb with the switch, or the bulb with the socket."""
    seen = {"ohms": "open", "volts": "no"}
    assert eliminate(LAMP, seen).scores == {}
    pairs = minimal_hitting_sets(conflicts_of(LAMP, BASE, seen), size=2)
    assert pairs == [{"bulb", "socket"}, {"bulb", "switch"}]


def test_open_rows_carry_their_fit_as_weight() -> None:
    """What is left over is weighed by how well it fits, for the next look."""
    rows = still_open(LAMP, {"ohms": "high"})
    assert [(row.suspect, row.weight) for row in rows] == [("bulb", pytest.approx(0.5))]


def test_a_look_that_tells_nothing_gains_nothing() -> None:
    """Rows that agree gain 0 bits, and so do no rows at all."""
    assert gain_bits(LAMP[:2], "glow", ("no", "dim", "yes")) == pytest.approx(0.0)
    assert gain_bits([], "glow", ("no", "yes")) == 0.0


NAMES = st.sets(st.sampled_from("abcdef"), min_size=1, max_size=4)


@given(st.lists(NAMES, max_size=6))
def test_hitting_sets_hit_everything_and_none_is_larger_than_needed(conflicts: list[set[str]]) -> None:
    """Each set hits every conflict, and loses one when any member is dropped."""
    found = minimal_hitting_sets(conflicts)
    assert found
    for hit in found:
        assert all(hit & conflict for conflict in conflicts)
        assert all(any(not (hit - {name}) & conflict for conflict in conflicts) for name in hit)


SYMBOLS = st.sampled_from("xyz")
ROWS = st.lists(
    st.builds(
        PredictionRow,
        st.sampled_from("abc"),
        st.floats(0.1, 10),
        st.dictionaries(
            st.sampled_from("pq"), st.builds(lambda s: expect(" or ".join(sorted(s))), st.sets(SYMBOLS, min_size=1))
        ),
    ),
    max_size=6,
)
SEEN = st.dictionaries(st.sampled_from("pq"), SYMBOLS)


@given(ROWS, SEEN)
def test_every_suspect_is_either_left_or_contradicted_by_something_seen(
    rows: list[PredictionRow], seen: dict[str, str]
) -> None:
    """Elimination is total, and each reason is an observable that was seen and is not allowed."""
    left = eliminate(rows, seen)
    assert left.scores.keys() | left.contradicted.keys() == {row.suspect for row in rows}
    assert not left.scores.keys() & left.contradicted.keys()
    for row in rows:
        if row.suspect in left.contradicted:
            assert contradictions(row, seen)


@given(ROWS, SEEN, st.sampled_from("pq"))
def test_less_seen_never_accuses_and_never_narrows(
    rows: list[PredictionRow], seen: dict[str, str], missing: str
) -> None:
    """Taking an observation away never removes a suspect."""
    fewer = {name: symbol for name, symbol in seen.items() if name != missing}
    assert eliminate(rows, seen).scores.keys() <= eliminate(rows, fewer).scores.keys()


@given(ROWS, st.sampled_from("pq"))
def test_gain_lies_between_nothing_and_all_that_is_open(rows: list[PredictionRow], look: str) -> None:
    """0 <= gain <= entropy over the suspects."""
    weight: dict[str, float] = {}
    for row in rows:
        weight[row.suspect] = weight.get(row.suspect, 0.0) + row.weight
    assert -1e-9 <= gain_bits(rows, look, ("x", "y", "z")) <= entropy_bits(weight.values()) + 1e-9
