"""What a lock screen shows: what it means for the house and what to do, within the first 90 characters.

Pure tables; English is the key of each text (translate.py). What follows in a message, numbers and cautions, stands in
publishers/phone_text.py and findings.py.
"""

from __future__ import annotations

from typing import NamedTuple

from condenser_monitor.monitor.strings.translate import mark

CUT = 90  # characters that every lock screen shows


class LockText(NamedTuple):
    """What it means for the house, what to do now, and how its end reads, which must not be taken for its beginning;
    that of a finding stands with its other words (findings.py)."""

    means: str
    do: str
    over: str


# A story of the monitor's own that has no page: it is only ever a message.
OFF = LockText(mark("The monitor was off."), mark("Nothing was watched then."), mark("The monitor is back."))
# What to do where the likeliest cause is known better than the finding alone says.
_SAFETY = mark("A safety switch has opened. Call a technician.")
DO_FOR: dict[tuple[str, str], str] = {
    # A pressure switch in the call's wire opens on each of these: nobody looks for water then.
    **{
        ("call-not-reaching-unit", suspect): _SAFETY
        for suspect in (
            *("pressure-switch", "high-pressure-cutout", "low-pressure-cutout"),
            *("fan-capacitor", "fan-motor", "fan-control", "condenser-dirty", "charge-low"),
        )
    },
    ("call-not-reaching-unit", "control-wire-open"): mark("The thermostat's wire may be cut. Call a technician."),
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
# What the buttons say where a service carries them (answer_links.py); no service shows more than three.
BUTTONS_MOST = 3
BUTTONS: dict[str, str] = {
    "intended": mark("Away, warmer or off on purpose"),
    "know": mark("I know"),
    "visit": mark("A technician comes"),
    "repaired": mark("It is repaired"),
}
WORDS: dict[str, str] = {
    "since": mark("Since {when} ({span})."),
    "since-now": mark("Since {when}."),
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
    "intended": mark("We are away, have set it warmer, or switched it off on purpose: {link}"),
    "page": mark("More on the page: {link}"),
    "look-link": mark("What is safe to look at, step by step: {link}"),
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
    "suspects": mark("Suspected, the likeliest first: {names}."),
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
# Why a message was not sent (publishers/phone_send.py), as Health shows it in its reader's language.
MISSING = mark("the package apprise is missing: pip install 'condenser-monitor[phone]'")
UNKNOWN = mark("an address that apprise does not understand")
REFUSED = mark("the service did not take it")
