"""The findings in plain English: what each means, what to do, what to look at and what not to touch.

Part of the catalogue of texts.py, which gives it on; pure tables, ready for translation key by key.
"""

from __future__ import annotations

from typing import NamedTuple

from condenser_monitor.monitor.strings.phone import LockText
from condenser_monitor.monitor.strings.translate import Texts, mark, tr, translated


class FindingText(NamedTuple):
    """What a homeowner is told about one finding.

    headline: one plain sentence, what is the case. means: what follows from it. do: what to do now. look: keys of LOOK,
    what is safe to look at without tools, in order. avoid: keys of CARE, what not to touch. tell: one line for the
    technician. lock: what a lock screen shows.
    """

    headline: str
    means: str
    do: str
    look: tuple[str, ...]
    avoid: tuple[str, ...]
    tell: str
    lock: LockText = LockText("", "", "")


# ---------------------------------------------------------------- safe to look at, without tools

_LOOK = {
    "setting": "The thermostat: set to cool, and a few degrees below the room's temperature? Is its display lit?",
    "batteries": "The thermostat's batteries, if it has any.",
    "breakers": "The breaker panel: is a breaker for the air conditioner or the indoor unit tripped, standing half way?"
    " Switch it fully off and on once. If it trips again, leave it off.",
    "breaker-indoor": "The breaker panel: is the breaker of the indoor unit (furnace or air handler) tripped, standing"
    " half way? Switch it fully off and on once. If it trips again, leave it off. Leave the outdoor unit's breaker as"
    " it is.",
    "breaker-left": "The breaker panel: has the air conditioner's breaker tripped, standing half way? Leave it alone:"
    " a technician measures the compressor before anybody switches it on again.",
    "disconnect": "The disconnect box on the wall by the outdoor unit, from outside: is it closed, its handle on?",
    "house-power": "The lights: does the rest of the house have power?",
    "indoor-switch": "The switch at the indoor unit, which looks like a light switch: is it on, and is"
    " the cover panel shut?",
    "drain": "The pan and drain under the indoor unit: is there standing water? A float switch stops the cooling then.",
    "filter": "The indoor air filter: is it clogged?",
    "fan-blade": "The fan through the grille on top of the outdoor unit, without reaching in: does it turn? Is a branch"
    " or a nest in its way?",
    "coil-dirt": "The outdoor unit's fins, from outside: covered with leaves, grass or lint? Is anything within arm's"
    " length of them?",
    "ice": "The larger copper pipe at the outdoor unit: is it covered with ice? Ice has to thaw, with the"
    " cooling off and the fan on, before anything else can be judged.",
    "sound": "The outdoor unit, by ear from two steps away: silent, humming, clicking or running?",
    "smell": "Any burnt smell, scorch marks or buzzing. If so, switch the breaker off and stay away.",
    "cable": "The thin cable to the outdoor unit: cut by a mower or trimmer, or chewed?",
    "windows": "Open windows and doors, and registers that are shut.",
    "monitor": "The monitor's box: is its light on, and has a plug come out?",
}

# ---------------------------------------------------------------- not to touch

