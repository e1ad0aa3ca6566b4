"""The talks of a visit, as a person has them: what is typed, what is told, what is kept, and what is never lost.

The boards are the real ones on fake wires; time is virtual and passes only while the boards look.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from condenser_monitor.hardware import commission, wizard
from condenser_monitor.hardware.calibration import Calibration, CalibrationPoint, calibrate
from condenser_monitor.hardware.commission import Commissioning, Phase
from condenser_monitor.monitor.commands import sensing
from condenser_monitor.monitor.core.config import (
    BoardSettings,
    SensorSettings,
    Settings,
    Site,
    Unit,
)
from condenser_monitor.monitor.core.errors import CommandError
from tests.hardware.bench import (
    BASIC,
    Bench,
    Wave,
    ohm_at,
    steady,
)
from tests.hardware.test_commission import AMOUNTS, NOON_S, PRESENT

UNIT = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1)
SETTINGS = Settings(
    site=Site(id="mill-row-2"),
    unit=UNIT,
    senses=SensorSettings(fitted=BASIC),
    boards=BoardSettings(scan_s=3.0),
)


class Person:
    """Somebody who types lines, each after some looks of the boards, and hears what is said."""

    def __init__(self, lines: Sequence[str], thinks: int = 1) -> None:
        self.heard: list[str] = []
        self._lines, self._thinks, self._left = list(lines), thinks, thinks

    def say(self, text: str) -> None:
        self.heard.append(text)

    def answer(self) -> str | None:
        """None while thinking; EOFError when there is nothing more to type."""
        if self._left:
            self._left -= 1
            return None
        self._left = self._thinks
        if not self._lines:
            raise EOFError
        return self._lines.pop(0)

    @property
    def all(self) -> str:
        return "\n".join(self.heard)


class Installation:
    """A sound unit on the bench that is brought into each phase; `upset` makes it less sound."""

    def __init__(self, upset: Callable[[Bench], None] = lambda bench: None) -> None:
        self.bench = Bench({"outdoor_c": steady(ohm_at(31.0))}, unit=UNIT)
        self.upset = upset

    def begin(self, phase: Phase) -> None:
        place = [row.name for row in commission.PHASES].index(phase.name)
        for name, row in AMOUNTS.items():
            self.bench.signals[name] = Wave(max(row[place], 1e-6))
        for name in PRESENT:
            self.bench.present(name, PRESENT[name][place])
        self.upset(self.bench)


def walked(person: Person, site: Installation | None = None, **more: object) -> Commissioning:
    site = site or Installation()
    return wizard.walk(
        SETTINGS,
        site.bench.boards,
        person.say,
        person.answer,
        by="R. Vale",
        begin=site.begin,
        wall=lambda: NOON_S,
        **more,  # type: ignore[arg-type]
    )


def test_a_walk_by_somebody_who_presses_enter() -> None:
    """Told what to do and to mind, what each phase showed with its uncertainty, and the outcome; dated and named."""
    person = Person(["", "", "", "31.5"])
    record = walked(person)
    assert (record.by, record.at, record.remarks) == ("R. Vale", "2026-07-14T18:00:00Z", ())
    assert tuple(record.phases) == ("off", "called", "running")
    assert record.thermometer_c == 31.5
    for phase in commission.PHASES:
        assert phase.do in person.all
        assert phase.mind in person.all
    # by hand, class 1 at 9.6 % of 100 A: 2.54 %, burden 1 %, converter 0.15 %, method 0.5 %; 2 / sqrt 3
    assert "compressor_a 9.60 A ± 0.31 A" in person.all
    assert record.uncertainty["running"]["compressor_a"] == pytest.approx(0.308, abs=0.005)
    assert set(record.uncertainty["running"]) == {"control_v", "coil_a", "compressor_a", "fan_a", "outdoor_c"}
    assert "All is as it should be" in person.all
    assert "Standing current without a call: 0.90 A" in person.all


def test_changes_are_told_while_the_person_works() -> None:
    """Whoever pulls the disconnect hears that supply goes off before Enter is pressed."""
    person = Person(["", "", "", ""], thinks=2)
    walked(person)
    assert person.heard.index("  supply goes off") < person.heard.index(
        next(line for line in person.heard if line.startswith("\nrunning"))
    )


@pytest.mark.parametrize("when", ["while the person works", "in the last pause of the last phase"])
def test_a_start_is_never_dropped(when: str) -> None:
    """The compressor starts while nobody watches a phase, or at the very end of one: it is in the record."""
    site = Installation()
    bench = site.bench
    bench.signals["compressor_a"] = Wave(9.6)

    def start() -> None:
        wave, over_s = Wave(9.6), bench.clock() + 0.25
        bench.signals["compressor_a"] = lambda a, b: wave(a, b) * (6.0 if a < over_s else 1.0)
        bench.present("load", True)

    def begin(phase: Phase) -> None:
        if phase.name != "running":
            site.begin(phase)
            return
        # five looks of three seconds each watch the phase: the last pause ends after all of them
        after_s = 1.7 if when.startswith("while") else 3.0 * 7 + 2.0
        site.begin(phase)
        bench.present("load", False)
        bench.at([(after_s, start)])

    record = wizard.walk(
        SETTINGS, bench.boards, lambda text: None, Person(["", "", "", ""], thinks=1).answer, by="x", begin=begin
    )
    assert record.learned.start_s == pytest.approx(0.25, abs=0.02)
    assert record.learned.start_peak_a == pytest.approx(57.6, rel=0.02)


def test_a_slow_but_sound_start_says_what_the_site_file_needs() -> None:
    """Over the 0.4 s from which a start counts as slow: the very line to write, 1.5 times as long."""
    taught = commission.Learned(start_s=0.52, start_peak_a=61.0)
    assert "[limits.slow-start] slow_s = 0.8" in commission.uses(taught, SETTINGS)[0]
    assert "slow_s" not in commission.uses(commission.Learned(start_s=0.21, start_peak_a=61.0), SETTINGS)[0]


def test_a_phase_may_be_skipped_and_a_walk_stopped() -> None:
    """What was not walked is named, and nothing is said of what only it could tell."""
    person = Person(["", "skip", "", ""])
    record = walked(person)
    assert tuple(record.phases) == ("off", "running")
    assert record.remarks == ()
    assert "Not walked through: called" in person.all
    stopped = walked(Person(["", "stop", ""]))
    assert tuple(stopped.phases) == ("off",)


def test_the_end_of_input_ends_the_walk() -> None:
    """With nothing seen it is an error and no record; with a phase seen, a record of it."""
    with pytest.raises(CommandError, match="no phase walked"):
        walked(Person([]))
    assert tuple(walked(Person([""])).phases) == ("off",)
    with pytest.raises(CommandError, match="the name of who"):
        wizard.walk(SETTINGS, Installation().bench.boards, print, lambda: "", by="  ")


def test_the_thermometer_is_asked_for_and_compared() -> None:
    """Nonsense is asked for again; a sensor in the sun is told; one given beforehand is not asked for."""
    person = Person(["", "", "", "warm", "300", "22,5"])
    record = walked(person)
    assert record.thermometer_c == 22.5
    assert [remark.senses for remark in record.remarks] == [("outdoor_c",)]
    assert "warm is no temperature" in person.all
    assert "300 is no temperature" in person.all
    assert "above the thermometer" in person.all
    given = Person(["", "", ""])
    assert walked(given, thermometer_c=31.0).remarks == ()
    assert "What does a thermometer show" not in given.all


def test_what_is_wrong_is_said_and_nothing_learned_from_it() -> None:
    """An empty jack: one remark in words, and no use made of the walk's numbers."""
    person = Person(["", "", "", ""])
    record = walked(person, Installation(lambda bench: bench.inputs[0x49].unplugged.add("fan_a")))
    assert [remark.kind for remark in record.remarks] == ["unplugged"]
    assert "Not all is in order:" in person.all
    assert "fan_a cannot be read" in person.all
    assert record.uses == ()


