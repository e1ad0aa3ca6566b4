"""Checks with a meter on the line side. Rows of the catalogue in rows.py; every figure is from monitor/limits.py."""

from __future__ import annotations

from condenser_monitor.monitor import limits, sources
from condenser_monitor.monitor.diagnosis.checks.base import (
    CALLING,
    CLOSED,
    DEAD,
    LINE_LIVE,
    OFF_INSIDE,
    OHMS,
    PRESENT,
    SETTLED,
    TOOLS,
    UNDER_ONE_OHM,
    WINDINGS,
    Bound,
    Check,
    CheckOutcome,
    by_limit,
    by_practice,
    by_source,
    outcomes,
    path,
    volts,
)

M = limits.METER
_LINE_VOLTS = (Bound(M.line_absent), Bound(M.line_half), Bound(M.line_low), Bound(M.line_high))
_CAPACITOR = (
    Bound(M.capacitor_dead, "rated"),
    Bound(M.capacitor_good, "label"),
    Bound(M.capacitor_over, "label"),
)
_RUN_CAPACITOR = (
    Bound(M.capacitor_dead, "rated"),
    Bound(M.capacitor_good, "run-capacitor"),
    Bound(M.capacitor_over, "run-capacitor"),
)
_CAPACITOR_TOOLS = ("multimeter with a capacitance range", "20 kohm 2 W resistor with clips")
_CLAMP = ("clamp meter, true RMS, CAT III 600 V",)
_LINE_EXPECTED = (
    f"{limits.METER.line_low.value:g} to {limits.METER.line_high.value:g} V line to line,"
    " falling by a few volts at start"
)


def _line_volts(where: str) -> tuple[CheckOutcome, ...]:
    """Outcomes of a line voltage, half of it a case of its own."""
    absent, *others = volts(where)
    return (absent, CheckOutcome("half", f"only half the line voltage is {where}, as where one leg is lost"), *others)


def _capacitor(what: str) -> tuple[CheckOutcome, ...]:
    """Outcomes of a capacitor's microfarads."""
    return outcomes(
        dead=f"{what} is dead",
        weak=f"{what} is weak",
        good=f"{what} is within its tolerance",
        over=f"{what} reads more than its label: wrong part, or measured with wires on",
    )


_LINE = by_source(sources.COMPRESSOR_VOLTS, "197 to 253 V")
_LABEL = by_source(sources.CAPACITOR_BAND, "6 %")

