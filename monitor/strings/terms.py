"""What the trade's words mean, each in a sentence, for somebody who meets them in a check for the first time.

Pure. A term stands with the pattern by which it is met in the English texts of the catalogue.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS, Check
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.strings.translate import translated


class Term(NamedTuple):
    """A word, or several that belong together, and what they mean."""

    name: str
    means: str


# pattern -> term; small letters of a pattern match at the start of a sentence too
TERMS: dict[str, Term] = {
    r"contactors?": Term(
        "Contactor",
        "The large relay in the outdoor unit: 24 V on its coil closes the contacts that switch line voltage to"
        " compressor and fan. Its moving part is the plunger, or armature.",
    ),
    r"calls|calling|called|24 V call": Term(
        "Call", "The 24 V signal by which the thermostat asks the outdoor unit to cool."
    ),
    r"(?<!C to )R(?! to S)|Y": Term(
        "R, C, Y", "Terminals of the 24 V circuit: R is its supply, C its return, and Y carries the call for cooling."
    ),
    r"L1|L2|T1|T2": Term(
        "L1, L2, T1, T2", "L1 and L2 are the line wires into the contactor, T1 and T2 those out of it."
    ),
    r"disconnect": Term(
        "Disconnect", "The switch or pull-out in the box beside the outdoor unit that cuts its line voltage."
    ),
    r"lock(?:ed)?(?: and tag| and proved|,|\.)": Term(
        "Locked, tagged", "Held off with a padlock and a name on it, so that nobody switches it on meanwhile."
    ),
    r"prove(?:d)?": Term(
        "Proved dead",
        "Shown by a meter to carry no voltage, and the meter shown to work just before and just after.",
    ),
    r"one-pole|poles?": Term(
        "Pole", "One switched path of a contactor or breaker: two poles switch both line wires, one pole only one."
    ),
    r"legs?": Term("Leg", "One of the two line wires of a house's supply, about 120 V to ground each."),
    r"(?:run |fan |start )?capacitors?": Term(
        "Capacitor",
        "The can that helps a motor to start and run. It goes on holding a charge after the power is off.",
    ),
    r"HERM|C to FAN": Term(
        "C, HERM, FAN", "Terminals of a dual capacitor: C is common, HERM for the compressor, FAN for the fan."
    ),
    r"uF|microfarads": Term("Microfarads (uF)", "The size of a capacitor, printed on its label."),
    r"bleed|bled|bleeding": Term(
        "Bleed", "Let a capacitor's charge run off through a resistor, and measure that it is gone."
    ),
    r"overload": Term(
        "Overload",
        "The protector inside the compressor: it opens when the motor is too hot, and closes again, by itself,"
        " when it has cooled.",
    ),
    r"windings?|C-R|C-S|C to R": Term(
        "Windings; C, R, S",
        "The coils of wire of a motor. Of the compressor's terminals C is common to both, R is run and S is start.",
    ),
    r"to ground": Term(
        "To ground", "To bare metal of the unit. A winding that touches it is grounded, and may trip the breaker."
    ),
    r"OL|over range": Term("OL", "What an ohmmeter shows where there is no path: over range, or open."),
    r"locked-rotor|locked up": Term(
        "Locked rotor", "A motor that has voltage and does not turn. It draws several times its usual current."
    ),
    r"float switch|float": Term(
        "Float switch", "It stops the cooling when water stands in the drain pan or the drain line."
    ),
    r"condensate": Term("Condensate", "The water that runs off the indoor coil; it leaves by a pan and a drain."),
    r"(?:low-|high-)?pressure switch(?:es)?": Term(
        "Pressure switch", "It breaks the 24 V circuit when the refrigerant's pressure is too low or too high."
    ),
    r"defrost|lockout": Term(
        "Defrost or lockout board",
        "The outdoor unit's own electronics, where it has any: it may hold a call back for minutes.",
    ),
    r"control fuse": Term("Control fuse", "The small fuse of the 24 V circuit, mostly on the indoor unit's board."),
    r"transformer": Term("Transformer", "It makes the 24 V from line voltage, inside the indoor unit."),
    r"splices?": Term("Splice", "A place where two wires are joined."),
    r"jumper|clip lead": Term("Clip lead", "A short wire with a clip at each end, to join two terminals for a moment."),
    r"[Cc]ondenser": Term(
        "Condenser", "The finned coil of the outdoor unit, through which its fan draws air to carry the heat away."
    ),
    r"[Rr]egisters?|return grilles?": Term(
        "Registers, return grilles", "The openings through which air comes into the rooms and goes back to the unit."
    ),
    r"refrigerant charge|[Cc]harge (?:is|low)|the charge|overcharged?": Term(
        "Charge", "How much refrigerant is in the unit."
    ),
    r"[Ss]uperheat": Term("Superheat", "How much warmer the large pipe is than the refrigerant boils at its pressure."),
    r"[Ss]ubcooling": Term(
        "Subcooling", "How much cooler the small pipe is than the refrigerant condenses at its pressure."
    ),
    r"expansion valve|fixed orifice|[Mm]etering device": Term(
        "Metering device",
        "Where the liquid refrigerant enters the indoor coil: a fixed orifice, or an expansion valve that adjusts.",
    ),
    r"[Ss]tatic pressure": Term("Static pressure", "How hard the blower has to push the air through ducts and filter."),
    r"[Bb]lower": Term("Blower", "The fan of the indoor unit."),
    r"crankcase": Term(
        "Crankcase heater", "It keeps the oil in the compressor warm while it rests; some units have none."
    ),
    r"potential relay|start device|Start capacitor|soft starter": Term(
        "Start kit", "A second capacitor with a relay, or electronics, that help the compressor for its first moment."
    ),
    r"CAT III": Term("CAT III", "A meter's safety class, printed on it and its leads: for use at fixed wiring."),
    r"AWG": Term("AWG", "The size of a wire; the larger the number, the thinner."),
    r"leads": Term("Leads", "The meter's two test wires; of a part, the wires that come out of it."),
}
_FOUND = {re.compile(rf"(?<![\w-])(?:{pattern})(?![\w-])"): term for pattern, term in TERMS.items()}


def met(texts: Iterable[str]) -> Iterator[Term]:
    """Yield each term that is met in English texts, in the order of the table, in the reader's language."""
    words = " ".join(text[:1].lower() + text[1:] + " " + text for text in texts)
    return (translated(term) for pattern, term in _FOUND.items() if pattern.search(words))


def of_check(check: Check | None, suspects: Iterable[str]) -> list[Term]:
    """Return the terms of a check as it is shown, and of the names of suspects beside it."""
    shown = [SUSPECTS[name].title for name in suspects if name in SUSPECTS]
    if check is not None:
        cautions = (CAUTIONS[name] for name in check.cautions)
        shown += [check.title, check.expected, *check.steps, *check.tools, *cautions]
        shown += [outcome.says for outcome in check.outcomes]
    return list(met(shown))