def test_records_are_kept_side_by_side_by_their_date(tmp_path: Path) -> None:
    """A second walk leaves the first one's record; without a clock they are numbered; all come back."""
    record = walked(Person(["", "", "", ""]))
    assert commission.place(tmp_path, record).name == "commissioning-20260714T180000Z.json"
    undated = commission.Commissioning(
        **{**{name: getattr(record, name) for name in record.__struct_fields__}, "at": ""}
    )
    for one in (record, undated, undated):
        commission.keep(commission.place(tmp_path, one), one)
    assert len(list(tmp_path.iterdir())) == 3
    kept = [commission.read(path) for path in sorted(tmp_path.iterdir())]
    assert sorted(kept, key=lambda one: one.at) == [undated, undated, record]


# ---------------------------------------------------------------- calibration


def compared(person: Person, reading: str = "compressor_a", amount: float = 9.6, **more: object) -> Calibration:
    bench = Bench({reading: Wave(amount), "outdoor_c": steady(ohm_at(31.0))}, unit=UNIT)
    return wizard.compare(
        SETTINGS,
        bench.boards,
        reading,
        person.say,
        person.answer,
        by="R. Vale",
        wall=lambda: NOON_S,
        **more,  # type: ignore[arg-type]
    )


def test_a_comparison_by_somebody_with_a_clamp_meter() -> None:
    """Told how to hold it and what to mind; dated, named, and the uncertainty before and after said."""
    person = Person(["9.8", ""])
    row = compared(person, meter="clamp no. 2", meter_share=0.01)
    assert row.gain == pytest.approx(9.8 / 9.6, rel=0.005)
    assert (row.by, row.at, row.meter, len(row.points)) == ("R. Vale", "2026-07-14T18:00:00Z", "clamp no. 2", 1)
    assert "for qualified people only" in person.all
    assert "As built 9.80 A ± 0.31 A" in person.all
    assert "as calibrated 9.80 A ± 0.13 A" in person.all


