"""The first sentence: a status that is too old, or unknown, never sounds well."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.records import (
    AlertState,
    CycleState,
    LinkState,
    UnitStatus,
)
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.calm import calm
from condenser_monitor.web.headline import Headline, headline
from tests.monitor import units


def status(*parts: tuple[float, units.Readings]) -> UnitStatus:
    engine = Engine(Settings(unit=units.UNIT), fitted=units.ALL)
    units.events(units.scans(*parts), engine=engine)
    return engine.status()


def said(found: UnitStatus | None, *, blind: bool = False) -> Headline:
    return headline(found, calm(found, stale=blind), age="5 min", when="12:00", unit=units.UNIT)


RUN = status((20, units.REST), (60, units.RUN))
FAULT = status((20, units.REST), (60, units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)))
SILENT = status((20, {}))


@settings(deadline=None)
@given(
    found=st.sampled_from([RUN, FAULT, SILENT, None]),
    cycle=st.sampled_from(list(CycleState)),
    state=st.sampled_from(list(LinkState)),
)
def test_a_blind_page_never_says_that_all_is_well(
    found: UnitStatus | None, cycle: CycleState, state: LinkState
) -> None:
    """Whatever the old status held, the sentence is of kind blind and says so."""
    if found is not None:
        links = tuple(msgspec.structs.replace(link, state=state) for link in found.links)
        found = msgspec.structs.replace(found, cycle=cycle, links=links)
    sentence = said(found, blind=True)
    assert sentence.kind == "blind"
    assert "well" not in sentence.headline


@settings(deadline=None)
@given(st.sampled_from(list(CycleState)), st.lists(st.sampled_from(list(LinkState)), min_size=8, max_size=8))
def test_all_is_well_only_when_every_sensed_link_and_the_cycle_are_known(
    cycle: CycleState, states: list[LinkState]
) -> None:
    """One sensed link that is not known is enough not to say it."""
    links = tuple(msgspec.structs.replace(link, state=s) for link, s in zip(RUN.links, states, strict=True))
    sentence = said(msgspec.structs.replace(RUN, cycle=cycle, links=links))
    known = cycle is not CycleState.UNKNOWN and LinkState.UNKNOWN not in states
    assert (sentence.kind == "good") is known


def test_a_finding_comes_before_all_else() -> None:
    """The headline, the advice and the line for the technician are those of the finding."""
    sentence = said(FAULT)
    assert sentence.kind == "urgent"
    assert sentence.headline == texts.FINDINGS["call-without-pull-in"].headline
    assert sentence.finding is FAULT.findings[0]
    assert texts.CARE["one-pole"] in sentence.avoid


def test_the_most_severe_finding_is_told_first_and_of_these_the_oldest() -> None:
    """An older warning does not hide an urgent one."""
    base = FAULT.findings[0]
    watch = msgspec.structs.replace(base, name="long-run", severity="watch", raised_s=0.0)
    newer = msgspec.structs.replace(base, name="locked-rotor", raised_s=base.raised_s + 5)
    sentence = said(msgspec.structs.replace(FAULT, findings=(watch, newer, base)))
    assert sentence.finding is not None
    assert sentence.finding.name == "call-without-pull-in"


@pytest.mark.parametrize("state", [AlertState.LATCHED_UNACKED, AlertState.LATCHED_ACKED])
def test_a_latched_alert_is_not_well(state: AlertState) -> None:
    """A locked rotor whose current is gone proves nothing."""
    alert = FAULT.alerts[0]
    latched = msgspec.structs.replace(alert, finding="locked-rotor", state=state, active=False)
    sentence = said(msgspec.structs.replace(RUN, alerts=(latched,)))
    assert sentence.kind == "urgent"
    assert "not known to be repaired" in sentence.headline
    assert texts.FINDINGS["locked-rotor"].headline in sentence.headline
