"""The ladder: what it shows follows from the status alone, and nothing is told by colour alone."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import msgspec
import pytest

from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.links import CHAIN
from condenser_monitor.monitor.core.records import LinkState, UnitStatus
from condenser_monitor.monitor.drawing import ladder, wiring
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.strings import texts
from tests.monitor import units

DEAD_COIL = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
LIVE, DEAD, UNKNOWN = LinkState.LIVE, LinkState.DEAD, LinkState.UNKNOWN


def status(
    *parts: tuple[float, units.Readings], fitted: tuple[str, ...] = units.ALL, unit: Unit = units.UNIT
) -> UnitStatus:
    """What an engine says after these readings."""
    engine = Engine(Settings(unit=unit), fitted=fitted)
    units.events(units.scans(*parts), fitted=fitted, engine=engine)
    return engine.status()


# what was sensed -> (where the tag is, what it says)
FLAGGED = {
    "healthy run": ([(20, units.REST), (60, units.RUN)], {}),
    "rest": ([(60, units.REST)], {}),
    "coil open": ([(20, units.REST), (60, DEAD_COIL)], {"coil-current": "break here"}),
    "contacts foul": ([(20, units.REST), (60, units.but(DEAD_COIL, coil_a=0.26))], {"contacts": "break here"}),
    "float switch": ([(20, units.REST), (60, units.but(units.REST, thermostat=True))], {"call": "break here"}),
    "control fuse": (
        [(20, units.REST), (60, units.but(units.REST, control_power=False))],
        {"control-power": "break here"},
    ),
    "no supply": ([(20, units.REST), (60, units.but(units.REST, supply=False))], {"line-supply": "break here"}),
    "compressor out": ([(20, units.REST), (90, units.but(units.RUN, compressor_a=0.0))], {"compressor": "break here"}),
    "fan out": ([(20, units.REST), (90, units.but(units.RUN, fan_a=0.0))], {"fan": "break here"}),
    "welded": (
        [(60, units.RUN), (60, units.but(units.REST, load=True, compressor_a=9.0, fan_a=1.0))],
        {"contacts": "stuck closed"},
    ),
    "locked": ([(20, units.REST), (10, units.but(units.RUN, compressor_a=60.0))], {"compressor": "cannot turn"}),
    "weak volts": ([(20, units.REST), (60, units.but(units.RUN, control_v=19.0))], {"call": "low voltage"}),
}


@pytest.mark.parametrize("case", FLAGGED)
def test_the_trouble_is_flagged_at_its_own_place_and_nowhere_else(case: str) -> None:
    """Each fault has one ring with one tag, at the link where it is; a healthy unit has none."""
    parts, expected = FLAGGED[case]
    found = status(*parts)
    assert wiring.marks(found) == expected
    drawn = ladder.svg(found, units.UNIT)
    assert drawn.count('class="ring"') == len(expected)
    assert all(f">{words}</text>" in drawn for words in expected.values())


@pytest.mark.parametrize("case", FLAGGED)
def test_it_is_well_formed_and_has_a_title_and_a_description(case: str) -> None:
    """Any XML reader takes it; title and description are named by aria-labelledby; every link is in the description."""
    found = status(*FLAGGED[case][0])
    root = ElementTree.fromstring(ladder.svg(found, units.UNIT, name="x"))
    space = "{http://www.w3.org/2000/svg}"
    assert root.get("aria-labelledby") == "x-title x-desc"
    told = root.findtext(f"{space}desc") or ""
    assert all(texts.LINKS[link.name].title + ":" in told for link in CHAIN)


def test_the_three_states_differ_without_colour() -> None:
    """Width and dashes differ between lit, dead and unknown, and so do the words beside them."""
    from condenser_monitor.monitor.drawing.symbols import pen

    shapes = {re.sub(r'class="[^"]*"', "", pen(state)) for state in LinkState}
    assert len(shapes) == 3
    for link in texts.LINKS.values():
        assert len({link.live, link.dead, texts.WORDS["not-sensed"], texts.WORDS["no-reading"]}) == 4


def test_a_blinded_ladder_shows_nothing_live_dead_or_measured() -> None:
    """Every part of a status that is too old is dotted; no figure and no flag is left."""
    blind = wiring.blinded(status((20, units.REST), (60, DEAD_COIL)))
    assert {row.state for row in wiring.rows(blind)} == {UNKNOWN}
    assert set(wiring.parts(blind, units.UNIT)) == {UNKNOWN}
    drawn = ladder.svg(blind, units.UNIT)
    assert "s-live" not in drawn
    assert 'class="ring"' not in drawn
    assert not re.search(r"\d\.\d+ [VA]<", drawn)


def test_a_one_pole_contactor_leaves_its_second_leg_live() -> None:
    """With one pole the leg from L2 is live at rest, drawn through, and said to be; with two poles it is dead."""
    rest = status((60, units.REST))
    two = msgspec.structs.replace(units.UNIT, contactor_poles=2)
    assert wiring.parts(rest, units.UNIT).return_leg is LIVE
    assert wiring.parts(rest, two).return_leg is DEAD
    assert "stays live" in ladder.svg(rest, units.UNIT)
    assert "stays live" not in ladder.svg(rest, two)
    # open contacts are drawn with their blade up: one in the one, two in the other
    blade = re.compile(r'<path d="M[\d.]+ 346L[\d.]+ 329"')
    assert len(blade.findall(ladder.svg(rest, units.UNIT))) == 1
    assert len(blade.findall(ladder.svg(rest, two))) == 2


def test_what_no_sense_tells_is_said_to_be_inferred() -> None:
    """Without the indoor board, power and thermostat are inferred from the call, and marked so in picture and list."""
    found = status((20, units.REST), (60, units.RUN), fitted=units.ALL[:8])
    rows = {row.name: row for row in wiring.rows(found)}
    assert rows["control-power"].inferred
    assert rows["thermostat-call"].inferred
    assert not rows["call"].inferred
    assert ladder.svg(found, units.UNIT).count("(inferred)</text>") == 2
    assert "inferred" in ladder.state_words(rows["control-power"])


def test_a_dead_wire_behind_the_fuse_does_not_accuse_the_transformer() -> None:
    """No 24 V behind the fuse leaves the transformer unknown: the fuse may be what opened."""
    found = wiring.parts(status((20, units.REST), (60, units.but(units.REST, control_power=False))), units.UNIT)
    assert found.transformer is UNKNOWN
    assert found.control_power is DEAD


def test_the_wire_between_the_safeties_is_not_guessed() -> None:
    """Thermostat calling and no call at the unit: where it is lost is not known, so float and pressure are dotted."""
    found = status((20, units.REST), (60, units.but(units.REST, thermostat=True)))
    assert wiring.parts(found, units.UNIT).safeties is UNKNOWN


def test_a_delay_relay_is_drawn_only_where_there_is_one() -> None:
    """The time-delay relay of the nameplate stands between call and coil."""
    found = status((60, units.REST))
    delayed = msgspec.structs.replace(units.UNIT, delay_on_make_s=5.0)
    assert ">TDR<" in ladder.svg(found, delayed)
    assert ">TDR<" not in ladder.svg(found, units.UNIT)


@pytest.mark.parametrize(("tap", "known"), [("y-terminal", False), ("coil", True)])
def test_the_pressure_switches_stand_on_their_side_of_the_call(tap: str, known: bool) -> None:
    """Common practice: the unit's pressure switches sit between its Y terminal and the coil. A call that arrives at the
    terminal says nothing of them, so with a dead coil they are in doubt and within the ring; taken at the coil, the
    call itself shows them closed."""
    unit = msgspec.structs.replace(units.UNIT, call_tap=tap)
    running = status((20, units.REST), (60, units.RUN), unit=unit)
    broken = status((20, units.REST), (60, DEAD_COIL), unit=unit)
    assert wiring.parts(running, unit).switches is LIVE
    assert wiring.parts(broken, unit).switches is (LIVE if known else UNKNOWN)
    drawn = ladder.svg(broken, unit)
    label = re.search(r'<text x="([\d.]+)"[^>]*>pressure switch<', drawn)
    call = re.search(r'<text x="([\d.]+)"[^>]*>Call at unit<', drawn)
    ring = re.search(r'<rect x="([\d.]+)" [^>]*width="([\d.]+)" [^>]*class="ring"', drawn)
    assert label
    assert call
    assert ring
    # The outdoor rung runs from right to left: what is further right comes first.
    assert (float(label[1]) > float(call[1])) is known
    assert (float(ring[1]) + float(ring[2]) > float(label[1])) is not known


def test_every_mark_names_a_finding_a_link_and_words_of_the_catalogue() -> None:
    """The table of marks cannot point at what is not there."""
    for finding, (link, word) in wiring.MARKS.items():
        assert finding in texts.FINDINGS
        assert link in texts.LINKS
        assert word in texts.WORDS


def test_what_hangs_on_an_unswitched_leg_is_not_drawn_dead() -> None:
    """At rest a one-pole contactor leaves motors and run capacitor joined to L2, and their wires lit; two poles do not.

    Common practice: about 120 V to ground stands at the motors' terminals behind open one-pole contacts.
    """
    rest = status((60, units.REST))
    two = msgspec.structs.replace(units.UNIT, contactor_poles=2)
    wires = re.compile(r'<polyline points="(?:231,424|252,474|224,538) 288,\d+" class="s-(\w+)"')
    assert wires.findall(ladder.svg(rest, units.UNIT)) == ["live"] * 3
    assert wires.findall(ladder.svg(rest, two)) == ["dead"] * 3
    off = status((20, units.REST), (60, units.but(units.REST, supply=False)))
    assert wires.findall(ladder.svg(off, units.UNIT)) == ["dead"] * 3
    assert "motors too" in ladder.svg(rest, units.UNIT)
    assert "motors too" not in ladder.svg(rest, two)


def test_a_locked_rotor_is_not_said_to_run() -> None:
    """Picture, list and description agree: it draws current and cannot turn."""
    found = status((20, units.REST), (10, units.but(units.RUN, compressor_a=60.0)))
    row = next(row for row in wiring.rows(found) if row.name == "compressor")
    assert row.state is LIVE
    assert ladder.state_words(row) == "stalled (60.0 A, cannot turn)"


def test_a_secondary_that_gives_voltage_has_a_fed_primary() -> None:
    """24 V behind the transformer proves its primary; no 24 V leaves it unknown."""
    primary = re.compile(r'<path d="M36 76a[^"]*" class="s-(\w+)"')
    fed, unfed = status((60, units.REST)), status((60, units.but(units.REST, control_power=False)))
    assert primary.findall(ladder.svg(fed, units.UNIT)) == ["live"]
    assert primary.findall(ladder.svg(unfed, units.UNIT)) == ["unknown"]


def test_labels_of_the_left_column_keep_a_line_between_them() -> None:
    """With the least senses the contacts' label has three lines; the compressor's still begins clear below it."""
    found = status((20, units.REST), (60, units.RUN), fitted=("call", "compressor_a"))
    drawn = ladder.svg(found, units.UNIT)
    lines = sorted(float(y) for y in re.findall(r'<text x="14" y="([\d.]+)"', drawn))
    title = float(re.findall(r'y="([\d.]+)" class="part-name" text-anchor="start">Compressor<', drawn)[0])
    assert title - max(y for y in lines if y < title) >= 20