def test_a_poor_meter_is_said_to_make_nothing_surer() -> None:
    """The usual clamp meter's 3 % are more than class 1 parts may err at 20 % of their rating."""
    person = Person(["20.3", ""])
    compared(person, amount=20.0)
    assert "is no surer than before" in person.all


def test_a_comparison_that_cannot_be_is_left_out_at_once() -> None:
    """A slip of the finger and a word change nothing; the next one counts."""
    person = Person(["98", "what", "9.7", ""])
    row = compared(person)
    assert [point.meter for point in row.points] == [9.7]
    assert "left out" in person.all
    assert "what is no number" in person.all


def test_a_meter_known_beforehand_is_taken_at_once() -> None:
    """As with the value on the command line: nothing is asked."""
    row = compared(Person([]), shown=[9.7])
    assert row.points[0].meter == 9.7
    assert row.points[0].raw == pytest.approx(9.6, rel=0.01)


def test_what_cannot_be_compared_is_refused_in_words() -> None:
    """A flag, a sense that is not fitted, no name, a sense that gives no reading."""
    with pytest.raises(CommandError, match="a fitted sense that is a number"):
        wizard.compare(SETTINGS, Bench().boards, "load", print, lambda: "", by="x")
    with pytest.raises(CommandError, match="the name of who"):
        wizard.compare(SETTINGS, Bench().boards, "fan_a", print, lambda: "", by="")
    bench = Bench(unit=UNIT)
    bench.inputs[0x49].unplugged.add("fan_a")
    with pytest.raises(CommandError, match="direct voltage"):
        wizard.compare(SETTINGS, bench.boards, "fan_a", lambda text: None, Person(["1", ""]).answer, by="x")


def test_with_a_calibration_the_uncertainty_is_that_of_the_meter() -> None:
    """The walk states what is in force: a good meter narrows it."""
    row = calibrate("compressor_a", [CalibrationPoint(raw=9.6, meter=9.6)], by="x", meter_share=0.005)
    as_built, trimmed = (
        walked(Person(["", "", "", ""])),
        walked(Person(["", "", "", ""]), calibrations={"compressor_a": row}),
    )
    assert trimmed.uncertainty["running"]["compressor_a"] < as_built.uncertainty["running"]["compressor_a"] / 2


# ---------------------------------------------------------------- the terminal


def test_lines_typed_come_one_at_a_time_and_nothing_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing typed is None at once; half a line is not yet one; several in one go are several; the end is lasting."""
    out, typing = os.pipe()
    with os.fdopen(out) as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        typed = sensing._typed()
        assert typed() is None
        os.write(typing, b"one\n\nth")
        assert [typed(), typed(), typed()] == ["one", "", None]
        os.write(typing, b"ree\n")
        os.close(typing)
        assert typed() == "three"
        for _ in range(2):
            with pytest.raises(EOFError):
                typed()
