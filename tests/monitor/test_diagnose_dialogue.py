"""The talk in plain text: what is said, what is understood, how it ends."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import partial

import pytest

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.visit.dialogue import (
    HELP,
    HomeownerWords,
    Talk,
    VisitEnded,
    describe,
    talk,
)
from condenser_monitor.monitor.diagnosis.visit.session import VisitSession
from condenser_monitor.monitor.strings import visits

SEEN = {"call": "on", "control_v": "normal", "coil_a": "none", "supply": "on", "load": "off"}


def session() -> VisitSession:
    return VisitSession(["call-without-pull-in"], unit=Unit(), seen=SEEN, fitted=tuple(SEEN))


def hold(lines: Iterable[str]) -> tuple[VisitEnded, str]:
    """Hold a talk with these lines typed; how it ended, and all that was said."""
    typed, said = iter(lines), list[str]()
    ended = talk(session(), lambda: next(typed, None), said.append, "a technician", 5.0)
    return ended, "\n".join(said)


def test_the_opening_names_suspects_and_the_next_check_with_its_cautions() -> None:
    """Who is suspected, what to do next, how, and what to beware of."""
    _, said = hold([])
    assert "coil-open" in said
    assert "Next check (coil-volts)" in said
    for caution in CHECKS["coil-volts"].cautions:
        assert CAUTIONS[caution] in said


def test_a_bare_reading_answers_the_proposed_check() -> None:
    """'27 V' is taken for volts at the coil, and who is ruled out is told with the reason."""
    _, said = hold(["27 V"])
    assert "27 V: the voltage at the coil is normal" in said
    [out] = [line for line in said.split("\n") if "ruled out, because the voltage at the coil is normal: " in line]
    for title in ("high-pressure switch has opened", "low-pressure switch has opened", "defrost or lockout board"):
        assert title in out


def test_another_check_is_answered_by_its_name() -> None:
    """CHECK: READING."""
    talking = Talk(session(), "a technician")
    talking.answer("coil-ohms: OL")
    assert list(talking.session.answers) == ["coil-ohms"]
    assert talking.session.verdict().suspects[0] == "coil-open"


@pytest.mark.parametrize("line", ["15 parrots", "no-such-check: 3", "back plunger", "found gremlins", "", "coil-ohms:"])
def test_what_cannot_be_used_is_told_and_changes_nothing(line: str) -> None:
    """The talk goes on, and the session is as it was."""
    talking = Talk(session(), "a technician")
    said = talking.answer(line)
    assert said[0].startswith("That cannot be used")
    assert not talking.over
    assert not talking.session.answers


def test_found_ends_the_talk_with_the_visit() -> None:
    """What it was, by whom and when."""
    ended, said = hold(["0 V", "found loose-connection", "never heard"])
    assert ended.visit is not None
    assert (ended.visit.was, ended.visit.by, ended.visit.wall_s) == ("loose-connection", "a technician", 5.0)
    assert said.endswith("Kept: it was loose or burnt connection.")


def test_quit_and_the_end_of_input_end_without_a_visit() -> None:
    """Nothing is claimed to have been found; the answers are still in the session."""
    for lines in (["0 V", "quit"], ["0 V"]):
        ended, _ = hold(lines)
        assert ended.visit is None
        assert list(ended.session.answers) == ["coil-volts"]


def test_skip_puts_another_check_forward() -> None:
    """Each skip goes on to the next one worth doing, then there is none."""
    talking = Talk(session(), "a technician")
    names = [offer.check.name for offer in talking.session.offers()]
    assert talking.answer("skip")[0].startswith(f"Next check ({names[1]})")
    for name in names[2:]:
        assert talking.answer("skip")[0].startswith(f"Next check ({name})")
    assert talking.answer("skip")[0].startswith("No further check would help")


def test_why_list_back_and_help_answer() -> None:
    """Reasons, the checks worth doing, an answer taken back, what can be said."""
    talking = Talk(session(), "a technician")
    assert any("armature-blocked" in line and "draws no current" in line for line in talking.answer("why"))
    listed = [line.split()[0] for line in talking.answer("list")]
    assert listed == [offer.check.name for offer in talking.session.offers()]
    assert talking.answer("help") == list(HELP)
    talking.answer("coil-ohms: 14")
    assert "in question again: contactor coil open" in "\n".join(talking.answer("back coil-ohms"))


def test_a_check_is_described_in_full_once() -> None:
    """The second time its name is enough."""
    talking = Talk(session(), "a technician")
    assert "\n".join(describe(CHECKS["coil-volts"])) in "\n".join(talking.opening())
    assert talking.answer("leads: 0.2")[-1].endswith("as described above")


def test_two_faults_together_are_said() -> None:
    """Where no single suspect explains it, the pair is named."""
    _, said = hold(["coil-ohms: OL", "connections: loose"])
    assert "together these would: coil-open and loose-connection" in said


def test_senses_that_would_help_are_named() -> None:
    """With no coil sense, it is what would narrow the list."""
    less = VisitSession(
        ["call-without-pull-in"], unit=Unit(), seen={"call": "on", "load": "off"}, fitted=("call", "load")
    )
    assert any(
        "Sensors that would narrow it down further: " in line and "coil current" in line
        for line in Talk(less, "x").opening()
    )


@pytest.mark.parametrize("check", CHECKS.values(), ids=CHECKS)
def test_every_check_is_told_in_full(check: object) -> None:
    """Steps, tools, expected reading and, by eye, the answers there are."""
    said = "\n".join(describe(check))  # type: ignore[arg-type]
    assert "expected:" in said
    assert "1. " in said


def test_a_homeowner_hears_what_to_do_and_at_the_end_whom_to_call() -> None:
    """No repair and no 'found': what to do about the look, then one line to read out to the technician."""
    visit = VisitSession(["control-power-lost"], unit=Unit(), who="homeowner")
    words = HomeownerWords(partial(visits.advice, visit), partial(visits.read_out, visit, "control-power-lost", None))
    talking, said = Talk(visit, "Pat", words=words), [""]
    while (check := visit.next_check()) is not None:
        assert check.who == "homeowner"
        said += talking.answer("off" if check.name == "breakers" else check.sound or check.symbols[0])
    assert any("indoor unit’s breaker may be switched fully off and on once" in line for line in said)
    assert "Call a technician, and read out:" in said[-2]
    assert "Looked at: " in said[-1]
    assert "a breaker has tripped or a disconnect is out" in said[-1]
    assert not any("Say found" in line for line in said)


def test_what_was_answered_before_is_said_at_the_beginning() -> None:
    """Of the command line, or of an earlier visit since the finding was raised: as it was read, and what it means."""
    visit = session()
    visit.enter("coil-volts", "0 V")
    said = "\n".join(Talk(visit, "Ada").opening())
    assert "coil-volts                0 V: there is no voltage at the coil" in said


def test_a_reading_that_contradicts_what_is_sensed_is_asked_for_again_and_says_why() -> None:
    """27 V from R to C where the monitor has no 24 V behind the fuse; and a suspect may be named with blanks."""
    visit = VisitSession(["control-power-lost"], unit=Unit(), seen={"control_power": "off"}, fitted=("control_power",))
    talking = Talk(visit, "Ada")
    assert "Measure again (rc-volts)" in talking.answer("rc-volts: 27 V")[-1]
    assert talking.answer("found control fuse")[0] == "Kept: it was control fuse open."


def test_volts_across_a_float_switch_wait_for_the_24_v_ahead_of_it() -> None:
    """An open switch shows nothing across it where nothing arrives."""
    visit = VisitSession(["control-power-lost"], unit=Unit(), seen={"control_power": "off"}, fitted=("control_power",))
    names = [offer.check.name for offer in visit.offers()]
    assert "rc-volts" in names
    assert "float-volts" not in names


def test_no_answer_is_taken_for_a_command() -> None:
    """What may be typed at a check never is one of the talk's own words ("all" lists the suspects)."""
    commands = {word for line in HELP for word in re.findall(r"(?:^|  )([a-z]+)\b", line)} | {"help"}
    assert {"list", "skip", "back", "found", "all", "quit", "why"} <= commands
    for check in CHECKS.values():
        assert not commands & set(check.symbols), check.name


def test_found_and_still_wrong_goes_on_with_the_visit() -> None:
    """The first cause is kept, and the talk ends with what is still there; what does not exist ends nothing."""
    ended, said = hold(["found float-switch still gremlins", "found float-switch still outdoor unit dead"])
    assert said.count("That cannot be used") == 1
    assert ended.visit is not None
    assert (ended.visit.was, ended.still) == ("float-switch", "outdoor-unit-dead")
    talking = Talk(session(), "a technician")
    talking.session.enter("coil-ohms", "OL")
    talking.session.skipped |= CHECKS.keys()
    assert any("found coil-open still" in line for line in talking.answer("skip"))
