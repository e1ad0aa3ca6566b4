"""The engine of elimination on small tables."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.diagnosis.elimination import (
    PredictionRow,
    contradictions,
    entropy_bits,
    expect,
    fit,
    gain_bits,
    minimal_hitting_sets,
)

LAMP = [
    PredictionRow("bulb", 5.0, {"glow": expect("no"), "ohms": expect("open; seldom high"), "volts": expect("yes")}),
    PredictionRow("switch", 2.0, {"glow": expect("no"), "ohms": expect("low"), "volts": expect("no")}),
    PredictionRow(
        "socket", 1.0, {"glow": expect("no; seldom dim"), "ohms": expect("low"), "volts": expect("yes or no")}
    ),
]


def test_expectation_text_is_usual_then_seldom() -> None:
    """'a or b; seldom c' names the usual and the seldom symbols."""
    said = expect("a or b; seldom c")
    assert (said.usual, said.seldom, said.allowed) == ({"a", "b"}, {"c"}, {"a", "b", "c"})


@pytest.mark.parametrize("text", ["", "a or ", "; seldom c", "a; seldom "])
def test_expectation_without_a_symbol_is_refused(text: str) -> None:
    """An empty part is an error that shows what was given."""
    with pytest.raises(ValueError, match="expectation"):
        expect(text)


def test_a_symbol_outside_the_prediction_contradicts() -> None:
    """What a row does not allow is named, in the order of what was seen, and fits as the caller says: not at all."""
    seen = {"glow": "yes", "volts": "no"}
    assert [contradictions(row, seen) for row in LAMP] == [["glow", "volts"], ["glow"], ["glow"]]
    assert fit(LAMP[0], {"volts": "no"}) == 0.0
    assert fit(LAMP[0], {"volts": "no"}, contradicted=0.1) == pytest.approx(0.1)


def test_a_seldom_symbol_fits_less_and_contradicts_nothing() -> None:
    """Seldom counts SELDOM_SHARE of usual."""
    assert contradictions(LAMP[0], {"ohms": "high"}) == []
    assert fit(LAMP[0], {"ohms": "high"}) == pytest.approx(limits.SELDOM_SHARE.value)


def test_an_unknown_observable_is_no_news() -> None:
    """What no row predicts changes nothing."""
    assert [(contradictions(row, {"weather": "rain"}), fit(row, {"weather": "rain"})) for row in LAMP] == [
        ([], 1.0)
    ] * 3


def test_two_together_explain_what_no_single_one_does() -> None:
    """The bulb open and no volts: the bulb with the switch, or the bulb with the socket."""
    assert minimal_hitting_sets([{"bulb"}, {"switch", "socket"}], size=2) == [{"bulb", "socket"}, {"bulb", "switch"}]


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
def test_what_fits_is_what_nothing_contradicts(rows: list[PredictionRow], seen: dict[str, str]) -> None:
    """A row fits to some degree, or an observable that was seen contradicts it; never both."""
    assert all(bool(contradictions(row, seen)) is (fit(row, seen) == 0.0) for row in rows)
    assert all(seen.keys() >= set(contradictions(row, seen)) for row in rows)


@given(ROWS, SEEN, st.sampled_from("pq"))
def test_less_seen_never_accuses(rows: list[PredictionRow], seen: dict[str, str], missing: str) -> None:
    """Taking an observation away adds no contradiction, and makes no row fit worse."""
    fewer = {name: symbol for name, symbol in seen.items() if name != missing}
    assert all(set(contradictions(row, fewer)) <= set(contradictions(row, seen)) for row in rows)
    assert all(fit(row, fewer) >= fit(row, seen) for row in rows)


@given(ROWS, st.sampled_from("pq"))
def test_gain_lies_between_nothing_and_all_that_is_open(rows: list[PredictionRow], look: str) -> None:
    """0 <= gain <= entropy over the suspects."""
    weight: dict[str, float] = {}
    for row in rows:
        weight[row.suspect] = weight.get(row.suspect, 0.0) + row.weight
    assert -1e-9 <= gain_bits(rows, look, ("x", "y", "z")) <= entropy_bits(weight.values()) + 1e-9
