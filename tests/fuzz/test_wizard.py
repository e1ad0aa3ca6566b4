"""What people type: answers to checks, the talks of a visit, share codes, names and notes of every alphabet in the
report. Each line is understood or answered with what can be said; the report comes whatever stands in it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.hardware import wizard
from condenser_monitor.monitor.core.config import SensorSettings, Settings, parse
from condenser_monitor.monitor.core.config import Site as Named
from condenser_monitor.monitor.core.errors import CommandError, SiteError
from condenser_monitor.monitor.core.records import MeterReading, Request, RequestKind, Scan, StoredVisit
from condenser_monitor.monitor.diagnosis.checks import meter
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.visit.dialogue import Talk
from condenser_monitor.monitor.diagnosis.visit.session import OTHER, SYMPTOMS, VisitSession
from condenser_monitor.monitor.report.share import Shares
from condenser_monitor.monitor.report.write import report_html, report_pdf
from tests.fuzz.damage import ODD_NUMBERS, ODD_TEXTS
from tests.fuzz.refusals import (
    LINE_MOST,
    fuzzed,
    soon,
    tried,
)
from tests.monitor import units
from tests.web.filled import NOW_S, Site

_VERBS = st.sampled_from(["help", "list", "why", "skip", "back", "found", "quit", "stop", ""])
_READING = st.one_of(
    st.sampled_from(
        ["13.8", "13,8 ohm", "1.2k", "OL", "ol", "26 V", "yes", "no", "dry", "0", "-1", "1e5", "9" * 30, "٣ V", "½"]
    ),
    st.tuples(ODD_NUMBERS, st.sampled_from(["", " ohm", "k", "M", " V", " A", " C"])).map(
        lambda pair: f"{pair[0]}{pair[1]}"
    ),
    ODD_TEXTS,
    st.text(max_size=2000),
)
_NAMES = st.one_of(st.sampled_from([*CHECKS, *SUSPECTS, OTHER]), ODD_TEXTS)
_LINES = st.one_of(
    _READING,
    st.tuples(_NAMES, st.sampled_from([":", ": ", "=", "::"]), _READING).map("".join),
    st.tuples(_VERBS, st.just(" "), _NAMES).map("".join),
)


@fuzzed(60)
@given(symptom=st.sampled_from(sorted(SYMPTOMS)), lines=st.lists(_LINES, max_size=8))
def test_any_line_of_a_diagnosis_is_answered(symptom: str, lines: list[str]) -> None:
    """Each line is answered, in lines that a terminal only shows; a line that cannot be used changes nothing."""
    with soon(60):
        talk = Talk(VisitSession.from_symptom(symptom, unit=units.UNIT), "Ann", NOW_S)
        talk.opening()
        for line in lines:
            before = dict(talk.session.typed)
            said = talk.answer(line)
            assert said
            assert all(len(one) < LINE_MOST for one in said), line
            if said[0].startswith("That cannot be used"):
                assert talk.session.typed == before
                assert said[0].isprintable(), said


@fuzzed(200)
@given(check=st.sampled_from(sorted(CHECKS)), text=_READING)
def test_a_typed_reading_is_understood_or_refused(check: str, text: str) -> None:
    """For every check: one of its outcomes, or a refusal in words."""
    judged = tried(lambda: meter.classify(CHECKS[check], text, units.UNIT), CommandError)
    assert judged is None or judged.outcome in CHECKS[check].symbols


class _Still:
    """Boards of a unit that stands as it is."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def scan(self) -> Scan:
        self._now_s += 3.0
        return Scan(
            t_s=self._now_s, call=True, control_v=26.0, coil_a=0.25, compressor_a=9.5, fan_a=1.1, outdoor_c=31.0
        )

    def changes(self) -> list[Scan]:
        return []

    def starts(self) -> list[object]:
        return []

    def faults(self) -> dict[str, str]:
        return {}

    def idle(self, seconds: float, stop: object = None) -> None:
        self._now_s += seconds