_CARE = {
    "cabinet": "Do not open the outdoor unit. Line voltage is inside, even when it's off.",
    "one-pole": "This unit has a one-pole contactor: one line stays live inside although the contacts are open."
    " Only the breaker or the disconnect makes it dead.",
    "capacitor": "A capacitor inside can hold more than 300 V after the power is off. It is for qualified people only.",
    "push": "Do not push the contactor in, with a stick or otherwise: that switches line voltage by hand.",
    "again": "Do not switch it off and on again and again: each try heats the compressor. One try, then leave it.",
    "breaker": "Do not hold or force a breaker that trips, and never install a larger fuse: there is a reason it"
    " opened.",
    "fan": "Do not reach into the fan or turn it with a stick: it can start at any moment.",
    "float": "Do not bridge or tape up a float switch: it keeps water out of the ceiling.",
    "refrigerant": "Do not open valves or caps on the copper pipes: refrigerant is for certified people.",
    "board": "Do not open the monitor's line board: line voltage is inside it.",
}
_ALWAYS = ("cabinet", "capacitor")
# Several cautions in one line, for a phone; and what is to be heeded even where the list of looks is a tap away.
_BRIEF = {
    "cabinet+one-pole+capacitor": "Do not open the outdoor unit: even when it's off, one line is live inside"
    " (only the breaker or the disconnect makes it dead), and a capacitor can hold more than 300 V.",
    "cabinet+capacitor": "Do not open the outdoor unit: even when it's off, line voltage is inside, and a"
    " capacitor can hold more than 300 V.",
    "smell": "Burnt smell, scorch marks or buzzing: switch the breaker off and stay away.",
    "breaker-left": "A tripped breaker: leave it alone until a technician has measured the compressor.",
}

# ---------------------------------------------------------------- the findings


LOOK, CARE, BRIEF = Texts(_LOOK), Texts(_CARE), Texts(_BRIEF)
_NEWER = mark("A problem that this version of the monitor does not know: {name}.")
_NEWER_MEANS = mark("A newer version of the monitor found it.")
_NEWER_DO = mark("Update the monitor to see what it means.")


class TextsByFinding(dict[str, FindingText]):
    """Texts by finding in the reader's language; one that this version of the program does not know still has words,
    after a downgrade."""

    def __getitem__(self, name: str) -> FindingText:
        return translated(super().__getitem__(name))

    def __missing__(self, name: str) -> FindingText:
        shown = tr(_NEWER).format(name=name)
        return FindingText(
            headline=shown,
            means=_NEWER_MEANS,
            do=_NEWER_DO,
            look=(),
            avoid=(),
            tell=shown,
        )


_NONE = mark("No cooling.")
_FAILING = mark("Cooling is failing.")
_WEAK = mark("Cooling is weak.")
_MISS = mark("The monitor may miss a fault.")
_RUNS = mark("The outdoor unit works as it should again.")
_COOLS = mark("The air conditioner cools as it should again.")
_VOLTS = mark("The voltage at the outdoor unit is normal again.")
_READS = mark("The monitor's sensors can be relied on again.")