LINE_CHECKS: tuple[Check, ...] = (
    Check(
        name="line-volts",
        title="Line volts ahead of the contactor, L1 to L2",
        where="outdoor unit",
        power="live",
        minutes=4,
        hazard=3,
        quantity="V",
        outcomes=_line_volts("ahead of the contactor"),
        bounds=_LINE_VOLTS,
        sound=None,
        expected=_LINE_EXPECTED,
        basis=limits.METER.line_low.basis,
        source=limits.METER.line_low.source,
        same_as=("supply", PRESENT),
        figures=(_LINE,),
        steps=("Measure AC volts from L1 to L2, line to line; never judge by one leg to ground.",),
        tools=TOOLS,
        cautions=LINE_LIVE,
    ),
    Check(
        name="load-volts",
        title="Line volts behind the contactor, T1 to T2, calling",
        where="outdoor unit",
        power="live",
        minutes=4,
        hazard=3,
        quantity="V",
        outcomes=_line_volts("behind the contacts"),
        bounds=_LINE_VOLTS,
        sound=None,
        expected=f"as L1 to L2: {_LINE_EXPECTED}; each closed pole drops next to nothing",
        basis=limits.METER.line_low.basis,
        source=limits.METER.line_low.source,
        same_as=("load", PRESENT),
        figures=(_LINE, by_practice("120 V", "half of the line's 240 V, which is all a leg has to ground")),
        steps=(
            CALLING,
            "Measure AC volts from T1 to T2, line to line; to ground a one-pole contactor always shows 120 V.",
        ),
        tools=TOOLS,
        cautions=LINE_LIVE,
    ),
    Check(
        name="running-amps",
        title="Compressor current by clamp, calling",
        where="outdoor unit",
        power="live",
        minutes=5,
        hazard=3,
        quantity="A",
        outcomes=outcomes(
            none="the compressor draws no current",
            low="the compressor draws little current",
            normal="the compressor draws its usual current",
            high="the compressor draws more than rated load",
            overload="the compressor draws far more than rated load",
            locked="the compressor draws locked-rotor current",
        ),
        bounds=(
            Bound(limits.RUNNING_OFF_RATIO, "rla"),
            Bound(M.amps_low, "rla"),
            Bound(limits.HIGH_RUNNING_CURRENT.rla_ratio, "rla"),
            Bound(M.amps_overload, "rla"),
            Bound(limits.LOCKED_RATIO, "lra"),
        ),
        sound=None,
        expected="half to nine tenths of rated load, more in heat; up to 4 A with no call may be capacitor heat",
        basis=limits.METER.amps_low.basis,
        source=limits.METER.amps_low.source,
        same_as=(
            "compressor_a",
            {"still": ("none",), "running": ("low", "normal", "high", "overload"), "locked": ("locked",)},
        ),
        figures=(by_source(sources.CAPACITOR_LAW, "4 A", "45 uF at 240 V, 60 Hz pass 4.07 A"),),
        steps=(CALLING, "Clamp the compressor's common lead; read after two minutes, or at once if it only hums."),
        tools=_CLAMP,
        cautions=LINE_LIVE,
    ),
    Check(
        name="line-fuses",
        title="Fuses of the disconnect, continuity",
        where="outdoor unit",
        power="off",
        minutes=5,
        hazard=1,
        quantity="ohm",
        outcomes=path("each line fuse", " or one of them"),
        bounds=CLOSED,
        over="open",
        sound="closed",
        expected="under 1 ohm each; a disconnect without fuses: type 0",
        basis=limits.METER.closed.basis,
        source=limits.METER.closed.source,
        figures=(UNDER_ONE_OHM, by_practice("0")),
        steps=("Breaker off and locked, pull-out removed.", "Measure each fuse; type the highest reading."),
        tools=TOOLS,
        cautions=("isolate", "absence", "leads"),
        chance=0.02,
    ),
    Check(
        name="run-capacitor",
        title="Run capacitor, microfarads (C to HERM)",
        where="outdoor unit",
        power="off",
        minutes=6,
        hazard=1,
        quantity="uF",
        outcomes=_capacitor("the run capacitor"),
        bounds=_RUN_CAPACITOR,
        over="dead",
        sound="good",
        expected="the microfarads of the unit's data, where the site file gives them, else of the label, within its"
        " tolerance (usually 6 % either way); a bulged or oily case is dead whatever it reads",
        basis=M.capacitor_good.basis,
        source=M.capacitor_good.source,
        figures=(_LABEL,),
        steps=(
            DEAD,
            "Wires off. Measure C to HERM. Type the reading and what is printed: '44.1 uF of 45',"
            " with its tolerance where that is not 6 %: '44.1 uF of 45 5%'.",
        ),
        tools=_CAPACITOR_TOOLS,
        cautions=(*OFF_INSIDE, "wires-off"),
        chance=0.08,
    ),
    Check(
        name="fan-capacitor",
        title="Fan capacitor, microfarads (C to FAN)",
        where="outdoor unit",
        power="off",
        minutes=6,
        hazard=1,
        quantity="uF",
        outcomes=_capacitor("the fan capacitor"),
        bounds=_CAPACITOR,
        over="dead",
        sound="good",
        expected="the printed microfarads within the label's own tolerance (usually 6 % either way)",
        basis=M.capacitor_good.basis,
        source=M.capacitor_good.source,
        figures=(_LABEL,),
        steps=(
            DEAD,
            "Wires off. Measure C to FAN. Type the reading and what is printed: '4.9 uF of 5',"
            " with its tolerance where that is not 6 %: '4.9 uF of 5 10%'.",
        ),
        tools=_CAPACITOR_TOOLS,
        cautions=(*OFF_INSIDE, "wires-off"),
        chance=0.08,
    ),
    Check(
        name="winding-ohms",
        title="Compressor windings, ohms (C-R, C-S, R-S)",
        where="outdoor unit",
        power="off",
        minutes=12,
        hazard=1,
        quantity="windings",
        outcomes=outcomes(
            balanced="the compressor's windings are whole",
            overload_open="the compressor's internal overload is open",
            winding_open="a compressor winding is open",
            unequal="the compressor's windings do not add up, or are not 2 to 5 times each other: an end was missed, or"
            " turns are shorted",
        ),
        sound="balanced",
        expected="R-S is C-R plus C-S; C-S is 2 to 5 times C-R; C-R and C-S over range, R-S whole: overload open",
        basis="common practice",
        source="the internal overload sits in the common lead of a single-phase compressor",
        figures=(by_source(sources.WINDINGS, "2 to 5 times", "3 to 5 times; from 2 on is common practice"),),
        steps=(
            DEAD,
            "Let a hot compressor cool first (an overload may take some hours). Take its leads off at contactor and"
            " capacitor,"
            " not at the compressor.",
            "Measure C to R, C to S, R to S; type the three in that order: '0.8 1.9 2.7' or 'OL OL 2.7'.",
        ),
        tools=TOOLS,
        cautions=WINDINGS,
        chance=0.02,
    ),
    Check(
        name="compressor-to-ground",
        title="Compressor windings to ground, insulation",
        where="outdoor unit",
        power="off",
        minutes=6,
        hazard=1,
        quantity="ohm",
        outcomes=outcomes(
            grounded="the compressor's windings touch ground",
            doubtful="the compressor's insulation is weak (moisture or worn oil)",
            clear="the compressor's windings are clear of ground",
            no_short="no dead short to ground; an ordinary meter does not see weak insulation",
        ),
        bounds=(Bound(M.insulation), Bound(M.insulation_good)),
        over="no-short",
        sound="clear",
        uncleared="no-short",
        expected="20 megohm or more to bare copper pipe with a tester at 500 V; 0.5 to 20 is weak, less is grounded."
        " OL on an"
        " ordinary meter clears a dead short only",
        basis=M.insulation.basis,
        source=M.insulation.source,
        figures=(
            by_limit(M.insulation_good, "20 megohm"),
            by_practice("500 V"),
            by_limit(M.insulation, "0.5 to 20"),
        ),
        steps=(
            DEAD,
            "Take the compressor's leads off at the contactor's end. Measure from each to clean copper pipe; type the"
            " lowest reading, 'OL' for an ordinary meter over range, '2000 M' for a tester at the end of its scale.",
            "Grounded: leave the terminal cover on and do not energize it again.",
        ),
        tools=("multimeter, or insulation tester at 500 V (never under vacuum)",),
        cautions=(*WINDINGS, "no-reset"),
        chance=0.01,
    ),
    Check(
        name="fan-ohms",
        title="Fan motor windings, ohms",
        where="outdoor unit",
        power="off",
        minutes=8,
        hazard=1,
        quantity="ohm",
        outcomes=outcomes(usual="the fan motor's windings are whole", open="a fan motor winding is open"),
        bounds=(Bound(limits.METER.fan_open),),
        over="open",
        sound="usual",
        expected="some ohms to a few hundred between each two leads, none over range once the motor is cold",
        basis=limits.METER.fan_open.basis,
        source=limits.METER.fan_open.source,
        steps=(DEAD, "Motor cold, leads off. Measure between each two leads; type the highest reading."),
        tools=TOOLS,
        cautions=OHMS,
        chance=0.02,
    ),
    Check(
        name="sense-compare",
        title="The monitor's reading against a meter",
        where="outdoor unit",
        power="live",
        minutes=10,
        hazard=3,
        quantity="eye",
        outcomes=outcomes(
            agrees="the monitor's readings agree with a meter", differs="a reading of the monitor differs from a meter"
        ),
        sound="agrees",
        expected="current and voltage within a few per cent, presence the same",
        basis="ours",
        source="the monitor's accuracy as measured in its tests",
        steps=("Measure where the doubtful sense sits and compare with what the monitor shows at that moment.",),
        tools=_CLAMP,
        cautions=LINE_LIVE,
        chance=0.05,
    ),
    Check(
        name="leg-to-ground",
        title="Each leg to ground ahead of the contactor",
        where="outdoor unit",
        power="live",
        minutes=5,
        hazard=3,
        quantity="eye",
        outcomes=outcomes(
            both="both legs are live to ground",
            one_missing="one leg is dead to ground",
            none="both legs are dead to ground",
        ),
        sound="both",
        expected="about 120 V from each of L1 and L2 to ground, contactor open; 120 V between L1 and L2 with one leg"
        " near 0 is a"
        " lost leg feeding back through the motors",
        basis=sources.SERVICE_NOMINAL.basis,
        source=sources.SERVICE_NOMINAL.text,
        figures=(by_source(sources.SERVICE_NOMINAL, "120 V"), by_practice("0")),
        steps=("Call off. Measure AC volts from L1 to ground and from L2 to ground.",),
        tools=TOOLS,
        cautions=LINE_LIVE,
        chance=0.01,
    ),
    Check(
        name="start-volts",
        title="Least line volts at the start",
        where="outdoor unit",
        power="live",
        minutes=6,
        hazard=3,
        quantity="V",
        outcomes=outcomes(
            deep="the line voltage breaks down at the start", usual="the line voltage holds at the start"
        ),
        bounds=(Bound(M.start_sag, "line"),),
        sound="usual",
        expected="85 % of the rated line volts or more (204 of 240 V) at the lowest point of the start; less points at"
        " wire, joints or the service",
        basis=M.start_sag.basis,
        source=M.start_sag.source,
        figures=(
            by_limit(M.start_sag, "85 %"),
            by_source(sources.SERVICE_NOMINAL, "204 of 240 V", "85 % of 240 V"),
        ),
        steps=("Have the meter hold its least value, L1 to L2, while the compressor starts; type that.",),
        tools=("multimeter with min hold, CAT III 600 V",),
        cautions=LINE_LIVE,
        chance=0.05,
    ),
    Check(
        name="contact-drop",
        title="Volts across each closed contact, running",
        where="outdoor unit",
        power="live",
        minutes=5,
        hazard=3,
        quantity="V",
        outcomes=outcomes(
            small="the contacts drop next to nothing",
            raised="the contacts drop more than they should",
            large="the contacts are burnt: they drop a volt or more",
        ),
        bounds=(Bound(M.contact_suspect), Bound(M.contact_replace)),
        sound="small",
        expected="under 0.5 V from L1 to T1 (and L2 to T2 on two poles) at running current; from 1 V on: replace the"
        " contactor",
        basis=M.contact_suspect.basis,
        source=M.contact_suspect.source,
        figures=(by_limit(M.contact_suspect, "0.5 V"), by_limit(M.contact_replace, "1 V")),
        steps=("While it runs, measure AC volts across each closed pole; type the highest reading.",),
        tools=TOOLS,
        cautions=LINE_LIVE,
        chance=0.05,
        running=True,
    ),
    Check(
        name="capacitor-amps",
        title="Run capacitor under load, from amperes and volts",
        where="outdoor unit",
        power="live",
        minutes=6,
        hazard=3,
        quantity="load-uF",
        outcomes=outcomes(
            dead="the run capacitor is dead under load",
            weak="the run capacitor is weak under load",
            good="the run capacitor is within its tolerance under load",
            over="the run capacitor is larger than its label says",
        ),
        bounds=_RUN_CAPACITOR,
        sound="good",
        expected="microfarads = amperes x 2652 / volts at 60 Hz (3183 at 50 Hz), within the label's tolerance",
        basis=sources.CAPACITOR_LAW.basis,
        source=sources.CAPACITOR_LAW.says,
        figures=(
            by_source(sources.CAPACITOR_LAW, "2652", "a million over 2 pi times 60"),
            by_practice("60 Hz"),
            by_source(sources.CAPACITOR_LAW, "3183 at 50 Hz", "a million over 2 pi times 50"),
        ),
        steps=(
            "While it runs, clamp the lead from capacitor to start winding, and measure the volts across the"
            " capacitor.",
            "Type both and the label: '6.3 A 370 V of 45'.",
        ),
        tools=_CLAMP,
        cautions=LINE_LIVE,
        chance=0.05,
        running=True,
    ),
    Check(
        name="start-capacitor",
        title="Start capacitor, microfarads",
        where="outdoor unit",
        power="off",
        minutes=8,
        hazard=1,
        quantity="uF",
        outcomes=outcomes(
            dead="the start capacitor is dead",
            weak="the start capacitor is weak",
            good="the start capacitor is good",
            none="no start capacitor is installed",
        ),
        bounds=(Bound(M.capacitor_dead, "rated"), Bound(M.start_capacitor_good, "rated")),
        over="dead",
        absent="none",
        sound="good",
        expected="within the range on its label (usually up to 20 % over, none under); also look at the relay's coil"
        " and contacts",
        basis=M.start_capacitor_good.basis,
        source=M.start_capacitor_good.source,
        figures=(by_practice("20 %", "as the labels of start capacitors have it"),),
        steps=(
            DEAD,
            "Look first whether there is one beside the run capacitor; most units have none: type 'none'.",
            "Take the bleeding of a start capacitor slowly. Wires off. Type the reading and the label: '190 uF of"
            " 200'.",
            "Potential relay: coil some thousand ohms, contact closed at rest.",
        ),
        tools=_CAPACITOR_TOOLS,
        cautions=(*OFF_INSIDE, "start-capacitor", "wires-off"),
        chance=0.05,
    ),
    Check(
        name="fan-volts",
        title="Volts at the fan's terminals, calling",
        where="outdoor unit",
        power="live",
        minutes=6,
        hazard=3,
        quantity="V",
        outcomes=outcomes(absent="no voltage arrives at the fan", present="line voltage arrives at the fan"),
        bounds=(Bound(M.line_absent),),
        sound="present",
        expected="line voltage between the fan's two leads; a fan that a board or relay switches gets it behind that",
        basis="common practice",
        source="the unit's wiring diagram",
        steps=(CALLING, "Measure AC volts between the fan's leads at the contactor, or at the board's fan output."),
        tools=TOOLS,
        cautions=LINE_LIVE,
        chance=0.02,
    ),
    Check(
        name="air-split",
        title="Return air less supply air",
        where="indoor unit",
        power="live",
        panel=False,
        minutes=10,
        hazard=0,
        quantity="K",
        outcomes=outcomes(
            low="the air is cooled too little",
            normal="the air is cooled as it should be",
            high="the air is cooled too much",
        ),
        bounds=(Bound(M.split_low), Bound(M.split_high)),
        sound=None,
        expected="14 to 22 °F (8 to 12 K) after 15 minutes, less in damp air: low points at the refrigerant side,"
        " high at too"
        " little air",
        basis=M.split_low.basis,
        source=M.split_low.source,
        figures=(
            by_limit(M.split_low, "14 to 22 °F"),
            by_limit(M.split_high, "8 to 12 K"),
            SETTLED,
        ),
        steps=(
            "After 15 minutes of running, measure the air before and after the indoor coil. Type the difference: '18"
            " F'.",
        ),
        tools=("two thermometers",),
        cautions=("moving",),
        running=True,
    ),
    Check(
        name="static-pressure",
        title="Total external static pressure of the blower",
        where="indoor unit",
        power="live",
        panel=False,
        minutes=15,
        hazard=1,
        quantity="Pa",
        outcomes=outcomes(normal="the ducts' resistance is usual", high="the ducts' resistance is too high"),
        bounds=(Bound(M.static_high),),
        sound="normal",
        expected="0.5 in. of water (125 Pa) is what most blowers are rated at; from 0.8 in. (200 Pa) on the air is"
        " choked",
        basis=M.static_high.basis,
        source=M.static_high.source,
        figures=(
            by_practice("0.5 in. of water (125 Pa)", "what the nameplates of most blowers say"),
            by_limit(M.static_high, "0.8 in. (200 Pa)"),
        ),
        steps=(
            "Use the cabinet's own test ports. Drill only where no coil, wire, drain or heat exchanger can be behind.",
            "Measure supply and return static pressure, blower running; type the sum: '0.9 in'.",
        ),
        tools=("manometer with probes",),
        cautions=("moving",),
        chance=0.3,
        running=True,
    ),
    *(
        Check(
            name=name,
            title=title,
            where="outdoor unit",
            power="live",
            panel=False,
            minutes=25,
            hazard=2,
            quantity="K",
            outcomes=outcomes(low=f"the {name} is low", normal=f"the {name} is normal", high=f"the {name} is high"),
            bounds=tuple(
                Bound(getattr(M, f"{name}_{end}"), apart=(sign, getattr(M, f"{name}_apart")))
                for end, sign in (("low", -1.0), ("high", 1.0))
            ),
            sound="normal",
            expected=expected,
            figures=(*figures, SETTLED),
            basis=getattr(M, f"{name}_low").basis,
            source=getattr(M, f"{name}_low").source,
            steps=(
                "Air filter and condenser coil clean first; never on an iced coil. Let it run 15 minutes.",
                step,
            ),
            tools=("gauges", "pipe thermometers"),
            cautions=("refrigerant", "moving"),
            chance=0.05,
            running=True,
            wants_target=wants_target,
        )
        for name, title, expected, figures, step, wants_target in (
            (
                "superheat",
                "Superheat at the large pipe",
                "with an expansion valve 5 to 20 °F; with a fixed orifice within 5 °F of the chart's target for this"
                " weather; high with low subcooling: charge low; high with high subcooling: a restriction; low:"
                " overcharge, or too little air indoors",
                (by_limit(M.superheat_low, "5 to 20 °F"), by_limit(M.superheat_apart, "within 5 °F")),
                "Temperature of the large pipe less the boiling point at the low-side pressure. Type it: '12 F'; with a"
                " fixed orifice and its target, from the wet bulb indoors and the air outdoors, '12 F of 8'.",
                "fixed",
            ),
            (
                "subcooling",
                "Subcooling at the small pipe",
                "within 3 °F of the unit's plate, about 8 to 15 °F with an expansion valve (6 to 17 °F where nothing is"
                " printed); low: charge low; high: overcharge, a restriction or another gas",
                (
                    by_limit(M.subcooling_apart, "within 3 °F"),
                    by_practice("8 to 15 °F"),
                    by_limit(M.subcooling_low, "6 to 17 °F"),
                ),
                "Condensing point at the high-side pressure less the temperature of the small pipe. Type it: '10 F';"
                " with the plate's figure, '10 F of 12'.",
                "",
            ),
        )
    ),
)