@fuzzed(40)
@given(
    lines=st.lists(_LINES, max_size=10),
    walk=st.booleans(),
    reading=st.sampled_from(["compressor_a", "outdoor_c", "control_v"]),
)
def test_any_line_of_a_walk_or_a_comparison_is_heard(lines: list[str], walk: bool, reading: str) -> None:
    """Commissioning and calibration: a record, a calibration, or a refusal; what is said stays short."""
    left = list(lines)
    heard: list[str] = []

    def answer() -> str:
        if not left:
            raise EOFError
        return left.pop(0)

    settings = Settings(
        unit=units.UNIT,
        senses=SensorSettings(fitted=("call", "control_v", "coil_a", "compressor_a", "fan_a", "outdoor_c")),
    )
    with soon(60):
        if walk:
            tried(lambda: wizard.walk(settings, _Still(), heard.append, answer, by="Ann"), CommandError)  # type: ignore[arg-type]
        else:
            tried(lambda: wizard.compare(settings, _Still(), reading, heard.append, answer, by="Ann"), CommandError)  # type: ignore[arg-type]
    assert all(len(text) < LINE_MOST for text in heard)


@fuzzed(60)
@given(code=st.one_of(ODD_TEXTS, st.text(max_size=3000)), name=ODD_TEXTS, days=ODD_NUMBERS, valid=ODD_NUMBERS)
def test_any_share_code_and_name_is_taken_or_refused(
    tmp_path_factory: pytest.TempPathFactory, code: str, name: str, days: float, valid: float
) -> None:
    """A code that was not given out opens nothing; a code is made for a name and days that can be."""
    shares = Shares(tmp_path_factory.mktemp("shares") / "h.db")
    assert shares.check(code, wall_s=NOW_S) is None
    made = tried(lambda: shares.make(name, wall_s=NOW_S, days=days, valid_days=valid), CommandError)  # type: ignore[arg-type]
    if made is not None:
        assert shares.check(made, wall_s=NOW_S) is not None


_PEOPLE = st.one_of(ODD_TEXTS, st.text(st.characters(exclude_categories=["Cs"]), max_size=60))


@fuzzed(15)
@given(by=_PEOPLE, note=_PEOPLE, typed=_PEOPLE, name=_PEOPLE)
def test_the_report_comes_whatever_people_have_written(site: Site, by: str, note: str, typed: str, name: str) -> None:
    """Names, notes, readings and the site's own name of every alphabet: HTML without anything of theirs as markup, and
    a PDF."""
    history, finding = site.history, "call-without-pull-in"
    tried(
        lambda: history.add_request(
            Request(id=f"r{hash((by, note))}", request=RequestKind.ACKNOWLEDGE, by=by, finding=finding, note=note)
        )
    )
    site.work()
    history.add_meter_reading(
        MeterReading(check="coil-ohms", typed=typed, by=by, wall_s=NOW_S, unit=note, finding=finding)
    )
    history.add_visit(StoredVisit(was=OTHER, by=by, wall_s=NOW_S, finding=finding, note=note))
    site.flush()
    settings = Settings(site=Named(name=name), unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    with soon(60):
        text = report_html(history, settings, wall_s=NOW_S + 500)
        assert report_pdf(history, settings, wall_s=NOW_S + 500).startswith(b"%PDF")
    assert "<script>" not in text
    assert "<b>&" not in text


def test_a_site_file_takes_names_of_every_alphabet(tmp_path: Path) -> None:
    """What people are called is theirs; only what a terminal would obey is refused."""
    for name in ("Überlandstraße 4", "مبنى ٣", "公园路 7", "Ο δρόμος", "zero\u200dwidth"):
        assert parse(f'[site]\nname = "{name}"').site.name == name
    with pytest.raises(SiteError, match="none of them a control"):
        parse('[site]\nname = "a\\u001b[2J"')
