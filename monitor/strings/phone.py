"""What a lock screen shows: what it means for the house and what to do, within the first 90 characters.

Pure tables; English is the key of each text (translate.py). What follows in a message, numbers and cautions, stands in
publishers/phone_text.py and findings.py.
"""

from __future__ import annotations

from typing import NamedTuple

from condenser_monitor.monitor.core.records import OWN_FAULT
from condenser_monitor.monitor.strings.translate import mark

CUT = 90  # characters that every lock screen shows


class LockText(NamedTuple):
    """What it means for the house, what to do now, and how its end reads, which must not be taken for its beginning."""

    means: str
    do: str
    over: str


_NONE = mark("No cooling.")
_FAILING = mark("Cooling is failing.")
_WEAK = mark("Cooling is weak.")
_MISS = mark("The monitor may miss a fault.")
_RUNS = mark("The outdoor unit has run as it should again.")
_TELLS = mark("The monitor's sensors tell everything again.")

LOCK: dict[str, LockText] = {
    "call-without-pull-in": LockText(_NONE, mark("The outdoor unit does not switch on. Call a technician."), _RUNS),
    "call-without-run": LockText(_NONE, mark("Check the breaker and the switch by the outdoor unit."), _RUNS),
    "pull-in-without-run": LockText(_NONE, mark("The outdoor unit has power but is still. Call a technician."), _RUNS),
    "compressor-not-running": LockText(_NONE, mark("Turn the thermostat off and call a technician."), _RUNS),
    "fan-not-running": LockText(_FAILING, mark("Turn the thermostat off now to save the compressor."), _RUNS),
    "locked-rotor": LockText(_NONE, mark("Turn the thermostat off now and call a technician."), _RUNS),
    "overload-cycling": LockText(_FAILING, mark("Turn the thermostat off and call a technician."), _RUNS),
    "contacts-stuck-closed": LockText(
        mark("The unit does not stop."),
        mark("Turn its breaker off and call a technician."),
        mark("The outdoor unit has stopped when it should again."),
    ),
    "contactor-chatter": LockText(_FAILING, mark("Turn the thermostat off and call a technician."), _RUNS),
    "low-control-voltage": LockText(
        mark("Cooling may fail."), mark("Book a technician: the 24-volt supply is weak."), _RUNS
    ),
    "line-supply-lost": LockText(
        _NONE,
        mark("The outdoor unit has no power. Check its breaker."),
        mark("Power is back at the outdoor unit."),
    ),
    "control-power-lost": LockText(
        _NONE,
        mark("Check the breaker and switch of the indoor unit."),
        mark("The controls of the cooling have power again."),
    ),
    "call-not-reaching-unit": LockText(_NONE, mark("Check the drain pan under the indoor unit."), _RUNS),
    "short-cycling": LockText(
        mark("Cooling works, with wear."),
        mark("Book a technician: it starts too often."),
        mark("The outdoor unit starts at its usual pace again."),
    ),
    "high-running-current": LockText(
        mark("Cooling is under strain."), mark("Clear leaves off the outdoor unit; book a technician."), _RUNS
    ),
    "low-running-current": LockText(_WEAK, mark("Check the air filter; book a technician."), _RUNS),
    "slow-start": LockText(
        mark("Cooling works."),
        mark("For the next visit: the compressor starts slowly."),
        mark("The compressor starts as quickly as before."),
    ),
    "long-run": LockText(
        mark("It has cooled for hours without a stop."),
        mark("Close windows; check the air filter."),
        mark("The long run has ended."),
    ),
    "no-call-in-heat": LockText(
        mark("It is hot, and cooling is off."),
        mark("Check the thermostat and its batteries."),
        mark("Cooling has been called for and has run again."),
    ),
    "overdue-call": LockText(
        mark("Hot, and cooling stays off."),
        mark("Check the thermostat and the drain pan indoors."),
        mark("Cooling has been called for and has run again."),
    ),
    "sensing-disagrees": LockText(_MISS, mark("Its sensors contradict each other: book a check."), _TELLS),
    "sensor-silent": LockText(_MISS, mark("One sensor is silent: check that its plug is in."), _TELLS),
    "low-line-voltage": LockText(
        mark("Cooling is at risk."), mark("Power at the unit is too low: call the utility."), _RUNS
    ),
    "high-line-voltage": LockText(
        mark("Cooling is at risk."), mark("Power at the unit is too high: call the utility."), _RUNS
    ),
    "run-capacitor-weak": LockText(
        mark("Cooling may fail soon."), mark("Book a technician: a capacitor is weak."), _RUNS
    ),
    "not-cooling": LockText(_NONE, mark("It runs but moves no heat. Turn it off; call a technician."), _RUNS),
    "low-split": LockText(_WEAK, mark("Check the air filter; book a technician."), _RUNS),
    "high-split": LockText(_WEAK, mark("Check the air filter and open the vents."), _RUNS),
    "call-without-thermostat": LockText(
        mark("Cooling may run when not wanted."), mark("Book a technician: a wire is at fault."), _RUNS
    ),
    "monitor-blind": LockText(
        mark("Your air conditioner isn't watched."),
        mark("Check the monitor's plug and its light."),
        mark("The monitor is watching the air conditioner again."),
    ),
    "monitor-off": LockText(
        mark("The monitor was off."), mark("Nothing was watched then."), mark("The monitor is back.")
    ),
    OWN_FAULT: LockText(
        mark("The monitor has a fault of its own."),
        mark("Ask whoever maintains it to look."),
        mark("Somebody has seen to the monitor's own fault."),
    ),
}
# What to do where the likeliest cause is known better than the finding alone says.
DO_FOR: dict[tuple[str, str], str] = {
    ("call-not-reaching-unit", "control-wire-open"): mark("The thermostat's wire may be cut. Call a technician."),
    ("call-not-reaching-unit", "pressure-switch"): mark("A safety switch has opened. Call a technician."),
    ("call-without-run", "coil-open"): mark("The outdoor unit does not switch on. Call a technician."),
}
# How each kind of message begins; {means} and {do} are those of the finding, {over} its end.
BEGIN: dict[str, str] = {
    "alarm": "{means} {do}",
    "worse": mark("Worse: {means} {do}"),
    "back": mark("It is back. {means} {do}"),
    "often": mark("It comes and goes ({count} times). {do}"),
    "reminder": mark("Still: {means} {do}"),
    "quiet": mark("Quiet now, but nothing shows that it is repaired. Was it? Please answer."),
    "check": mark("Is it repaired by now? Please answer. It was: {means}"),
    "visit": mark("Did the technician come, and is it repaired? Please answer."),
    "over": "{over}",
    "missed": "{over}",
    "off": mark("The monitor was off from {since} to {when}. Nothing was watched then."),
}
TITLE: dict[str, str] = {
    "alarm": "{means}",
    "worse": mark("Worse"),
    "back": mark("It is back"),
    "often": mark("Comes and goes"),
    "reminder": mark("Reminder"),
    "check": mark("Is it repaired?"),
    "over": mark("Ended"),
    "missed": mark("Ended"),
    "off": mark("The monitor was off"),
}
# What the buttons say where a service carries them (answer_links.py).
BUTTONS: dict[str, str] = {
    "know": mark("I know"),
    "visit": mark("A technician comes"),
    "repaired": mark("It is repaired"),
}
WORDS: dict[str, str] = {
    "since": mark("Since {when} ({span})."),
    "since-unknown": mark("Since when is not known."),
    "outdoors": mark("Outdoors it is {degrees}."),
    "outdoors-unknown": mark("How hot it is outdoors is not known."),
    "look": mark("Safe to look at, without tools:"),
    "avoid": mark("Do not touch:"),
    "tell": mark("Read this to the technician:"),
    "also": mark("Also: {line}"),
    "over": mark("What ended, at {when}: {headline}"),
    "missed": mark("From {since} to {when}: {headline} You could not be told then."),
    "late": mark("This message could not be sent earlier."),
    "more": mark("and {count} more: see the page."),
    "know": mark("I know: {link}"),
    "visit": mark("A technician comes: {link}"),
    "repaired": mark("It is repaired: {link}"),
    "page": mark("More on the page: {link}"),
    "contractor": mark("Your contractor"),
    "answer": mark("It is brought up again until somebody answers."),
    "not-known": mark("What cannot be known here without more sensors: {what}"),
    "life": mark("The monitor looks at the unit every {scan} and would tell you."),
    "unit": mark("The unit: {state}."),
    "stands": mark("Known and open: {findings}."),
    "unseen": mark("Not watched at the moment, for want of a reading: {links}."),
    "blind-body": mark("The last reading is {age} old. Check its plug and its light. The unit itself may be fine."),
    "test": mark("A test message"),
    "test-body": mark("Alerts of the air conditioner's monitor reach you here."),
    "suspects": mark("Suspected, the most usual first: {names}."),
    "indoor": mark("whether the thermostat calls (an indoor board with the thermostat sensor)"),
}
# What the dead man's switch says (publishers/silence_watch.py).
SILENCE: dict[str, str] = {
    "gone-title": mark("No news from the monitor"),
    "gone": mark("Your air conditioner isn't watched. Check the monitor's plug and the router. Silent since {since}."),
    "area-title": mark("No news from the monitor"),
    "area": mark("Probably an outage near you: {count} homes in {area} silent since {since}. Nothing is watched."),
    "back-title": mark("The monitor is back"),
    "back": mark("Your air conditioner is watched again. The monitor was silent from {since} to {now} ({span})."),
}
