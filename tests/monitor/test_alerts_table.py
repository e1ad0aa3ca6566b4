"""The table of the alarm life: total, as the standard's diagram has it, and no cell without a check."""

from __future__ import annotations

import pytest

from condenser_monitor.monitor.alarms.alarm_manager import TRANSITIONS, AlertEvent
from condenser_monitor.monitor.core.records import AlertState

LETTERS = dict(zip("ABCDEFGHI", AlertState, strict=True))
Table = dict[AlertState, dict[AlertEvent, AlertState]]

# The arrows of the state diagram of ISA-18.2 / IEC 62682 among its process states (from memory of the standard).
ARROWS = {
    ("A", "raise"): "B",
    ("B", "acknowledge"): "C",
    ("B", "return"): "D",
    ("C", "return"): "A",
    ("D", "acknowledge"): "A",
    ("D", "raise"): "B",
    ("B", "latch"): "E",
    ("C", "latch"): "F",
    ("E", "acknowledge"): "F",
    ("E", "reset"): "D",
    ("F", "reset"): "A",
    ("E", "raise"): "B",
    ("F", "raise"): "B",
    # Not in the diagram, for completeness: what latches while it is not in alarm is latched.
    ("A", "latch"): "E",
    ("D", "latch"): "E",
}
ENDS = {"end-normal": "A", "end-standing": "B", "end-latched": "E", "end-shelved": "G", "end-suppressed": "H"}


def expected(letter: str, event: str) -> str:
    """Where an event leads, by the rules in words."""
    if event == "out-of-service":
        return "I"  # a person takes the unit out of service from anywhere
    if event in ENDS:
        if letter == "I":
            return ENDS[event]  # service ends into what lies beneath
        if letter in "GH" and event in ("end-normal", "end-standing", "end-latched"):
            return ENDS[event]  # so do a shelving and a suppression
        return "H" if (letter, event) == ("G", "end-suppressed") else letter
    if letter == "I":
        return "I"  # out of service nothing else moves it
    if event == "shelve":
        return "G"
    if letter == "G":
        return "G"  # shelved, neither
    if event == "suppress":
        return letter if letter in "BC" else "H"  # what has been told is not taken back
    if letter == "H":
        return {"raise": "B", "return": "A", "latch": "E"}.get(event, "H")
    return ARROWS.get((letter, event), letter)


def check(table: Table) -> None:
    """Every state is a key, every event a column, every cell as expected."""
    assert list(table) == list(AlertState)
    for letter, state in LETTERS.items():
        assert list(table[state]) == list(AlertEvent)
        for event in AlertEvent:
            assert table[state][event] is LETTERS[expected(letter, event)], (letter, event)


def test_the_table_is_total_and_as_the_standard_has_it() -> None:
    """Nine states by thirteen events, each cell checked."""
    check(TRANSITIONS)


@pytest.mark.parametrize("state", AlertState)
def test_any_changed_cell_is_noticed(state: AlertState) -> None:
    """Whatever cell of a row is changed to whatever other state, the check fails."""
    for event in AlertEvent:
        for wrong in set(AlertState) - {TRANSITIONS[state][event]}:
            changed = {name: dict(row) for name, row in TRANSITIONS.items()}
            changed[state][event] = wrong
            with pytest.raises(AssertionError):
                check(changed)


def test_no_state_is_a_dead_end() -> None:
    """From every state every other one can be reached, normal among them."""
    for start in AlertState:
        reached, front = {start}, [start]
        while front:
            for target in TRANSITIONS[front.pop()].values():
                if target not in reached:
                    reached.add(target)
                    front.append(target)
        assert reached == set(AlertState), start


def test_only_a_raise_or_an_end_over_a_standing_finding_enters_unacknowledged() -> None:
    """What is told as an alarm is entered by these two events alone."""
    into = {
        e for s, row in TRANSITIONS.items() for e, to in row.items() if to is LETTERS["B"] and s is not LETTERS["B"]
    }
    assert into == {AlertEvent.RAISE, AlertEvent.END_STANDING}