_KNOWN: dict[str, FindingText] = {
    "call-without-pull-in": FindingText(
        headline="The outdoor unit is asked to cool, but its contactor does not switch it on.",
        means="There is no cooling. The thermostat and the wire to the unit do their part; the switch inside it does"
        " not.",
        do="Look at the points below. If they show nothing, call a technician and read them the line below.",
        look=("sound", "smell", "disconnect"),
        avoid=(*_ALWAYS, "push"),
        tell="24 V call is at the unit, contactor does not pull in.",
        lock=LockText(_NONE, mark("The outdoor unit does not switch on. Call a technician."), _RUNS),
    ),
    "call-without-run": FindingText(
        headline="The outdoor unit is asked to cool, but nothing in it runs.",
        means="There is no cooling. The call reaches the unit; whether its contactor closes is not sensed here.",
        do="Look at the points below. If they show nothing, call a technician and read them the line below.",
        look=("breaker-left", "disconnect", "sound", "smell"),
        avoid=(*_ALWAYS, "push", "breaker"),
        tell="24 V call is at the unit, compressor and fan draw no current; contacts are not sensed.",
        lock=LockText(_NONE, mark("Check the breaker and the switch by the outdoor unit."), _RUNS),
    ),
    "pull-in-without-run": FindingText(
        headline="The outdoor unit is switched on, but neither its compressor nor its fan runs.",
        means="There is no cooling. Line voltage is behind the contactor, so the trouble lies after it.",
        do="Call a technician and read them the line below.",
        look=("sound", "smell"),
        avoid=(*_ALWAYS, "fan"),
        tell="Contacts closed with line voltage behind them, no current in compressor or fan.",
        lock=LockText(_NONE, mark("It has power but doesn't run. Call a technician."), _RUNS),
    ),
    "compressor-not-running": FindingText(
        headline="The outdoor fan runs, but the compressor does not.",
        means="The house gets no cooling although the unit sounds as if it works. A compressor that overheated may"
        " start again by itself after some hours.",
        do="Switch the thermostat off for now and call a technician.",
        look=("sound", "coil-dirt", "filter"),
        avoid=(*_ALWAYS, "again"),
        tell="Contacts closed, fan runs, compressor draws no current.",
        lock=LockText(_NONE, mark("Turn the thermostat off and call a technician."), _RUNS),
    ),
    "fan-not-running": FindingText(
        headline="The compressor runs, but the outdoor fan does not.",
        means="The compressor overheats without its fan and can be ruined.",
        do="Switch the thermostat off now, and call a technician.",
        look=("fan-blade", "smell"),
        avoid=(*_ALWAYS, "fan", "again"),
        tell="Contacts closed, compressor runs, condenser fan draws no current.",
        lock=LockText(_FAILING, mark("Turn the thermostat off now to save the compressor."), _RUNS),
    ),
    "locked-rotor": FindingText(
        headline="The compressor tries to start and cannot.",
        means="It draws several times its usual current without turning, which heats it and may trip the breaker.",
        do="Switch the thermostat off now, and call a technician.",
        look=("sound", "smell", "breaker-left"),
        avoid=(*_ALWAYS, "again", "breaker"),
        tell="Compressor stays at locked-rotor current after the contacts close.",
        lock=LockText(_NONE, mark("Turn the thermostat off now and call a technician."), _RUNS),
    ),
    "overload-cycling": FindingText(
        headline="The compressor keeps stopping and starting by itself while it should run on.",
        means="Its overload protector trips from heat. Each round wears it; cooling is poor or gone.",
        do="Switch the thermostat off to let it cool, and call a technician.",
        look=("coil-dirt", "fan-blade", "filter"),
        avoid=(*_ALWAYS, "again", "fan"),
        tell="Contacts stay closed while the compressor stops and restarts: it trips on its internal overload.",
        lock=LockText(_FAILING, mark("Turn the thermostat off and call a technician."), _RUNS),
    ),
    "contacts-stuck-closed": FindingText(
        headline="Nobody asks for cooling, yet the outdoor unit stays switched on.",
        means="Its contactor is stuck closed. The thermostat cannot stop it; pipes can ice up and the compressor"
        " suffers.",
        do="Switch the air conditioner's breaker off, and call a technician.",
        look=("setting", "ice", "sound"),
        avoid=(*_ALWAYS, "push"),
        tell="No 24 V call at the unit, contacts closed: welded contacts or an armature stuck in.",
        lock=LockText(
            mark("The unit does not stop."),
            mark("Turn its breaker off and call a technician."),
            mark("The outdoor unit has stopped when it should again."),
        ),
    ),
    "contactor-chatter": FindingText(
        headline="The outdoor unit's contactor rattles, opening and closing many times a second or so.",
        means="That burns its contacts and strains the compressor.",
        do="Switch the thermostat off now, and call a technician.",
        look=("drain", "sound", "cable", "smell"),
        avoid=(*_ALWAYS, "push"),
        tell="Contactor chatters while the call is present: look at control voltage, joints and coil.",
        lock=LockText(_FAILING, mark("Turn the thermostat off and call a technician."), _RUNS),
    ),
    "low-control-voltage": FindingText(
        headline="The 24 V that switches the outdoor unit on is too weak.",
        means="It may still cool, but its contactor can drop out or chatter at any time.",
        do="Book a visit. If you hear the unit click or rattle, switch the thermostat off.",
        look=("sound", "cable"),
        avoid=_ALWAYS,
        tell="Control voltage at the unit under 85 % of 24 V while calling.",
        lock=LockText(mark("Cooling may fail."), mark("Book a technician: the 24-volt supply is weak."), _RUNS),
    ),
    "hot-discharge": FindingText(
        headline="The compressor is running too hot.",
        means="It still cools, but the heat breaks down the oil that keeps the compressor alive.",
        do="Clear leaves and grass from around the outdoor unit. Have it checked within days.",
        look=("coil-dirt", "smell"),
        avoid=(*_ALWAYS, "again"),
        tell="Discharge line over 225 °F: check condenser, charge, metering device, air in the circuit.",
        lock=LockText(mark("Cooling is at risk."), mark("The compressor runs too hot: book a visit soon."), _RUNS),
    ),
    "low-line-voltage": FindingText(
        headline="The outdoor unit gets too little voltage.",
        means="Its motors run hot, and the compressor may fail to start. The utility or a poor joint may be the cause.",
        do="Switch off large loads. If lights are dim in the whole house, call the utility; else an electrician.",
        look=("house-power", "smell"),
        avoid=(*_ALWAYS, "again"),
        tell="Line voltage at the unit below ANSI C84.1 range B.",
        lock=LockText(mark("Cooling is at risk."), mark("Power at the unit is too low: call the utility."), _VOLTS),
    ),
    "high-line-voltage": FindingText(
        headline="The outdoor unit gets too much voltage.",
        means="It still cools, but motors, capacitors and controls age fast.",
        do="Call the utility and have the voltage of the house measured.",
        look=("house-power",),
        avoid=_ALWAYS,
        tell="Line voltage at the unit above ANSI C84.1 range B.",
        lock=LockText(mark("Cooling is at risk."), mark("Power at the unit is too high: call the utility."), _VOLTS),
    ),
    "run-capacitor-weak": FindingText(
        headline="The compressor's run capacitor is getting weak.",
        means="It still cools. A part that costs little will soon keep the compressor from starting, on a hot day most"
        " likely.",
        do="Book a visit to have the run capacitor replaced.",
        look=("sound",),
        avoid=_ALWAYS,
        tell="Microfarads of the run capacitor, measured under load, 10 % or more under label or under its own normal.",
        lock=LockText(mark("Cooling may fail soon."), mark("Book a technician: a capacitor is weak."), _RUNS),
    ),
    "not-cooling": FindingText(
        headline="The air conditioner runs, but it doesn't cool.",
        means="The outdoor unit runs and uses power, but hardly any heat leaves the house.",
        do="Switch the cooling off and look at the points below. If a pipe is iced, leave the fan on until it has"
        " thawed. Then call a technician.",
        look=("filter", "ice", "windows"),
        avoid=(*_ALWAYS, "refrigerant"),
        tell="Compressor runs, no temperature split between return and supply air or between the pipes.",
        lock=LockText(_NONE, mark("It runs but moves no heat. Turn it off; call a technician."), _COOLS),
    ),
    "low-split": FindingText(
        headline="The air conditioner cools the air less than it used to.",
        means="It runs longer for the same comfort. Refrigerant may be low, or the outdoor coil dirty.",
        do="Look at the points below, and book a visit.",
        look=("coil-dirt", "ice", "filter"),
        avoid=(*_ALWAYS, "refrigerant"),
        tell="Temperature split well under this unit's own normal at these temperatures.",
        lock=LockText(_WEAK, mark("Check the air filter; book a technician."), _COOLS),
    ),
    "high-split": FindingText(
        headline="Too little air flows through the indoor unit.",
        means="The air leaves colder than normal because there is little of it. The indoor coil can ice over.",
        do="Replace the air filter, and open registers that are closed. If it goes on, book a visit.",
        look=("filter", "windows", "ice"),
        avoid=_ALWAYS,
        tell="Temperature split well over this unit's own normal: low indoor airflow.",
        lock=LockText(_WEAK, mark("Check the air filter and open the vents."), _COOLS),
    ),
    "line-supply-lost": FindingText(
        headline="The outdoor unit has no power.",
        means="It cannot run until its supply is back: breaker, disconnect, fuse, or the utility.",
        do="Look at the points below. Unless the power comes back, call a technician.",
        look=("house-power", "breakers", "disconnect"),
        avoid=(*_ALWAYS, "breaker"),
        tell="No line voltage ahead of the contactor.",
        lock=LockText(
            _NONE,
            mark("The outdoor unit has no power. Check its breaker."),
            mark("Power is back at the outdoor unit."),
        ),
    ),
    "control-power-lost": FindingText(
        headline="The 24 V that runs the thermostat and switches is gone.",
        means="There is no cooling, and the thermostat may be dark.",
        do="Look at the points below. If they show nothing, call a technician.",
        look=("drain", "indoor-switch", "breaker-indoor", "house-power", "setting"),
        avoid=("breaker", *_ALWAYS),
        tell="No 24 V behind the control fuse indoors: fuse, transformer or its supply.",
        lock=LockText(
            _NONE,
            mark("Check the breaker and switch of the indoor unit."),
            mark("The controls of the cooling have power again."),
        ),
    ),
    "call-not-reaching-unit": FindingText(
        headline="The thermostat asks for cooling, but the signal isn't reaching the outdoor unit.",
        means="There is no cooling. Something between the indoor unit and the outdoor unit is open; often a float"
        " switch over a full drain pan.",
        do="Look at the drain first. If it is dry, call a technician.",
        look=("drain", "cable", "filter"),
        avoid=("float", *_ALWAYS),
        tell="Thermostat's Y is live indoors, no 24 V at the outdoor unit: float or pressure switch, wire, joint.",
        lock=LockText(_NONE, mark("Check the drain pan under the indoor unit."), _RUNS),
    ),
    "call-without-thermostat": FindingText(
        headline="The outdoor unit is switched on although the thermostat isn't calling.",
        means="It may run when nobody wants it to. A control wire is probably touching another one.",
        do="Switch the thermostat off and book a visit. If the unit keeps running, switch it off at its disconnect.",
        look=("sound", "cable"),
        avoid=_ALWAYS,
        tell="24 V on Y at the outdoor unit while the thermostat's output is off: cable, board or relay.",
        lock=LockText(mark("Cooling may run when not wanted."), mark("Book a technician: a wire is at fault."), _RUNS),
    ),
    "short-cycling": FindingText(
        headline="The outdoor unit starts and stops too often.",
        means="It still cools, but each start wears the compressor.",
        do="Look at the points below, and book a visit if it goes on.",
        look=("drain", "filter", "setting", "batteries", "coil-dirt"),
        avoid=_ALWAYS,
        tell="Short runs or short stops, again and again.",
        lock=LockText(
            mark("Cooling works, with wear."),
            mark("Book a technician: it starts too often."),
            mark("The outdoor unit starts at its usual pace again."),
        ),
    ),
    "high-running-current": FindingText(
        headline="The compressor works harder than it should.",
        means="It still cools, at a higher cost, and runs hot.",
        do="Free the outdoor unit of leaves and plants from outside, and book a visit.",
        look=("coil-dirt", "fan-blade"),
        avoid=(*_ALWAYS, "fan", "refrigerant"),
        tell="Running current above what this unit draws at this outdoor temperature.",
        lock=LockText(
            mark("Cooling is under strain."), mark("Clear leaves off the outdoor unit; book a technician."), _RUNS
        ),
    ),
    "low-running-current": FindingText(
        headline="The compressor works less than it should; the house may not get cool.",
        means="Often there is too little refrigerant, or too little air indoors.",
        do="Change the indoor filter if it is clogged, and book a visit.",
        look=("filter", "ice", "windows"),
        avoid=(*_ALWAYS, "refrigerant"),
        tell="Running current under 70 % of what this unit draws at this outdoor temperature.",
        lock=LockText(_WEAK, mark("Check the air filter; book a technician."), _COOLS),
    ),
    "slow-start": FindingText(
        headline="The compressor takes longer to start than it used to.",
        means="It cools as before. A weak run capacitor is the usual reason, and it does not get better by itself.",
        do="Have it looked at on the next visit.",
        look=("sound",),
        avoid=_ALWAYS,
        tell="Start transient longer than this unit's own first starts: measure the run capacitor.",
        lock=LockText(
            mark("Cooling works."),
            mark("For the next visit: the compressor starts slowly."),
            mark("The compressor starts as quickly as before."),
        ),
    ),
    "long-run": FindingText(
        headline="The unit has been running for hours without a stop.",
        means="On a very hot day that can be right. On any other day it isn't keeping up.",
        do="Look at the points below; tell it at the next visit if it happens on mild days.",
        look=("windows", "filter", "coil-dirt", "setting"),
        avoid=_ALWAYS,
        tell="One run longer than 6 h: set point, capacity, charge or air flow.",
        lock=LockText(
            mark("It has run for hours without a stop."),
            mark("Close windows; check the air filter."),
            mark("The long run has ended."),
        ),
    ),
    "no-call-in-heat": FindingText(
        headline="It has been hot for hours, and nobody asked the unit to cool.",
        means="If nobody is at home or the windows are open, nothing is wrong. If not, the thermostat isn't calling.",
        do="Look at the points below. If they show nothing, call a technician.",
        look=("drain", "setting", "batteries", "indoor-switch", "breaker-indoor", "house-power"),
        avoid=_ALWAYS,
        tell="No call for 8 h in heat, in a unit that called on earlier days like it.",
        lock=LockText(
            mark("It is hot, and cooling is off."),
            mark("Check the thermostat and its batteries."),
            mark("The air conditioner has been called and has cooled again."),
        ),
    ),
    "overdue-call": FindingText(
        headline="No cooling asked for, though it is warm enough that this house always needed it.",
        means="The unit has not been called for far longer than ever before in such weather. If you switched it off or"
        " set it warmer, for a trip perhaps, nothing is wrong: say so by the link in the message, or under"
        " Alerts. If not, the call isn't reaching the unit.",
        do="Set the thermostat 5 degrees cooler. If nothing runs after 10 minutes, check the drain pan under the"
        " indoor unit and the breaker.",
        look=("drain", "setting", "batteries", "indoor-switch", "breaker-indoor", "house-power"),
        avoid=_ALWAYS,
        tell="Not called for far longer than this unit's own calls in such weather explain: float switch, fuse, wire.",
        lock=LockText(
            mark("Cooling has stayed off too long."),
            mark("Check the thermostat and the drain pan."),
            mark("The air conditioner has been called and has cooled again."),
        ),
    ),
    "sensing-disagrees": FindingText(
        headline="The monitor's own readings contradict each other.",
        means="What it says about the unit cannot be relied on until that is repaired. The unit itself may be fine.",
        do="Judge the unit by ear and by the air it blows; have the monitor's wiring looked at.",
        look=("monitor", "sound"),
        avoid=("board", *_ALWAYS),
        tell="The monitor's sensors contradict each other: check clamps, wires and boards against a meter.",
        lock=LockText(_MISS, mark("Its sensors contradict each other: book a check."), _READS),
    ),
    "sensor-silent": FindingText(
        headline="Part of the unit is not being watched: a sensor gives no reading.",
        means="The unit itself may be fine, but trouble in that part would go unseen.",
        do="Look whether a plug has come out of the monitor. If not, have it looked at.",
        look=("monitor",),
        avoid=("board", *_ALWAYS),
        tell="An installed sensor of the monitor is silent.",
        lock=LockText(_MISS, mark("One sensor is silent: check that its plug is in."), _READS),
    ),
}

FINDINGS = TextsByFinding(_KNOWN)
