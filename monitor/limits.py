"""Every default number of the program, once: value, unit, bounds and where it comes from.

`basis` is one of BASES. "standard" names a published document, "data sheet" a component's published sheet, "from
memory" a published figure that was not at hand to read again: these three name a row of the ledger (`sources.py`).
"common practice" is the trade's rule without a source; "ours" is a choice of this project. The site file may change
the numbers of a finding within `low`..`high`.
"""

from __future__ import annotations

from typing import ClassVar, NamedTuple

from condenser_monitor.monitor import sources
from condenser_monitor.monitor.sources import Source

BASES = ("standard", "data sheet", "common practice", "from memory", "ours")


class Limit(NamedTuple):
    value: float
    unit: str
    low: float
    high: float
    basis: str
    source: str
    group: str = ""
    key: str = ""


class LimitGroup:
    """Limits that belong together, as class attributes: a misspelt one fails the type check. Never instantiated."""

    def __init_subclass__(cls) -> None:
        """Tell each limit its group and key."""
        for key, limit in cls.rows().items():
            setattr(cls, key, limit._replace(group=cls.group_name(), key=key))

    @classmethod
    def group_name(cls) -> str:
        """Return the name under which the group is shown, and set in a site file where a site may set it."""
        return cls.__name__

    @classmethod
    def rows(cls) -> dict[str, Limit]:
        """Return key -> limit, the group's own first, then what it takes from its base."""
        found: dict[str, Limit] = {}
        for base in cls.__mro__:
            for key, limit in vars(base).items():
                if isinstance(limit, Limit):
                    found.setdefault(key, limit)
        return found


def _ours(value: float, unit: str, low: float, high: float, why: str) -> Limit:
    return Limit(value, unit, low, high, "ours", why)


def _cited(value: float, unit: str, low: float, high: float, source: Source, *, why: str = "") -> Limit:
    """A number from elsewhere: its basis is how the ledger's row is known; `why` says what we make of it."""
    return Limit(value, unit, low, high, source.basis, f"{source.cite}: {why or source.says}")


# ---------------------------------------------------------------- the 24 V side

CONTROL_NOMINAL_V = Limit(24.0, "V", 24, 24, "common practice", "residential control circuits are 24 V AC")
CLOSING_RATIO = _cited(0.85, "1", 0.5, 1.0, sources.CONTACTOR_CLOSING)
CONTROL_HYSTERESIS_V = _ours(0.5, "V", 0, 2, "low control voltage is gone only half a volt above its limit")
CONTROL_DEAD_V = _ours(
    5.0,
    "V",
    1,
    10,
    f"no coil pulls in at so little; one that holds lets go by 4.8 V ({sources.CONTACTOR_DROP_OUT.cite})",
)
CONTROL_PRESENT_V = _ours(
    18.0, "V", 10, 20.4, "the boards must see 18 V as present; a thermostat that steals power leaves only a few volts"
)
CONTROL_GHOST_V = _ours(
    10.0,
    "V",
    6,
    15,
    "a stealing thermostat or a cable beside a live one leaves less on an open call wire",
)
CONTROL_HIGH_V = _cited(30.0, "V", 28, 40, sources.CLASS_2_VOLTS)
COIL_NONE_A = _ours(
    0.08,
    "A",
    0.01,
    0.1,
    "half of the smallest sealed current (4 VA at 24 V = 0.167 A); a thermostat that steals power draws tens of mA",
)
COIL_UNSEALED_A = _ours(
    0.60,
    "A",
    0.3,
    2.0,
    "between the largest sealed (10 VA = 0.417 A) and smallest open-armature (20 VA = 0.83 A) current",
)
COIL_OVER_RATIO = Limit(
    9.0,
    "of its own sealed current",
    7,
    20,
    "common practice",
    "an open armature draws 4 to 7 times the sealed current (VA of 24 V coils in catalogues, from memory); more is"
    " shorted turns",
)
COIL_OPEN_RATIO = Limit(
    1.3,
    "of its own sealed current",
    1.15,
    3,
    "common practice",
    "24 V that is 15 % high makes a sealed coil draw that much more; an open armature makes it draw 4 to 7 times as"
    " much, and still this where a bad joint leaves it a third of its volts",
)
COIL_SHORT_A = Limit(3.0, "A", 2.5, 10, "common practice", "the usual control fuse is 3 A; no sound coil draws that")

# ---------------------------------------------------------------- the line side

RUNNING_ON_RATIO = _ours(0.25, "of RLA", 0.1, 0.6, "a compressor counts as running from 25 % of rated load")
DRIVE_ON_RATIO = _ours(0.08, "of RLA", 0.02, 0.25, "a drive slows its compressor to a tenth; at rest it takes 2 %")
DRIVE_OFF_RATIO = _ours(0.05, "of RLA", 0.01, 0.2, "and as stopped below 5 %")
RUNNING_OFF_RATIO = _ours(0.20, "of RLA", 0.05, 0.5, "and as stopped below 20 %")
TRICKLE_A = _ours(
    4.2,
    "A",
    0,
    10,
    "V / Xc of a 45 uF run capacitor at 240 V, 60 Hz is 4.07 A; larger ones (70 uF: 6.3 A) sit beside compressors whose"
    " running limit is higher still, and the higher of the two holds",
)
TRICKLE_RATIO = _ours(0.5, "of RLA", 0.25, 0.9, "welded contacts give more than half of the running current")
FAN_ON_RATIO = _ours(0.30, "of FLA", 0.1, 0.6, "a fan counts as running from 30 % of full-load amps")
FAN_OFF_RATIO = _ours(0.20, "of FLA", 0.05, 0.5, "and as stopped below 20 %")
SLOW_FAN_ON_RATIO = _ours(0.10, "of FLA", 0.03, 0.3, "a fan whose speed a drive sets draws this much at its slowest")
SLOW_FAN_OFF_RATIO = _ours(0.06, "of FLA", 0.02, 0.2, "and a clamp on one that stands reads less")
FAN_STALLED_RATIO = _ours(
    1.5, "of FLA", 1.2, 3, "a nameplate is the most a fan motor runs at; one that stands and hums draws about twice it"
)
LOCKED_RATIO = _ours(0.60, "of LRA", 0.4, 0.95, "locked from 60 % of locked-rotor amps")
LINE_ABSENT_V = _ours(50.0, "V", 10, 100, "less is what leaks through a motor or a meter, or a leg that floats")
LINE_HYSTERESIS_RATIO = _ours(0.01, "of nominal", 0, 0.05, "line volts are back in range only 1 % inside it")
POWER_NONE_RATIO = _ours(0.01, "1", 0, 0.1, "of rated amps at nominal volts: less is a meter's offset")
POWER_RUNNING_RATIO = _ours(0.15, "1", 0.05, 0.5, "of the same: no heater takes it, and each run does")
START_WINDING_NONE_A = _ours(
    0.3, "A", 0.1, 1, "noise and pick-up; the smallest run capacitor (15 uF) carries over 1 A at 200 V"
)
START_WINDING_LOAD = _ours(
    0.09,
    "1",
    0,
    0.3,
    "the winding's current falls by this share of a change of load over rated load: its motor's model",
)
RATED_LOAD_RATIO = _ours(
    0.7, "1", 0.4, 1, "watts at the load that counts as rated, over line volts and rated-load amps of the nameplate"
)
LINE_NOMINAL_V = _cited(240.0, "V", 200, 250, sources.SERVICE_NOMINAL)

# ---------------------------------------------------------------- believing a sense

STALE_S = _ours(5.0, "s", 1, 60, "a sense missing this long and two scans is unknown: seen neither live nor dead")
CONFIRM_SCANS = _ours(2, "scans", 2, 5, "a single odd scan never raises or clears anything")
COUNTED_SCANS = _ours(100, "scans", 100, 1000, "missing scans are counted up to the largest number a site may ask for")
APART_RATIO = _ours(0.98, "1", 0.5, 1, "of the longest pause between scans by each one that is looked at in full since")
GAP_FACTOR = _ours(5.0, "1", 2, 100, "a pause of five usual scan intervals, and GAP_MIN_S, is a gap in what was seen")
GAP_MIN_S = _ours(60.0, "s", 5, 3600, "shorter pauses are late scans, not gaps")

MOMENT_S = _ours(
    1e-6, "s", 0, 1e-3, "times are decimal fractions and their differences are not exact: this close is the same moment"
)

# ---------------------------------------------------------------- trust in the sensors


class TRUST(LimitGroup):
    """What it costs to assume something, for want of a better explanation (see core/trust.py). Only ratios matter."""

    settle_s = _ours(5.0, "s", 1, 60, "readings are not of one instant; within this they have followed each other")
    fault = _ours(2.0, "1", 1, 10, "a fault of the unit begins; the unit of all these costs is half a fault")
    usual_fault = _ours(1.5, "1", 1, 10, "a float switch, a safety or a wire cuts the call: the most usual of all")
    rare_fault = _ours(2.5, "1", 1, 10, "the contactor's coil opens")
    seldom_fault = _ours(3.0, "1", 1, 10, "a wire that touches another: seldom")
    weld = _ours(2.5, "1", 1, 10, "contacts weld: less usual than a motor that fails")
    designed = _ours(0.3, "1", 0, 2, "what this kind of unit does by design, yet not all the time")
    impossible = _ours(20.0, "1", 10, 100, "what no fault explains: more than any two liars and faults")
    at_once = _ours(4.5, "1", 2, 20, "two faults may begin at the same time; more is doubted until it has settled")
    standing_a = _ours(0.25, "A", 0.1, 2, "at rest a clamp reads less than this of nothing, and a heater draws more")
    pushed = _ours(
        3.0, "1", 1, 100, "open contacts close without a pull: by hand, or a spring that gave way; as a liar"
    )
    impossible_fan = _ours(3.0, "1", 1, 100, "a compressor that runs for long at its usual current without a fan")
    liar = _ours(3.0, "1", 1, 10, "a sensor begins to lie: as seldom as a wire fault")
    board = _ours(
        4.0, "1", 1, 20, "the control board loses its cable and reads nothing: more seldom than one of its sensors"
    )
    high = _ours(0.5, "1", 0, 5, "and more seldom with a signal than without: most failures are an open wire")
    coincidence = _ours(
        1.0, "1", 0, 5, "a sensor begins to lie at the very moment in which a fault or another lie begins"
    )
    recover = _ours(5.0, "1", 1, 20, "a liar begins to tell the truth by itself: four changes that agree outweigh it")
    change = _ours(1.5, "1", 0.1, 10, "a sensor that is taken for stuck has changed")
    heals = _ours(1.3, "1", 0, 5, "a fault went for a whole run and came back as if the thermostat had cycled")
    satisfied = _ours(
        0.7, "1", 0.1, 5, "a thermostat was satisfied though nothing cooled: somebody may have turned it off"
    )
    satisfied_least_s = _ours(300.0, "s", 60, 3600, "a shorter call was a flicker or a try")
    satisfied_most_s = _ours(3600.0, "s", 600, 36000, "a longer one may have ended with the cool of the night")
    pause_s = _ours(240.0, "s", 60, 3600, "a thermostat rests five minutes; a call that is back sooner had not ended")
    flickers = _ours(
        3, "changes", 2, 20, "of the call within two minutes: a joint, and a scan reads its sensors one after the other"
    )
    rests = _ours(5, "times", 3, 50, "as many pauses between whole runs show how long a thermostat lets its unit rest")
    rest_ratio = _ours(0.7, "of the median", 0.3, 1, "a house warms faster at one hour of the day than at another")
    rest_least_s = _ours(60.0, "s", 20, 240, "a shorter gap is a blink of the call, whatever the thermostat")
    whole_run_s = _ours(240.0, "s", 60, 3600, "as long as a thermostat runs at the least")
    own_cycles = _ours(20, "times", 5, 100, "of the last day or so: a band is changed with the thermostat")
    own_cycles_least = _ours(5, "times", 2, 50, "as many rests and runs show a thermostat's band")
    own_short_ratio = _ours(
        0.6,
        "of the median",
        0.2,
        0.9,
        "rest * run / (rest + run) is a constant of house and thermostat, within a third",
    )
    own_long_ratio = _ours(
        2.5, "of the median", 1.2, 10, "and so upwards, more for the first run after an evening with open windows"
    )
    alike_ratio = _ours(
        1.35, "1", 1.05, 2, "either way: nine in ten of a thermostat's own lie so near to the one before, few others do"
    )
    own_run = _ours(
        1.2, "1", 0, 3, "a cut call came back, and went again, at the very times that the thermostat would have chosen"
    )
    own_period_ratio = _ours(
        0.75, "of the shortest", 0.3, 1, "one that keeps a fixed rate of cycles hurries, or idles, by less than that"
    )
    run_ons = _ours(8, "times", 2, 60, "of the last days: a board's run-on does not change")
    run_ons_least = _ours(2, "times", 1, 20, "as often must the blower have stopped after a call to know its run-on")
    run_on_least_s = _ours(10.0, "s", 2, 60, "a blower that stops with the call may have lost its power with it")
    rested_most_s = _ours(86400.0, "s", 3600, 604800, "a fan switch may have been set to on since yesterday")
    fan_set_on = _ours(1.5, "1", 0, 5, "somebody has set the blower to run on and on, since yesterday")
    stopped_with_call = _ours(
        1.2, "1", 0, 5, "the call is cut and the blower stops for it: a board that takes the float's contact itself"
    )
    coil_warms_s = _ours(600.0, "s", 180, 3600, "with the blower on, a coil has lost its cold by then")
    cooled_air_k = _ours(
        7.0,
        "K",
        3,
        15,
        "a running unit cools air by 14 to 22 °F (common practice, 7.8 K and more), a coil that dries by half of it",
    )
    frozen_ratio = _ours(1e-5, "1", 0, 0.01, "a measured current differs from its mean by more than this")
    cooled_s = _ours(300.0, "s", 60, 3600, "by then a compressor without its fan draws much more, or has tripped")
    cooled_again_s = _ours(150.0, "s", 60, 3600, "in a second run in a row: most of that rise comes in two minutes")
    short_runs = _ours(
        3,
        "runs",
        1,
        20,
        "runs of a minute warm a slow condenser (time constant 300 s) by 2 K each, and without its fan it hardly cools"
        " in between: 3 K more than with it, an eighth in the current, after three",
    )
    as_long_ratio = _ours(1.25, "of the run with its fan", 1, 2, "a current that rises still is compared at like times")
    flat_s = _ours(30.0, "s", 10, 300, "half a minute without its fan shows in what a settled compressor draws")
    flat_ratio = _ours(
        0.01,
        "1",
        0.002,
        0.03,
        "without its fan, which leaves an eighth of the heat transfer, a condenser 15 K over the air warms by 1.3 K in"
        " half a minute at a time constant of 300 s, by 5 K at 75 s; a current grows by 0.025 a K (AHRI 540 map)",
    )
    heated_s = _ours(600.0, "s", 60, 3600, "by then what it draws without its fan has risen, however slowly")
    warm_c = _ours(15.0, "°C", 0, 30, "in colder air a condenser may do without its fan for a while")
    steady_ratio = _ours(1.06, "1", 1.02, 2, "without its fan a compressor draws a third more within minutes")
    still_minutes = _ours(8, "minutes", 3, 60, "of rest and of run each: no pipe and no air stays to the last digit")
    fine_ratio = _ours(0.01, "1", 0.001, 0.05, "a run's current moves by more: 1 % is a degree outdoors or two volts")
    fan_fine_ratio = _ours(0.003, "1", 0.0005, 0.05, "a fan's moves by the line's voltage alone: half a volt in 240")
    coarse_times = _ours(2.0, "1", 1, 10, "a clamp that reads in coarser steps stands so much longer, step by step")
    drift_minutes = _ours(
        240, "minutes", 60, 1440, "no shade and no room keeps one temperature to the last digit so long"
    )
    cold_c = _ours(
        10.0, "°C", 0, 14, "in warm weather: no cooling set point is so low, and a condenser is warmer than the air"
    )
    moves = _ours(10, "minutes", 3, 60, "a frozen sensor that differs from minute to minute so often is believed again")
    margin = _ours(0.3, "1", 0.01, 3, "explanations closer than this are as good as each other")
    states_kept = _ours(
        256, "combinations", 16, 10000, "a unit meets some dozens of combinations of what its sensors say"
    )


# ---------------------------------------------------------------- what is by design, and what comes and goes


class HABITS(LimitGroup):
    """What a unit does by design and is learned from its own cycles (see core/patterns.py)."""

    times = _ours(3, "times", 2, 10, "as often in a row must something have lasted equally long")
    slack_s = _ours(5.0, "s", 1, 60, "timers of relays and boards repeat within seconds")
    slack_ratio = _ours(0.05, "1", 0.01, 0.3, "and within a few percent")
    over_ratio = _ours(1.2, "1", 1.0, 3, "a timer drifts with warmth and volts; beyond this it is late")
    delay_least_s = _ours(15.0, "s", 5, 60, "a contactor that closes sooner had no timer")
    delay_most_s = Limit(600.0, "s", 60, 3600, "common practice", "delay timers of cooling units go up to ten minutes")
    break_most_s = Limit(900.0, "s", 60, 3600, "common practice", "5 min is usual after a stop; boards add some")
    shed_least_s = _ours(
        360.0,
        "s",
        60,
        3600,
        "a quarter of each half hour, 7.5 min, is the least that utilities cut (common practice), less a slow scan;"
        " a pan that fills again and a joint that opens hot come back sooner",
    )
    shed_most_s = _cited(3600.0, "s", 600, 14400, sources.LOAD_CONTROL)
    frost_c = _cited(12.0, "°C", 5, 20, sources.FROST, why="they frost below about 5 to 7 °C; the margin is ours")
    heats_below_c = _ours(8.0, "°C", 0, 15, "no house is cooled through its unit when it is so cold outdoors")
    board_fan_c = _ours(20.0, "°C", 5, 30, "boards cycle the fan only in the cold, when head pressure falls")
    board_fan_wait_s = _ours(
        120.0,
        "s",
        0,
        600,
        "a head-pressure switch starts the fan at 40 to 50 °C of condensing (common practice), which a condenser"
        " without air reaches within two minutes from any mild start",
    )
    ramp_s = _ours(180.0, "s", 0, 600, "a variable-speed unit's board waits and ramps before its current shows")
    slowed_ratio = _ours(
        0.6,
        "1",
        0.3,
        0.65,
        "of a run's highest current; a low stage draws 67 % of a high one and more (tests/data/nist-ashp-hilft)",
    )
    slowed_fan_ratio = _ours(0.85, "1", 0.5, 0.95, "a contactor's fan draws the same through a run")
    slowest_fan_ratio = _ours(0.25, "1", 0.05, 0.5, "a slower one than this has stopped")
    run_on_s = _ours(240.0, "s", 60, 1800, "boards let the fan run on for a minute or two")
    cold_fan_ratio = _ours(
        2.0,
        "1",
        1.2,
        4,
        "a condenser without air warms to 40 °C in twice the time from 5 °C as from 20 °C, or thereabouts",
    )
    fan_cycles_most_s = _ours(
        300.0,
        "s",
        60,
        900,
        "a fan that head pressure cycles is back sooner; one whose own protector is open cools longer",
    )
    drive_rise = _ours(
        1.25, "1", 1.1, 2, "of a little current: a dead motor's does not rise, and volts move by a tenth"
    )
    drive_fall = _ours(1.35, "1", 1.3, 3, "copper that warms by 60 K lets a hum fall by a fifth, to 1 in 1.25")
    drive_step = _ours(1.5, "1", 1.2, 3, "from minute to minute; a low stage draws 67 % of a high one (NIST's machine)")
    drive_minutes = _ours(4, "minutes", 4, 20, "a drive takes minutes to the speed that is asked of it")
    drive_kept = _ours(60, "minutes", 10, 600, "longer than a drive takes from its highest speed to its lowest")
    drive_shows_s = _ours(300.0, "s", 0, 900, "four minutes of a call, and one until they have begun to count")
    drive_glide = _ours(0.7, "1", 0.5, 0.95, "of the scan before: a drive takes half a minute and more to its lowest")


class BLINKS(LimitGroup):
    """Presence sensors that come and go while the unit rests (see core/blinks.py)."""

    times = _ours(2, "times", 1, 10, "one outage at rest is an outage; a recloser's second try may be the last")
    longer_ratio = _ours(2.0, "1", 1, 5, "so much longer than it has been away must it stay away")
    most_s = _ours(300.0, "s", 10, 1800, "and for no longer than this: a house that is not called misses nothing")


class FLAPPING(LimitGroup):
    """The budget for findings that come and go (see core/patterns.py)."""

    raises = _ours(6, "times", 2, 60, "more than 6 times an hour is coming and going")
    window_s = _ours(3600.0, "s", 600, 86400, "counted within an hour, and told once an hour")
    settled_s = _ours(3600.0, "s", 600, 86400, "over when quiet, or standing, for an hour")
    sensor_raises = _ours(2, "times", 1, 20, "a sensor that lies is mended at a visit: a third time tells nothing new")
    sensor_s = _ours(4 * 3600.0, "s", 3600, 86400, "what belongs to one diagnosis comes within some hours (EPISODE_S)")


# ---------------------------------------------------------------- elimination and the next check

ABNORMAL_CHANCE = _ours(
    0.02, "1", 0.001, 0.5, "how often a check reads otherwise than sound though the fault lies elsewhere"
)
ACQUIT_SHARE = _ours(0.01, "1", 0.0001, 0.1, "a sound reading on a part speaks a hundred to one for it: meters slip")
LIAR_SHARE = _ours(0.005, "1", 0.0001, 0.1, "a sense that is trusted and contradicts a suspect all the same")
UNLISTED_SHARE = _ours(0.01, "1", 0.0001, 0.1, "a fault that no row of a finding names, of the most usual that does")
LISTED_SHARE = _ours(0.02, "1", 0.001, 0.2, "a suspect with a smaller share of the first one's is worth no check")
COVERED_SHARE = _ours(0.95, "1", 0.5, 1, "the suspects that are worth a check cover so much of what is believed")
NEAR_SHARE = _ours(0.4, "1", 0.01, 1, "whoever is so nearly as likely as the first suspect is told to people too")
THIRD_SHARE = _ours(0.1, "1", 0.001, 1, "second and third suspects are told to people down to this share of the first")
EXPLAINED_SHARE = _ours(
    0.4, "1", 0.01, 1, "a finding is explained by a suspect that is so usual behind it, of the most usual"
)
WHICH_SHARE = _ours(
    0.5, "1", 0.01, 1, "a pressure switch is called high or low where the other is half as likely or less"
)
UNKNOWN_SHARE = _ours(0.03, "1", 0, 0.5, "something that is on no list, of all that is")
DIAGNOSES_MOST = _ours(4, "times", 1, 60, "what changes more often within the hour flickers")
DIAGNOSES_WINDOW_S = _ours(3600.0, "s", 60, 86400, "the hour in which changes of the diagnosis are counted")
FAR_FETCHED_SHARE = _ours(0.005, "1", 0.0001, 0.1, "second and third suspects are worth a check down to this share")
STEADY_SHARE = _ours(0.15, "1", 0.01, 0.5, "a share that has moved by less is no news")
REVISED_SHARE = _ours(0.1, "1", 0.01, 0.5, "a suspect with less that comes or goes at the end of the list is no news")
SELDOM_SHARE = _ours(0.1, "1", 0.01, 0.5, "what a suspect shows seldom counts a tenth of what it shows usually")

# ---------------------------------------------------------------- judging

REVISE_S = _ours(
    5.0, "s", 0, 600, "suspects are weighed again when new evidence has stood this long, not at each flicker"
)
RECENT_S = _ours(7200.0, "s", 60, 86400, "a finding of the last two hours still tells about its consequences")
SETTLE_S = _ours(300.0, "s", 60, 3600, "pressures, and with them the current, have settled five minutes into a run")
MINUTE_S = _ours(60.0, "s", 10, 600, "the unit's normal is learned from means of a minute")
DRAW_HYSTERESIS_RATIO = _ours(0.02, "1", 0, 0.1, "a current is back to normal only 2 % inside its limit")
EARLIER_DAY_S = _ours(20 * 3600.0, "s", 3600, 86400, "a call this long ago was on an earlier day")

EPISODE_S = _ours(4 * 3600.0, "s", 3600, 86400, "what belongs to one diagnosis comes within some hours")
UNPROVEN_S = _ours(86400.0, "s", 4 * 3600, 7 * 86400, "what no run has shown to work again belongs to it for a day")
PAST_S = _ours(
    4 * 86400.0, "s", 86400, 14 * 86400, "a fault that nobody mended comes back; later it may be another one"
)
PAST_EVERY_S = _ours(3600.0, "s", 60, 86400, "of each hour the fullest look is kept")
PAST_HALF_S = _ours(2 * 86400.0, "s", 3600, 14 * 86400, "and what was found then counts half as much after two days")
PAST_RATIO = _ours(4.0, "1", 0, 50, "whoever was sure then is so much likelier now: most that comes back is the same")
PAST_MOST = _ours(20.0, "1", 1, 1000, "and no suspect by more, however seldom it is: then it may have been another one")
RECENT_WEIGHT = _ours(0.25, "1", 0, 1, "a finding that has gone counts a quarter of one that stands")
FOLLOWS_WEIGHT = _ours(0.3, "1", 0, 1, "a finding that follows from another one says little that is new")
WATCH_WEIGHT = _ours(0.5, "1", 0, 1, "and one that is told at the next visit only half of an urgent one")
SATISFIED_MOST_S = _ours(3 * 3600.0, "s", 1800, 86400, "a call that nothing answers is not satisfied sooner or later")
CONFIRM_STOPS = _ours(2, "stops", 1, 5, "when a single stop came may be chance; two alike are a habit")
FLICKERS = _ours(6, "changes", 3, 60, "three times open within two minutes: no pressure switch closes so often")
FLICKERS_WINDOW_S = _ours(
    120.0, "s", 30, 600, "one that trips without its fan is closed again after a minute and a half"
)
FLICKERS_SCANS = _ours(
    12, "scans", 6, 60, "every other scan or so: a pan that fills and drains does not change so often"
)
STILL_SCANS = _ours(3, "scans", 2, 20, "what a motor draws is never the same to the last digit so often")
STILL_VOLTS = _ours(5, "scans", 2, 20, "nor is a service's voltage, which is steadier")
OFF_SECONDS_S = _ours(20.0, "s", 5, 60, "no overload or pressure switch closes again so soon")
OFF_SWITCH_S = _ours(180.0, "s", 60, 600, "pressures meet in a minute or three, and a pressure switch is closed again")
OFF_LONG_S = _ours(900.0, "s", 300, 7200, "a hot compressor's overload takes a quarter of an hour and more")
OVERLOAD_MOST_S = _cited(
    9000.0, "s", 1800, 86400, sources.PROTECTOR_RESET, why="it closes within two hours; margin ours"
)
LEG_HUM_A = _ours(
    0.5, "A", 0.25, 3, "twice what a clamp reads of nothing; half of the volts drive two amperes through a kilowatt"
)
STALL_S = _cited(5.0, "s", 2, 10, sources.PROTECTOR_RESET, why="as long is a stalled motor's current there to be read")
STALL_READ_SHARE = _ours(0.9, "1", 0.5, 1, "of stalls that close scans read: some protectors open sooner")
STALL_MISSED = _ours(0.3, "1", 0.01, 0.5, "a chance as small as this that each stall fell between two scans")
SILENT_START_S = _ours(15.0, "s", 5, 60, "longer than any protector takes, and sooner than a dead start is told")
RUN_LOW_RATIO = _ours(
    0.95, "1", 0.5, 1, "of what is normal at that temperature; a sound unit keeps within a few percent"
)
RUN_HIGH_RATIO = _ours(
    1.05, "1", 1, 2, "of what is normal at that temperature; a sound unit keeps within a few percent"
)
RUN_MINUTES = _ours(11, "minutes", 1, 60, "the middle of so many settled minutes tells what a run draws")
RUN_ALIKE_S = _ours(
    3 * 3600.0, "s", 1800, 86400, "a house that grows warm under a longer run loads it as no learned one"
)
ROUGH_HIGH_RATIO = _ours(1.1, "1", 1, 2, "of what a unit's first runs drew, before its normal is learned")
RUN_SLACK_RATIO = _ours(0.015, "1", 0, 0.1, "what was told of a run's current is over only so far inside its bounds")
FALL_RATIO = _ours(0.6, "of the minutes before", 0.3, 0.65, "a low stage draws two thirds of a high one's and more")
FALL_CONFIRM = _ours(2, "minutes", 1, 10, "one minute alone may hold a blink of the line")
FALL_MINUTES = _ours(3, "minutes", 2, 30, "settled minutes of the same run that a fall is held against")
FALL_SCANS = _ours(20, "scans", 5, 60, "in the first minute or so of a run: a start that stalls is fewer of them")
RISE_RATIO = _ours(1.12, "1", 1.05, 2, "of what is normal: more than a unit's own changes")
GLIMPSE_STEP_S = _ours(10.0, "s", 2, 120, "scans as far apart as this may show a whole run only once")
RISE_BEFORE_RATIO = _ours(1.08, "1", 1.02, 2, "of what is normal: it was high before, and not by a hair")
RISE_AGAIN_S = _ours(86400.0, "s", 3600, 604800, "a current that follows the day's heat is high again a day later")
BLOWER_RESTS_S = _ours(
    180.0, "s", 60, 1800, "boards start the blower with the call or up to 90 s after it (common practice), and a scan"
)
RISE_MINUTES = _ours(15, "minutes", 3, 120, "settled minutes of run within which dirt does not build up")
BLINK_S = _ours(10.0, "s", 1, 60, "an outage so short that pressures stay and clocks run on")
BLINK_BEFORE_S = _ours(60.0, "s", 10, 300, "a start this soon after a blink meets the pressures of the run before")
HOT_C = _ours(31.0, "°C", 25, 40, "a day on which head pressures are high")
MILD_C = _ours(25.0, "°C", 15, 30, "a day on which a sound condenser has an easy time")
HIGH_TRIP_RATIO = _ours(1.12, "1", 1.02, 2, "more than a sound run's own changes")
OVERLOADED_RATIO = _ours(1.2, "of RLA", 1, 2, "no sound run draws so much; a compressor that stops there has tripped")
USUAL_TRIP_RATIO = _ours(
    0.85, "of RLA", 0.5, 1, "an overload opens above rated load, or in a shell that is hot for want of gas"
)
LOW_TRIP_RATIO = _ours(0.8, "1", 0.3, 0.95, "less than a sound run's own changes")
ROUGH_LOW_RATIO = _ours(
    0.88, "1", 0.5, 1, "of what the first runs drew, moved to this temperature: a run that has not settled draws less"
)
ROUGH_RAN_S = _ours(60.0, "s", 20, 300, "the pressures of a run that was shorter say nothing yet")
STEADY_TRIP_S = _ours(20.0, "s", 5, 120, "readings so far apart show whether a run's current still rises")
STEADY_TRIP_RATIO = _ours(
    1.05, "1", 1.01, 1.5, "by more than this it still does; without its fan it rises by a seventh in ten seconds"
)
FAN_HIGH_RATIO = _ours(1.25, "of its own normal", 1.1, 2, "fan motors and their capacitors fail at 35 to 50 % over")
FAN_LOW_RATIO = _ours(0.65, "of its own normal", 0.3, 0.9, "a fan without its blade, or a clamp that has slipped")
FAN_FELL_RATIO = _ours(
    0.8,
    "of its current before",
    0.5,
    0.95,
    "a compressor that stops raises the volts; a lost leg leaves the fan a part",
)
FAN_RUNS = _ours(3, "runs", 1, 20, "one run alone may have been an odd one")
FAN_SCANS = _ours(12, "scans", 2, 90, "the last of a run before a stop, of which the middle counts")
SWAPPED_SCANS = _ours(5, "scans", 2, 60, "a motor's inrush is over by then")
SWAPPED_S = _ours(10.0, "s", 5, 120, "or for so long, where scans are far apart: no inrush lasts like that")
SWAPPED_RATIO = _ours(5.0, "of FLA", 3, 20, "no fan draws so much and runs; a compressor does")
NOISE_SCANS = _ours(12, "scans", 6, 60, "the last of a run, or of a rest, by which a sensor is judged noisy")
NOISE_RATIO = _ours(0.25, "1", 0.1, 0.9, "no running motor's current is up by a third in one scan and down in the next")
NOISE_TURNS = _ours(4, "times", 2, 30, "a stage that changes, a start that is caught or a call that ends is one turn")
NOISE_APART_S = _ours(15.0, "s", 1, 60, "a protector needs half a minute: no motor stalls and runs again in two scans")
NOISE_STEADY = _ours(15, "minutes of run", 1, 120, "a loose joint rests now and then; a run is about so long")
NOISE_CALM = _ours(1, "times", 0, 5, "a start, a change of stage or the end of a call among these scans")

# ---------------------------------------------------------------- meter checks (see checks/)

COPPER_PER_K = _cited(0.00393, "1/K", 0.0039, 0.004, sources.COPPER)
COPPER_AT_C = _cited(20.0, "°C", 20, 20, sources.COPPER, why="the temperature that coefficient counts from")


class METER(LimitGroup):
    """What a meter shows on sound and failed parts (see diagnosis/checks)."""

    leads = Limit(1.0, "ohm", 0.2, 3, "common practice", "leads held together read near 0 ohm")
    closed = _ours(10.0, "ohm", 2, 100, "a closed switch or fuse reads under 1 ohm, 100 m of 18 AWG loop about 4 ohm")
    coil_low = Limit(
        5.0, "ohm", 2, 12, "common practice", "24 V AC coil: look again below; usual is 6 to 27 ohm by size"
    )
    coil_high = Limit(
        40.0, "ohm", 27, 100, "common practice", "24 V AC coil: look again above; usual is 6 to 27 ohm by size"
    )
    coil_open = _ours(1000.0, "ohm", 200, 1e5, "no coil for 24 V has as much: an open one through the meter's own path")
    coil_pull_in = Limit(18.0, "V", 15, 20.4, "common practice", "24 V contactors pull in at about 18 V")
    cable_clear = _ours(10e3, "ohm", 1e3, 1e6, "a dry cable reads over range; a wet or chewed one some kilohms")
    contact_suspect = Limit(0.5, "V", 0.1, 1, "common practice", "a closed pole drops under half a volt when running")
    contact_replace = Limit(1.0, "V", 0.5, 3, "common practice", "from a volt on the faces are burnt")
    start_sag = Limit(
        0.85,
        "of line volts",
        0.7,
        0.95,
        "common practice",
        "further down is a poor joint, wire or service; only at half to two thirds of the volts do compressors stall",
    )
    split_low = Limit(7.8, "K", 5, 10, "common practice", "14 °F: less means that too little heat is moved")
    split_high = Limit(12.2, "K", 10, 16, "common practice", "22 °F: more means too little air over the coil")
    static_high = Limit(200.0, "Pa", 125, 300, "common practice", "0.8 in. of water; blowers are rated at 0.5 in.")
    superheat_low = Limit(2.8, "K", 1, 5, "common practice", "5 °F; the unit's own chart decides")
    superheat_high = Limit(11.1, "K", 8, 20, "common practice", "20 °F; the unit's own chart decides")
    superheat_apart = _cited(2.8, "K", 1, 6, sources.CHARGE_TEST)
    subcooling_low = Limit(3.3, "K", 1, 5, "common practice", "6 °F; the unit's own plate decides")
    subcooling_high = Limit(9.4, "K", 7, 14, "common practice", "17 °F; the unit's own plate decides")
    subcooling_apart = _cited(1.7, "K", 1, 6, sources.CHARGE_TEST)
    amps_overload = _ours(1.5, "of RLA", 1.2, 2.5, "no sound compressor runs so; one on its run winding alone does")
    capacitor_over = _cited(1.06, "of rated", 1.03, 1.2, sources.CAPACITOR_BAND)
    start_capacitor_good = Limit(0.95, "of rated", 0.8, 1, "common practice", "start capacitors: none under the range")
    insulation_good = Limit(20e6, "ohm", 5e6, 1e8, "common practice", "at 500 V: under 20 megohm is weak")
    rc_low = _ours(
        22.0, "V", 20.4, 24, "a class 2 transformer under load keeps 23 to 27 V, 10 to 15 % below its open voltage"
    )
    line_absent = _ours(50.0, "V", 10, 100, "less is what leaks through a motor or a meter")
    line_half = _ours(150.0, "V", 130, 180, "one leg of two lost: the motors carry 120 V or so across")
    line_low = _cited(197.0, "V", 180, 210, sources.COMPRESSOR_VOLTS)
    line_high = _cited(253.0, "V", 250, 264, sources.COMPRESSOR_VOLTS)
    capacitor_good = _cited(0.94, "of rated", 0.9, 0.97, sources.CAPACITOR_BAND)
    capacitor_dead = _ours(0.5, "of rated", 0.1, 0.8, "below half the motor does not start at all")
    winding_sum = _ours(0.15, "1", 0.05, 0.4, "R-S is C-R plus C-S; meters and probes err by tenths of an ohm")
    winding_step = _ours(0.3, "ohm", 0.1, 1, "what probes and a meter's last digit can add")
    winding_ratio_least = Limit(2.0, "1", 1.2, 3, "common practice", "C-S over C-R of some compressors; 3 as published")
    winding_ratio_most = _cited(5.0, "1", 4, 8, sources.WINDINGS)
    winding_digit = _ours(0.1, "ohm", 0, 0.5, "a meter's last digit, once its leads are taken off the reading")
    insulation = Limit(0.5e6, "ohm", 1e5, 2e6, "common practice", "a hermetic compressor: 0.5 megohm or more to ground")
    fan_open = _ours(1000.0, "ohm", 300, 1e4, "fan windings read some ohms to a few hundred; an open one is over range")
    amps_low = _ours(0.4, "of RLA", 0.25, 0.6, "sound compressors run at about half to nine tenths of rated load")
    delay_across = _ours(5.0, "V", 2, 15, "a closed relay contact drops almost nothing")


class IMPOSSIBLE(LimitGroup):
    """What no part, sound or broken, shows on a meter: the reading slipped, or was taken at another place."""

    control_v = _ours(40.0, "V", 32, 60, "no 24 V transformer gives as much on any tap: these volts are the line's")
    line_v = _ours(1.2, "of line volts", 1.1, 1.5, "beyond what any service gives (ANSI C84.1: 5.8 % over, range B)")
    path_ohm = _ours(100.0, "ohm", 20, 1e3, "a joint that is that poor carries no coil: a parallel path, a poor touch")
    open_ohm = _ours(1e6, "ohm", 1e5, 1e7, "what is open reads over range or megohms, with its wires off")
    winding_ohm = _ours(100.0, "ohm", 30, 1e3, "windings of small single-phase compressors read 0.3 to some ten ohms")
    least_ohm = _ours(0.05, "ohm", 0.01, 0.1, "a multimeter's last digit is a tenth of an ohm: the unit was another")
    capacitor = _ours(
        2.0, "of rated", 1.5, 5, "capacitors lose microfarads; twice the label is the other one's reading"
    )
    amps = _ours(1.3, "of LRA", 1.1, 2, "no compressor draws more than with its rotor locked")
    difference_k = _ours(40.0, "K", 25, 60, "no split, superheat or subcooling of a cooling unit is as large")
    static_most = _ours(750.0, "Pa", 400, 1500, "3 in. of water: more than a residential blower can build up")
    static_least = _ours(10.0, "Pa", 1, 25, "0.04 in. of water: a running blower against any coil and filter has more")


class READING_ERROR(LimitGroup):
    """What a technician's meter may err, one standard deviation; by the quantity of a check."""

    ohm = _ours(0.02, "of reading", 0, 0.1, "a multimeter on ohms")
    ohm_least = _ours(0.3, "ohm", 0, 2, "leads and contact of the probes")
    V = _ours(0.015, "of reading", 0, 0.1, "a multimeter on AC volts")
    A = _ours(0.03, "of reading", 0, 0.1, "a clamp meter")
    uF = _ours(0.02, "of reading", 0, 0.1, "a meter's capacitance range")
    load_uF = _ours(0.04, "of reading", 0, 0.1, "a clamp's and a voltmeter's error together")
    K = _ours(1.0, "K", 0, 5, "two thermometers")
    Pa = _ours(0.05, "of reading", 0, 0.2, "a manometer")


SWITCH_MINUTES = _ours(8.0, "min", 0, 30, "locking out and proving dead, or closing up and powering for a live check")
MOVE_MINUTES = _ours(4.0, "min", 0, 30, "to another place, with its cabinet to open")
LOOK_MINUTES = _ours(15.0, "min", 0, 30, "going there for a look; what the look itself takes matters little beside it")
HAZARD_MINUTES = _ours(10.0, "min", 1, 60, "each step of hazard weighs as much as ten minutes of work")
LONG_CHECK_MINUTES = _ours(60.0, "min", 10, 240, "what takes longer is a visit of its own")
CHECK_LEAST_BITS = _ours(0.05, "bit", 0, 0.2, "a check that tells less is on the list, but never proposed")
CHECK_SCARCE_BITS = _ours(0.01, "bit", 0, 0.2, "the same once a check could not be made: under it nothing is told")
AMPS_APART = _ours(
    0.25, "1", 0.1, 0.5, "two clamps err by a few per cent each, and a load moves by a tenth or two with the weather"
)
VISIT_UNEXPECTED = _ours(
    0.1, "1", 0.01, 0.9, "one reading in a hundred slips so: one that is this unlikely by all else is taken twice"
)
VISIT_CERTAIN = _ours(0.9, "1", 0.5, 1, "a suspect shown on its own part and this likely: a visit proposes no more")
CHECK_GAIN_BITS = _ours(0.15, "bit", 0.01, 0.5, "a check that tells less is left for later, whatever it costs")

# ---------------------------------------------------------------- findings (contract.md, Findings)

_CONTRACT = "promised in contract.md, Findings"
_HOLD = (0.0, 86400.0)


def _hold(seconds: float, why: str = _CONTRACT) -> Limit:
    return _ours(seconds, "s", *_HOLD, why)


_SHOWN = "its sense tells it at all times, so it need only stay gone long enough not to flap"
_CALLED = "it shows only under a call: an hour outlasts the usual rest between two calls"
_PROTECTOR = "an overload protector can take over two hours to close again, and then it shows once more"
_DAILY = "a habit, not an event: one quiet day, with its night, ends it"


def _all_clear(seconds: float, why: str) -> Limit:
    return _ours(seconds, "s", 0, 7 * 86400, why)


class FindingLimits(LimitGroup):
    """The numbers of one finding, which a site may change under `[limits.FINDING]`; the class is named after it."""

    hold_s: ClassVar[Limit]
    clear_s: ClassVar[Limit | None] = None
    all_clear_s: ClassVar[Limit] = _all_clear(3600, _CALLED)

    @classmethod
    def group_name(cls) -> str:
        return cls.__name__.lower().replace("_", "-")


class CALL_WITHOUT_PULL_IN(FindingLimits):
    hold_s = _hold(10)


class CALL_WITHOUT_RUN(FindingLimits):
    hold_s = _hold(30)


class PULL_IN_WITHOUT_RUN(FindingLimits):
    hold_s = _hold(15)


class COMPRESSOR_NOT_RUNNING(FindingLimits):
    hold_s = _hold(30)


class FAN_NOT_RUNNING(FindingLimits):
    hold_s = _hold(30)
    defrost_s = _hold(900, "15 min in a heat pump, whose fan stops in defrost")


class LOCKED_ROTOR(FindingLimits):
    hold_s = _hold(1.5)
    all_clear_s = _all_clear(3 * 3600, _PROTECTOR)


class OVERLOAD_CYCLING(FindingLimits):
    hold_s = _hold(0)
    least_off_s = _ours(
        20.0, "s", 0, 600, "a protector needs half a minute at the least; a blink of the line lasts 4 to 12 s"
    )
    called_off_s = _ours(
        180.0,
        "s",
        60,
        900,
        "where only the call tells that the contacts are closed: a pressure switch is closed again in a minute or"
        " three, a protector after 15",
    )
    restarts = _ours(2, "restarts", 1, 20, _CONTRACT)
    window_s = _ours(5400, "s", 60, 86400, _CONTRACT)
    all_clear_s = _all_clear(3 * 3600, _PROTECTOR)


class CONTACTS_STUCK_CLOSED(FindingLimits):
    hold_s = _hold(10)


class CONTACTOR_CHATTER(FindingLimits):
    hold_s = _hold(0)
    changes = _ours(6, "changes", 3, 100, _CONTRACT)
    window_s = _ours(10, "s", 1, 600, _CONTRACT)


class LOW_CONTROL_VOLTAGE(FindingLimits):
    hold_s = _hold(5)


class LOW_LINE_VOLTAGE(FindingLimits):
    hold_s = _hold(30)
    ratio = _cited(0.917, "of nominal", 0.7, 0.99, sources.SERVICE_RANGE_B)


class HIGH_LINE_VOLTAGE(FindingLimits):
    hold_s = _hold(30)
    ratio = _cited(1.058, "of nominal", 1.01, 1.3, sources.SERVICE_RANGE_B)


class RUN_CAPACITOR_WEAK(FindingLimits):
    hold_s = _hold(0)
    ratio = Limit(0.90, "of label or normal", 0.5, 0.99, "common practice", "10 % under the label: replace it")
    runs = _ours(3, "runs", 1, 20, _CONTRACT)
    all_clear_s = _all_clear(86400, "its microfarads come back with a new part only: a day of runs shows it")


class NOT_COOLING(FindingLimits):
    hold_s = _hold(0)
    run_s = _hold(900)
    air_k = _ours(3.0, "K", 0.5, 8, "sound units show 8 to 12 K; 3 K is what a fan and the ducts' warmth may make")
    pipes_k = _ours(6.0, "K", 1, 15, "sound units show over 15 K; without flow both pipes go to the outdoor air")


class LOW_SPLIT(FindingLimits):
    hold_s = _hold(0)
    run_s = _hold(1200)
    ratio = _ours(0.75, "of normal", 0.3, 0.98, "humid air takes a fifth of the split on a damp day, seldom more")


class HIGH_SPLIT(FindingLimits):
    hold_s = _hold(0)
    run_s = _hold(1200)
    ratio = _ours(1.25, "of normal", 1.02, 3, "a fifth more is a dry day; more is air that is missing")


class HOT_DISCHARGE(FindingLimits):
    hold_s = _hold(300, "a minute's surge at the start of a run hurts nothing")
    hot_c = Limit(107.0, "°C", 80, 120, "common practice", "225 °F at the line: oil begins to break down beyond")
    run_s = _ours(
        900, "s", 300, 3600, "so far into a run the shell and the oil are warm, and the line as hot as it gets"
    )
    back_k = _ours(5.0, "K", 1, 20, "no flapping about the limit")
    all_clear_s = _all_clear(86400, "its cause stays through cooler hours: a day of runs shows that it is gone")


class LINE_SUPPLY_LOST(FindingLimits):
    hold_s = _hold(10)
    all_clear_s = _all_clear(300, _SHOWN)


class CONTROL_POWER_LOST(FindingLimits):
    hold_s = _hold(10)
    all_clear_s = _all_clear(300, _SHOWN)


class CALL_NOT_REACHING_UNIT(FindingLimits):
    hold_s = _hold(30)


class CALL_WITHOUT_THERMOSTAT(FindingLimits):
    hold_s = _hold(30, "as long as a call that does not arrive is waited for")


class SHORT_CYCLING(FindingLimits):
    hold_s = _hold(0)
    off_s = _cited(180, "s", 10, 3600, sources.SCROLL_GUIDE_CYCLES)
    run_s = _cited(120, "s", 10, 3600, sources.SCROLL_GUIDE_CYCLES)
    in_a_row = _ours(3, "times", 2, 20, _CONTRACT)
    starts = _cited(10, "starts", 2, 60, sources.SCROLL_MANUAL_STARTS)
    window_s = _ours(3600, "s", 600, 86400, _CONTRACT)
    all_clear_s = _all_clear(86400, _DAILY)


class HIGH_RUNNING_CURRENT(FindingLimits):
    hold_s = _hold(600)
    clear_s = _hold(300, "a run's first minutes draw less: a normal current must last before it counts as mended")
    ratio = _ours(1.15, "of normal", 1.01, 3, _CONTRACT)
    rla_ratio = _ours(1.10, "of RLA", 1.0, 2, _CONTRACT)


class LOW_RUNNING_CURRENT(FindingLimits):
    hold_s = _hold(600)
    clear_s = _hold(60, "a minute of normal current")
    ratio = _ours(0.70, "of normal", 0.1, 0.99, _CONTRACT)


class SLOW_START(FindingLimits):
    hold_s = _hold(0)
    last = _ours(5, "starts", 1, 50, _CONTRACT)
    first = _ours(20, "starts", 3, 200, _CONTRACT)
    ratio = _ours(1.5, "of the first starts", 1.1, 10, _CONTRACT)
    slow_s = _ours(0.4, "s", 0.1, 5, "contract; a sound 3 ton compressor is at speed in about 0.2 s")
    all_clear_s = _all_clear(86400, _DAILY)


class LONG_RUN(FindingLimits):
    hold_s = _hold(6 * 3600)
    all_clear_s = _all_clear(86400, _DAILY)


class NO_CALL_IN_HEAT(FindingLimits):
    hold_s = _hold(8 * 3600)
    hot_c = _ours(32, "°C", 20, 50, _CONTRACT)
    hot_s = _ours(3 * 3600, "s", 600, 86400, _CONTRACT)
    all_clear_s = _all_clear(300, _SHOWN)


class OVERDUE_CALL(FindingLimits):
    hold_s = _hold(0, "how long is too long depends on the weather: owed_h")
    owed_h = _ours(1.0, "h", 0.2, 48, "simulated: 25 times in 200 sound house-years, see tests/benchmarks/README.md")
    urgent_c = _ours(35.0, "°C", 25, 50, "promised in contract.md, More findings and suspects")
    all_clear_s = _all_clear(300, _SHOWN)


class SENSING_DISAGREES(FindingLimits):
    hold_s = _hold(10)
    all_clear_s = _all_clear(300, _SHOWN)


class SENSOR_SILENT(FindingLimits):
    hold_s = _hold(60)
    scans = _ours(3, "scans", 1, 100, _CONTRACT)
    all_clear_s = _all_clear(300, _SHOWN)


FINDINGS: dict[str, type[FindingLimits]] = {group.group_name(): group for group in FindingLimits.__subclasses__()}


# ---------------------------------------------------------------- the alarm life

_AUDIT = "an alarm-system self-audit page on ISA-18.2; the standard itself was not read"


class ALARMS(LimitGroup):
    """The life of an alarm and its figures (see alarms)."""

    hours_least = _ours(0.1, "h", 0.01, 1, "a shelving or service mode shorter than six minutes is a slip")
    shelve_most_h = _ours(168.0, "h", 1, 720, "a week: as long as a part may take to come")
    service_most_h = _ours(24.0, "h", 1, 168, "a day: nobody works on one unit longer without going home")
    answers_kept = _ours(32, "answers", 1, 1000, "a request repeated by the broker comes soon after the first")
    text_most = _ours(500, "characters", 50, 5000, "longest note of a person")
    name_most = _ours(128, "characters", 16, 1000, "longest name of a person and longest id of a request")
    window_s = _cited(600.0, "s", 60, 3600, sources.ALARM_WINDOW)
    flood_from = Limit(10, "alarms", 2, 100, "common practice", f"a flood is more than this in 10 min: {_AUDIT}")
    flood_until = _cited(5, "alarms", 1, 100, sources.ALARM_WINDOW)
    chatter_times = Limit(3, "times", 2, 100, "common practice", f"chatter is this often in a minute: {_AUDIT}")
    chatter_s = Limit(60.0, "s", 10, 600, "common practice", f"the minute of chatter: {_AUDIT}")
    stale_s = Limit(86400.0, "s", 3600, 864000, "common practice", f"in alarm for longer is stale: {_AUDIT}")
    days = _cited(30, "days", 1, 366, sources.ALARM_DAYS)
    per_day = _cited(150, "alarms", 1, 1000, sources.ALARM_LOAD)
    flood_share = _cited(0.01, "1", 0, 1, sources.ALARM_FLOOD)
    share_urgent = Limit(0.05, "1", 0, 1, "common practice", "about 5 % of alarms high priority: a blog on ISA-18.2")
    share_soon = Limit(0.15, "1", 0, 1, "common practice", "about 15 % medium: the same")
    share_watch = Limit(0.80, "1", 0, 1, "common practice", "about 80 % low: the same")
    times_kept = _ours(256, "times", 16, 10000, "far more alarms than a flood in one window")
    top = _ours(10, "findings", 1, 30, "the ten most frequent alarms, as is usual in alarm reviews")


class PROOF(LimitGroup):
    """What proves a repair (see alarms/episodes.py)."""

    run_s = _ours(300.0, "s", 60, 3600, "five minutes of a run: every quick finding would have come by then")
    long_run_s = _ours(900.0, "s", 300, 7200, "a quarter of an hour: an overload protector trips within it in the heat")
    times = _ours(3, "runs", 1, 20, "what comes and goes often works once or twice in between")
    span_s = _ours(12 * 3600.0, "s", 0, 604800, "half a day: morning and afternoon, or day and night")
    day_s = _ours(24 * 3600.0, "s", 3600, 604800, "a day with its hottest hour")
    worked_s = _ours(60.0, "s", 10, 3600, "a minute of work between two failures: it has come back")
    returns_most = _ours(3, "returns", 1, 20, "what has come back three times is asked for three runs and days more")
    cooler_k = _ours(3.0, "K", 0, 10, "as hot as it failed in, within the error of two sensors and a day's luck")
    kept = _ours(12, "runs", 3, 100, "more than can ever be asked for")


class EPISODES(LimitGroup):
    """What belongs to one story (see alarms/episodes.py)."""

    reopen_h = _ours(24.0, "h", 1, 168, "the same finding within a day of its all-clear is the same story")
    often_times = Limit(3, "times", 2, 20, "ours", "a third time within a day comes and goes")
    often_s = Limit(86400.0, "s", 3600, 604800, "ours", "within a day")
    share = _ours(0.2, "1", 0.01, 1, "a loose joint or the monitor itself is one cause of two findings if likely")
    merge_share = _ours(0.5, "1", 0.1, 1, "two open ones are one when their common cause is likelier than all others")
    word_s = _ours(900.0, "s", 60, 7200, "whoever says it is repaired may still have a panel and a breaker to close")
    shown_days = _ours(14.0, "days", 1, 90, "a finished one is shown, and told to a phone that was away, for two weeks")
    kept = _ours(24, "episodes", 4, 200, "a season of a unit that fails every week")


# ---------------------------------------------------------------- the unit's own normal (see trends/)


class BASELINES(LimitGroup):
    """What is normal for this unit, drift from it, use and wear (see baselines)."""

    # running amps against outdoor temperature
    days = _ours(3, "days", 1, 60, "three days show the swing of a day and outvote one odd day")
    minutes = _ours(180, "min", 30, 10000, "an hour of settled run on each of them")
    day_minutes = _ours(10, "min", 1, 600, "a day counts from ten settled minutes on")
    pull_in_step_s = _ours(0.010, "s", 0, 1, "the contacts' change is timed in steps of about 10 ms")
    bin_k = _ours(1.0, "K", 0.5, 5, "points are spread over the temperatures: no long afternoon rules")
    bin_points = _ours(24, "points", 4, 100, "a degree is known well enough by four hours at it")
    point_every_s = _ours(600, "s", 60, 3600, "minutes of one run say much the same; one in ten is kept")
    span_k = _ours(4.0, "K", 1, 20, "a slope from a narrower span is noise; the usual slope is taken instead")
    slope_per_k = _ours(
        0.0252,
        "1/K",
        0,
        0.1,
        "1.4 % a °F, from a published map of a 3 ton R-410A compressor at 45 °F suction",
    )
    slope_most_per_k = _ours(0.06, "1/K", 0.02, 0.2, "over twice the usual slope is no property of a compressor")
    volts_sd = _ours(0.25, "V", 0.05, 5, "less spread of the 24 V supply tells nothing of the line's effect (1 %)")
    volts_most_per_v = _ours(0.08, "1/V", 0.01, 0.5, "twice what constant power gives: 1 V of 24 is 4.2 %")
    margin_k = _ours(1.5, "K", 0, 5, "a straight line holds a little beyond the temperatures it was made from")
    widen_k_per_day = _ours(3.0, "K", 0.5, 20, "new temperatures are taken up slowly, as a season brings them")
    widen_ratio = _ours(0.10, "1", 0.01, 0.3, "and only where the current is near what the line leads to expect")
    widen_points = _ours(3, "points", 1, 50, "half an hour at a new temperature before it counts as seen")
    heat_pump_from_c = _ours(18.0, "°C", 10, 25, "a heat pump called below this may well be heating")
    heating_per_k = _ours(0.01, "1/K", 0, 0.05, "heating current against outdoor air, until this unit's own is seen")
    earlier_minutes = _ours(5, "minutes", 2, 30, "settled minutes that stand for a run while nothing is learned")
    earlier_ratio = _ours(
        0.55,
        "1",
        0.3,
        0.65,
        "a low stage drew 67 % of a high one's amps and more (tests/data/nist-ashp-hilft); half is no stage",
    )
    rough_runs = _ours(8, "runs", 2, 50, "a unit's first runs, of the first hours, while nothing is learned")
    rough_least = _ours(3, "runs", 1, 20, "one run alone may have been an odd one")
    rough_minutes = _ours(2, "minutes", 1, 30, "settled minutes of a short run that slow scans show")
    rough_k = _ours(12.0, "K", 1, 30, "the usual slope leads astray further away")
    # runs that end before they settle
    early_s = _ours(60.0, "s", 30, 300, "by the third minute a measured run drew what it did later (early_ratio)")
    early_ratio = _ours(
        0.95,
        "of the third minute",
        0.7,
        1,
        "in 98 of 100 of 1,104 runs of a measured machine, minutes 7 to 20 drew 0.98 to 1.04 of the third"
        " (tests/data/nist-ashp-hilft and -more)",
    )
    early_steady_ratio = _ours(
        0.10, "1", 0.02, 0.3, "the third minute drew 0.98 to 1.02 of the second there (the same share of the same runs)"
    )
    # clean minutes
    steady_ratio = _ours(0.05, "1", 0.01, 0.2, "neighbouring minutes of a settled run differ by 1 to 3 %")
    # stages, which nothing senses
    stage_step = _ours(
        0.18,
        "1",
        0.1,
        0.4,
        "half of the least that was measured: the high stage drew 38 to 50 % more amps (tests/data/nist-ashp-hilft)",
    )
    stage_most = _ours(1.9, "of the other stage", 1.3, 3, "a low stage of half the capacity, and some margin")
    stage_clear_sd = _ours(3.0, "standard deviations", 2, 10, "one group cut at its middle lies 2.7 of them apart")
    stage_points = _ours(3, "points", 2, 20, "half an hour of a stage")
    stage_returns = _ours(2, "times", 1, 10, "one return may be chance")
    stage_wait_min = _ours(90, "min", 10, 1000, "a higher stage that stays on longer at its first time is rare")
    stage_look_min = _ours(20, "min", 5, 100, "a new level that is not steady by then is no stage")
    recent_minutes = _ours(30, "min", 5, 500, "what the last runs drew, to tell a step from a creep")
    recent_between = _ours(3, "min", 0, 30, "more minutes than this between two levels are a creep")
    sure_sd = _ours(3.5, "standard deviations", 2, 6, "one normal minute in 2000 lies outside; ten in a row never do")
    # fan and temperature split
    fan_per_k = _ours(0.0033, "1/K", 0, 0.02, "a fan's load follows the density of air: 1/300 K")
    fan_most_per_k = _ours(0.02, "1/K", 0.005, 0.1, "six times that is no property of air")
    split_per_k = _ours(0.008, "1/K", 0, 0.05, "capacity falls by about 0.8 % for each K outdoors (published maps)")
    split_most_per_k = _ours(0.06, "1/K", 0.01, 0.2, "humid return air takes half the split: 6 % for each K of it")
    split_least_k = _ours(3.0, "K", 0, 8, "less is no cooling, and no normal")
    split_most_k = _ours(18.0, "K", 12, 30, "more is hardly any air, and no normal")
    # drift
    ewma_weight = _cited(0.2, "1", 0.05, 1, sources.EWMA)
    drift_allow = _ours(0.02, "1", 0.005, 0.1, "daily means move this much with humidity and the house alone")
    drift_limit = _ours(0.10, "1", 0.02, 1, "beyond the allowance: six days 4 % off, or eleven days 3 % off")
    # the first and the last of something
    first = _ours(20, "times", 3, 200, "as for start times")
    last = _ours(5, "times", 1, 50, "as for start times")
    start_rate_hz = _ours(200, "Hz", 50, 10000, "a start lasts 0.1 to 0.5 s; slower captures cannot time it")
    # use and wear
    use_days = _ours(60, "days", 7, 400, "two months of daily use, for the page")
    contact_life = _cited(200000, "operations", 10000, 1e7, sources.CONTACT_LIFE)


# ---------------------------------------------------------------- when the unit is called (see baselines/calls.py)


class CALLS(LimitGroup):
    """The model of a unit's own calls, by which one is overdue: a dynamic binomial regression (West, Harrison and Migon
    1985; more in baselines/calls.py). Its prior was set by hand and tried on simulated house-years."""

    days = _ours(
        1, "days", 1, 60, "its first midnight: no false alarm on 120 simulated houses in their first five days"
    )
    calls = _ours(10, "calls", 1, 1000, "a few are an installer's trials; the prior holds what a day of them tells")
    habits_known_days = _ours(3, "days", 1, 366, "half of the doubt about a household is gone in as many days")
    missed_swings = _ours(16.0, "swings", 1, 60, "2 K are four swings of 0.5 K, and walls hold some times the air's")
    missed_most_h = _ours(2.8, "h", 1, 72, "owed in half a day by a unit that runs 8 h a day")
    call_memory = _ours(30, "calls", 3, 1000, "what a call stores changes with the season")
    overcooled_h = _ours(4.0, "h", 1, 24, "no recovery from a setback runs so much longer than the weather asks for")
    spell_h = _ours(72.0, "h", 24, 1000, "a cool spell lasts two to four days: a longer silence must owe more")
    unfelt_ratio = _ours(2.0, "1", 1, 10, "without the outdoor temperature a cool spell looks like a fault")
    stretch_h = _ours(3.0, "h", 3, 3, "the sun's height and a household's habits change over about three hours")
    level_c = _ours(22.0, "°C", 10, 30, "where the level of the regression is read off: about the balance point")
    prior_level = _ours(-2.0, "logit", -10, 10, "an eighth of the hour at 22 °C")
    level_spread = _ours(3.0, "logit", 0.1, 10, "from never to always called at 22 °C")
    level_walk = _ours(0.045, "logit/day^.5", 0, 1, "a set point moved by 1 K (0.24 logits) a month")
    prior_slope = _ours(1.2, "logit/5 K", 0, 5, "from an eighth to three quarters of the hour in 13 K")
    slope_spread = _ours(1.0, "logit/5 K", 0.01, 5, "as large as the slope itself, nearly")
    prior_last_day = _ours(0.3, "logit/5 K", -5, 5, "a quarter of what the temperature now does")
    last_day_spread = _ours(0.5, "logit/5 K", 0.01, 5, "a light house has none, a heavy one twice as much")
    stretch_spread = _ours(0.7, "logit", 0.01, 5, "sun and setbacks: half to double the share")
    trials_per_h = _ours(4.0, "1/h", 1, 60, "a call every quarter of an hour, as thermostats cycle at half load")
    surprise_most = _ours(8.0, "logit", 1, 100, "no single hour teaches more than this")
    caution = _ours(1.0, "spreads", 0, 3, "what is believed less what is not sure, one standard deviation")
    day_h = _ours(24.0, "h", 3, 72, "the sun and the people of a day are those of the next hours, not of the day after")
    workday_spread = _ours(0.7, "logit", 0.01, 5, "a setback while people are at work: as a stretch of the day")
    day_spread = _ours(0.8, "logit", 0, 3, "sun, guests and windows: half to double the run on days equally warm")
    half_life_days = _ours(45, "days", 7, 365, "half a season: what was learned of habits fades as they change")
    fade_h = _ours(48.0, "h", 12, 1000, "the time constant of a house with its mass, one to four days")
    from_c = _ours(15.0, "°C", 5, 20, "colder air outdoors cools a house through its walls")
    gap_s = _ours(3600, "s", 60, 86400, "a call may last ten minutes: an hour not watched may have held one")
    season_s = _ours(10 * 86400, "s", 86400, 60 * 86400, "a unit not called for ten days is out of season, or off")
    habit_ratio = _ours(2.0, "1", 1, 4, "the next longest silence of a habit is seldom twice as long")
    habit_hours_days = _ours(14, "days", 0, 366, "two weekends show at which hours of the day a household has habits")
    habit_within_h = _ours(3.0, "h", 0, 12, "who leaves at nine on one day may leave at seven or at noon on another")
    return_h = _ours(3.0, "h", 1, 12, "a house that was left warm takes hours to cool; one set warmer cycles at once")
    explained_ratio = _ours(1.25, "1", 1, 4, "the next silence of the same trip is seldom longer by a quarter")
    explained_days = _ours(10, "days", 1, 366, "a trip lasts a week")
    word_days = _ours(400, "days", 1, 3660, "from one summer's trip to the next one's")
    word_most_h = _ours(2.0, "h", 0, 12, "an open switch must be told within half a day all the same")
    habit_days = _ours(60, "days", 14, 366, "eight weekends")
    repair_s = _ours(8 * 3600, "s", 0, 7 * 86400, "nobody comes and repairs it sooner; who came home turned it on")


# ---------------------------------------------------------------- the fleet

_DAY = 86400.0


class FLEET(LimitGroup):
    """The contractor's office."""

    # ingest
    payload_most = _ours(65536, "bytes", 4096, 1e6, "twenty times the largest `unit` message of a fully fitted site")
    free_least_mb = _ours(200.0, "MB", 1, 1e5, "less than this free on the disk is shown as a thing to mend")
    lag_s = _ours(30.0, "s", 1, 3600, "ingest that has not read all it was given for this long is behind")
    silent_share_pct = _ours(
        5.0, "%", 0.1, 100, "more monitors silent at once than by chance: the list is not to be trusted"
    )
    silent_least = _ours(5, "sites", 1, 1e5, "below this many silent ones a share says nothing")
    certificate_days = _ours(30, "days", 1, 365, "time enough to make the broker's certificate again")
    infer_s = _ours(900, "s", 10, _DAY, "how often the office compares its units with each other")
    on_call_s = _ours(30, "s", 1, 3600, "how often new urgent cases are looked for, to tell whoever is on call")
    webhook_s = _ours(1, "s", 0.1, 600, "how often the outbox is looked at: a receiver knows within seconds")
    webhook_wait_s = _ours(15, "s", 1, 60, "how long a receiver may take to answer")
    webhook_late_s = _ours(3600, "s", 60, 7 * _DAY, "`check` says so when something has waited this long")
    site_kb_per_s = _ours(100.0, "kB/s", 1, 1e5, "a site's quota, a hundred times what one says on its busiest day")
    site_burst_kb = _ours(16000.0, "kB", 100, 1e6, "what is saved up of it: a site that was away for months comes back")
    clock_ahead_s = _ours(120, "s", 0, _DAY, "a site's clock further ahead than this is wrong")
    clock_behind_s = _ours(5 * 366 * _DAY, "s", _DAY, 1e9, "the longest a site keeps its events (history.events_days)")
    batch_most = _ours(2000, "messages", 1, 20000, "measured: larger batches take no less of a message's time")
    batch_wait_s = _ours(0.1, "s", 0.001, 5, "a message waits no longer for company before it is committed")
    collect_objects = _ours(
        200_000, "objects", 700, 1e8, "measured: the collector takes nothing worth a look, and memory stays flat"
    )
    in_flight = _ours(8000, "messages", 20, 65535, "four batches: the broker never waits for a commit")
    retry_s = _ours(1.0, "s", 0.05, 60, "pause after database or broker failed")
    session_kept_s = _ours(7 * _DAY, "s", 60, 2**32 - 2, "what sites send while the office is down waits a week")
    slots_most = _ours(64, "workers", 1, 1000, "more ingest workers than any one database can feed")
    slot_idle_s = _ours(60, "s", 1, 3600, "a worker that is only being restarted is back by then")
    beat_s = _ours(5, "s", 0.1, 60, "how often a worker says that it lives and looks for work of others")
    drained_s = _ours(10, "s", 0.2, 600, "a session of a worker that is gone is empty when nothing came this long")
    sweep_s = _ours(30, "s", 0.2, 3600, "how often missing numbers are looked for")
    sweep_sites = _ours(500, "sites", 1, 1e5, "asked in one sweep; the rest in the next, which then comes at once")
    asks_at_once = _ours(1000, "requests", 1, 1e4, "sent and not yet taken by the broker")
    origins_most = _ours(32, "origins", 2, 1000, "a site whose disk was replaced more often than this is broken")
    runs_most = _ours(2000, "runs", 10, 1e5, "a ledger with more holes than this is broken")
    # asking again
    hole_patience_s = _ours(60, "s", 1, 3600, "messages shared between workers arrive out of order by seconds")
    ask_again_s = _ours(300, "s", 5, _DAY, "an unanswered request is repeated after this, then twice as long")
    asks_most = _ours(12, "times", 1, 100, "doubling from 5 min, this is two weeks: then it is given up as lost")
    # keeping
    events_days = _ours(1826, "days", 31, 36500, "five years, as on the site")
    cycles_days = _ours(731, "days", 31, 36500, "two seasons side by side; the daily sums are kept as long as events")
    set_aside_days = _ours(30, "days", 1, 3650, "long enough for somebody to look")
    audit_days = _ours(1826, "days", 31, 36500, "as long as the events they are about")
    # people
    session_idle_s = _ours(12 * 3600, "s", 300, 30 * _DAY, "a working day")
    session_most_s = _ours(7 * _DAY, "s", 3600, 365 * _DAY, "sign in again once a week")
    login_tries = _ours(5, "tries", 1, 100, "wrong passwords for one name within login_window_s")
    login_tries_from = _ours(50, "tries", 1, 10000, "wrong passwords from one address: an office shares one")
    login_window_s = _ours(900, "s", 60, _DAY, "how long wrong passwords count")
    password_least = _cited(15, "characters", 8, 64, sources.PASSWORD_LENGTH)
    argon2_kib = _cited(19456, "KiB", 8192, 1e6, sources.ARGON2)
    argon2_passes = _cited(2, "passes", 1, 10, sources.ARGON2)
    requests_per_min = _ours(300, "requests", 10, 1e5, "one address, by one web process; a page takes 1 to 3")
    # triage
    silent_s = _ours(600, "s", 60, _DAY, "a monitor off this long is silent, not just starting again")
    unheard_s = _ours(26 * 3600, "s", 3600, 30 * _DAY, "a working monitor says something at least once a day")
    suspects_loaded = _ours(3, "suspects", 1, 30, "the truck is loaded for the likeliest; the rest is told beside")
    due_days = _ours(30, "days", 1, 366, "plan visits are booked a month ahead")
    route_stops = _ours(30, "stops", 2, 200, "more than a technician makes in a day; longer ways are not mended")
    page_rows = _ours(100, "rows", 10, 1000, "what a dispatcher scrolls through on one page")


class FLEET_INFERENCE(LimitGroup):
    """Units against their own past and their neighbors (monitor/fleet/inference.py)."""

    past_days = _ours(28, "days", 10, 90, "four weeks: each weekday four times, and one weather")
    past_least_days = _ours(14, "days", 5, 60, "fewer days of its own say nothing of its spread")
    judged_days = _ours(3, "days", 1, 10, "a guest or a party lasts two")
    neighbors_least = _ours(12, "sites", 3, 1000, "fewer have no common weather to take out")
    score_bound = _ours(4.5, "spreads", 2, 20, "measured: no false line in 17 weeks of 1,000 sound sites")
    hours_spread = _ours(
        0.22, "log", 0.01, 2, "least spread of daily hours; a steadier house may still change its mind"
    )
    starts_spread = _ours(0.18, "log", 0.01, 2, "the same of starts an hour")
    amps_spread = _ours(0.02, "log", 0.001, 1, "the same of amps: 2 %, what the sensor drifts")
    restarts_least = _ours(4, "restarts", 1, 100, "on the judged days in all: sags of one line seldom come daily")
    restarts_factor = _ours(2.0, "times", 1, 20, "against the most on as many days in a row of its past")
    restarts_share = _ours(0.1, "share", 0.01, 1, "of the neighbors: more restarting on a day is the grid's doing")
    runs_least = _ours(60, "runs", 10, 10000, "its share of the plan's runs is known to an eighth")
    gap_runs = _ours(12.0, "runs", 3, 1000, "a quarter of a hot day's runs missed")
    gap_factor = _ours(5.0, "times", 1, 20, "measured: half a false line a week at 1,000 sound sites, most on trips")
    busy_share = _ours(0.9, "share", 0, 2, "measured with gap_factor: houses left by their people in mild weather")
    away_days = _ours(14, "days", 2, 60, "few are away for longer: it is a case then, answer or not")
    beside_runs = _ours(3, "runs", 1, 100, "of another unit of the house: somebody is home, or it was left on")
    urgent_c = _ours(35.0, "°C", 25, 50, "as overdue-call is urgent from there")
    together_s = _ours(300, "s", 10, 3600, "monitors on one feeder lose the broker within its keep-alive and grace")
    together_least = _ours(5, "sites", 2, 1000, "as silent_least")


_NWS = "taken by dry bulb alone"
FLEET_HEAT_C: tuple[Limit, ...] = (
    _ours(-90.0, "°C", -90, -90, "below the first band there is no heat"),
    _cited(26.7, "°C", 20, 50, sources.HEAT_INDEX, why=_NWS),
    _cited(32.2, "°C", 20, 50, sources.HEAT_INDEX, why=_NWS),
    _cited(39.4, "°C", 20, 60, sources.HEAT_INDEX, why=_NWS),
)
CONTACTOR_LRA_A: dict[int, Limit] = {
    30: _cited(180, "A", 180, 180, sources.CONTACT_LOCKED_ROTOR),
    40: _cited(240, "A", 240, 240, sources.CONTACT_LOCKED_ROTOR),
}

# ---------------------------------------------------------------- the history file and the publishers


class HISTORY(LimitGroup):
    """The history file."""

    fine_step_s = _ours(10, "s", 1, 60, "recent readings are kept as means, lows and highs of this long")
    coarse_step_s = _ours(60, "s", 10, 3600, "older readings are thinned to this")
    fine_days = _ours(2, "days", 0.1, 30, "yesterday and today can be looked at closely")
    flush_s = _ours(300, "s", 10, 3600, "readings reach the SD card in batches; events reach it at once")
    fault_fresh_s = _ours(
        120, "s", 30, 3600, "a monitor that stopped seeing after a fault of its own failed since then"
    )
    live_disk_s = _ours(10, "s", 1, 600, "spacing of the live status where its file lies on a disk and not in memory")
    busy_s = _ours(1.0, "s", 0.05, 30, "the loop waits no longer for another process that writes the history")
    retry_s = _ours(5.0, "s", 0.1, 600, "pause before a disk that failed is tried again")
    expose_s = _ours(10.0, "s", 0, 600, "a disk that fails this long no longer keeps events from the publishers")
    held_most = _ours(5000, "rows", 100, 1e6, "rows held in memory for a failing disk: weeks of an ordinary unit")
    tidy_s = _ours(3600, "s", 60, 86400, "readings are thinned and old rows dropped this often")
    drop_days = _ours(2, "days", 0.1, 100, "dropped in one go: a wrong clock costs the oldest days, not all of them")
    outbox_most = _ours(200000, "rows", 1000, 1e7, "kept for want of a clock too: over 100 MB, ten years of a unit")
    requests_most = _ours(100, "requests", 1, 1000, "requests waiting for the service; more are refused")
    set_aside_most = _ours(
        30, "files", 2, 1000, "damaged files put away; beyond this all but first and last are thinned"
    )
    set_aside_full = _ours(3, "files", 2, 100, "as many of them stay where the disk is nearly full")
    backup_mb_day = _ours(100, "MB", 1, 1e4, "a larger history is backed up less often than daily: cards wear")
    backup_spare_mb = _ours(50, "MB", 1, 1e4, "left free beside a backup")


class WEB(LimitGroup):
    """The unit's page."""

    stale_s = _ours(15.0, "s", 2, 600, "a status older than this is not believed: the page says that it is blind")
    stale_scans = _ours(5, "scans", 2, 100, "or older than this many scans, where scans are taken seldom")
    poll_s = _ours(2.0, "s", 0.5, 60, "how often an open page asks whether something changed")
    lost_s = _ours(15.0, "s", 2, 600, "a page that cannot reach the monitor this long says so")
    threads = _ours(8, "threads", 2, 64, "answers given at a time; a Pi has four cores and other work")
    backlog = _ours(64, "connections", 4, 1024, "connections open at a time; more wait")
    body_most = _ours(65536, "bytes", 1024, 1e7, "no form of the page is longer")
    changes_most = _ours(500, "changes", 10, 1e4, "of settings, kept with who made them")
    observed_days = _ours(14, "days", 1, 365, "runs that the nameplate typed in is compared with")
    observed_low = _ours(0.35, "of rated load", 0.1, 0.6, "a sound unit draws more when it runs; as stopped below 0.2")
    observed_high = _ours(1.25, "of rated load", 1, 2, "a sound unit draws less; its contactor would trip an overload")
    password_least = _ours(
        10,
        "characters",
        8,
        64,
        f"one house, on its own network; less than {sources.PASSWORD_LENGTH.cite} asks of an only factor",
    )
    password_most = _ours(256, "characters", 64, 4096, "longer ones only cost time to hash")
    login_tries = _ours(5, "tries", 1, 100, "wrong passwords from one address within login_window_s")
    login_tries_all = _ours(50, "tries", 5, 1000, "wrong passwords from all addresses within login_window_s")
    login_window_s = _ours(300.0, "s", 10, 86400, "how long wrong passwords are counted")
    session_h = _ours(720.0, "h", 0.1, 8760, "a sign-in on one's own phone holds a month")
    tokens_most = _ours(20, "tokens", 1, 1000, "tokens for programs kept at a time")
    ended_most = _ours(200, "sessions", 1, 10000, "signed out within session_h; with one more all sessions end")
    answer_wait_s = _ours(2.0, "s", 0, 30, "how long the page waits for the service to answer a request")
    day_s = _ours(86400.0, "s", 3600, 604800, "the lanes on the first page go back one day")
    cycles_shown = _ours(200, "cycles", 10, 5000, "rows of the table of cycles")
    points = _ours(400, "points", 50, 2000, "points of a plotted curve: about one a pixel on a phone")
    free_least_mb = _ours(200.0, "MB", 1, 1e5, "less than this free on the disk is shown as a thing to mend")
    clock_ahead_s = _ours(120.0, "s", 1, 3600, "a status dated this far ahead means a clock that was set back")


class PUBLISHERS(LimitGroup):
    """What leaves the house: the broker and every publisher."""

    in_flight = _ours(16, "messages", 1, 1000, "sent and not yet acknowledged; sent again after a lost connection")
    connect_s = _ours(5.0, "s", 0.5, 60, "a broker that has not answered the connection by then is down")
    backoff_first_s = _ours(1.0, "s", 0.01, 60, "pause after the first failure of a publisher, doubled each time")
    backoff_most_s = _ours(120.0, "s", 1, 3600, "longest pause between tries of a publisher")
    poll_s = _ours(0.2, "s", 0.01, 5, "how often a publisher's thread looks for news")
    session_s = _ours(3600, "s", 0, 2**32 - 2, "the broker keeps requests over a restart; older ones are out of date")
    witness_s = _ours(0.5, "s", 0, 10, "a broker gives what it has kept right after it has taken the subscription")
    unit_s = _ours(900.0, "s", 10, 86400, "the retained `unit` message is renewed this often though nothing changed")
    own_faults_s = _ours(10.0, "s", 1, 600, "how soon the broker hears of a fault of the program itself")
    blind_s = _ours(45.0, "s", 5, 600, "no scan for this long: the monitor says that it is blind (within a minute)")
    request_most = _ours(4096, "bytes", 256, 65536, "ten times the longest sensible request")
    refusals_per_min = _ours(30, "answers", 1, 1000, "answers to requests that cannot be read; a flood gets no more")
    resend_most = _ours(500, "messages", 1, 10000, "messages sent again for one request")
    retained_s = _ours(10.0, "s", 0.05, 60, "what the broker kept of this device has come in by then at the latest")
    discovery_rest_s = _ours(
        3600.0, "s", 1, 86400, "a broker that forbids the discovery topics is asked again after it"
    )
    presses_per_min = _ours(10, "presses", 1, 100, "of a hub's buttons; an automation gone wild is not followed")
    button_service_h = _ours(2.0, "h", 0.5, 8, "how long service mode lasts when a hub's button began it: one visit")
    close_s = _ours(5.0, "s", 0.1, 60, "a publisher that has not ended by then is left behind at the stop")
    status_age_s = _ours(10.0, "s", 1, 600, "a status older than this and three scans is stale")
    cycle_least_s = _ours(1.0, "s", 0, 10, "a shorter call that starts nothing flickers, up to 25 times a second")
    clock_least = _ours(1735689600, "s", 0, 4e9, "2025-01-01: a wall clock before this was never set")


# ---------------------------------------------------------------- the phone


class NOTIFY(LimitGroup):
    """The phone."""

    send_s = _ours(30.0, "s", 1, 300, "a phone service that has not taken a message by then hangs; it is tried again")
    targets_most = _ours(8, "targets", 1, 32, "each may need 80 MB for a second while it sends")
    first_day = _ours(3, "messages", 2, 10, "a house gets three messages on an episode's first day")
    soon_again_s = _ours(3 * 86400.0, "s", 86400, 2592000, "a visit that nobody has booked is spoken of again")
    answered_again_s = _ours(3 * 86400.0, "s", 86400, 2592000, "what is acknowledged comes up again")
    second_h = _ours(4.0, "h", 0.5, 48, "an urgent alarm that nobody answered for so long goes to a second person")
    off_s = _ours(1800.0, "s", 600, 86400, "a monitor off for half an hour says so when it is back")
    link_s = _ours(7 * 86400.0, "s", 3600, 2592000, "a link in a message holds a week; the next one brings new")
    remembered = _ours(64, "episodes", 8, 1000, "of what a phone was told; a season of a unit that fails every week")
    late_s = _ours(900.0, "s", 60, 86400, "a message this much later than its alarm says that it is late")
    check_window_s = _ours(3 * 3600.0, "s", 600, 86400, "a daily word missed by more than this waits for tomorrow")
    blind_s = _ours(600.0, "s", 60, 86400, "no reading for this long is told: an update or a start takes less")
    begun_s = _ours(15.0, "s", 5, 300, "a service just begun has had no time for a scan; it is restarted after 30 s")
    listed_most = _ours(12, "alerts", 1, 40, "more in one message than anybody reads; the page has all")


class SILENCE(LimitGroup):
    """The dead man's switch (see publishers/silence_watch.py)."""

    after_s = _ours(1800.0, "s", 300, 86400, "half an hour of silence; a restart or an update takes minutes")
    together_s = _ours(600.0, "s", 60, 7200, "neighbours that fall silent within ten minutes have one cause")
    own_gap_s = _ours(300.0, "s", 60, 3600, "a watchdog that was off itself for longer has heard nobody meanwhile")
    look_s = _ours(20.0, "s", 1, 300, "how often the watchdog looks who is alive")
    ask_s = _ours(5.0, "s", 1, 60, "a page in the house answers within a second, or is not there")


# ---------------------------------------------------------------- the report and its share codes


class REPORT(LimitGroup):
    """The hand-over report and its share codes."""

    days = _ours(7, "days", 1, 366, "a visit looks back over the last week")
    days_most = _ours(92, "days", 1, 366, "a season; more makes pictures in which nothing can be seen")
    read_most = _ours(5000, "rows", 100, 1e6, "events read; a unit that fails all the time brings fifty a day")
    events = _ours(60, "rows", 5, 1000, "the newest of what happened; a page and a half")
    cycles = _ours(40, "rows", 5, 1000, "the newest runs; a page")
    close_ups = _ours(3, "pictures", 0, 20, "the newest findings, each seen closely")
    close_s = _ours(1200.0, "s", 60, 86400, "before and after a finding: two thirds of a usual cycle each")
    points = _ours(240, "points", 50, 2000, "two points of a printed picture each")
    checks = _ours(3, "checks", 1, 20, "what comes after these depends on what they show")
    share_days = _ours(7.0, "days", 0.04, 90, "a code given out for one visit ends by itself")
    shares_most = _ours(20, "codes", 1, 1000, "codes in force at a time")
    share_letters = _ours(12, "letters", 10, 32, "59 bits: cannot be guessed, can be read out on the phone")


class PERFORMANCE(LimitGroup):
    """What a run achieves: split and microfarads."""

    run_minutes = _ours(3, "min", 1, 60, "the median of three minutes; shorter runs are left out")
    capacitor_after_s = _ours(60, "s", 10, 600, "a motor that runs has its capacitor's current, whatever the pressure")
    start_capacitor_ratio = _ours(
        1.6,
        "1",
        1.3,
        3,
        "a start capacitor that stays in adds twice the run capacitor's microfarads and more; one of a"
        " size too large, a quarter or a third",
    )
    first_runs = _ours(20, "runs", 3, 200, "as for start times: the unit's first runs stand for its normal")
    usual_runs = _ours(5, "runs", 2, 100, "a median of fewer says little of what is usual")
    sure_s = _ours(180, "s", 60, 1800, "three minutes in a row without a split: no door that was open for a moment")
    point_every_s = _ours(600, "s", 60, 3600, "minutes of one run say much the same; one in ten is kept")
    points_least = _ours(36, "points", 6, 1000, "six hours of settled runs")
    points_most = _ours(600, "points", 36, 5000, "a season's afternoons; the oldest go first")
    slope_ridge = _ours(3.0, "K", 0, 100, "points that spread over less than this give hardly a slope")
    margin_k = _ours(2.0, "K", 0, 10, "a plane holds a little beyond the temperatures it was made from")
    slack_k = _ours(2.0, "K", 0.5, 6, "what probes and the indoor air's humidity move from day to day")
    slack_sd = _ours(3.0, "sd", 1, 6, "three times its own scatter is not by chance")
    power_factor_low = _ours(
        0.85, "1", 0.5, 0.95, "a sound capacitor-run compressor stands at 0.9 to 0.99, without its capacitor at 0.7"
    )
    sag_deep = _ours(
        0.12, "of the volts", 0.03, 0.5, "a sound service and branch drop 3 to 8 % under locked-rotor amps"
    )
    suction_cold_c = _ours(2.0, "°C", -5, 6, "a coil below freezing ices over")
    suction_warm_c = _ours(20.0, "°C", 14, 30, "a large pipe no colder than the room has all of its gas boiled early")
    suction_warm_from_c = _cited(35.0, "°C", 25, 45, sources.RATING_A)
    suction_warm_slope = Limit(
        0.5, "1", 0, 1, "common practice", "a fixed orifice's target superheat falls half a degree a degree outdoors"
    )
    liquid_near_k = _ours(2.0, "K", 0, 5, "over outdoor: no warm liquid comes from the condenser")
    liquid_hot_k = _ours(12.0, "K", 7, 25, "over outdoor: usual is 3 to 10 K; the condenser gives too little heat off")


# ---------------------------------------------------------------- reading the boards

BURST_S = _ours(0.12, "s", 0.05, 1.0, "7.2 cycles at 60 Hz, 6 at 50 Hz: enough for a windowed mean square")
ADC_RATE_HZ = _cited(860.0, "1/s", 8, 860, sources.CONVERTER_RATE)
ADC_READ_RATIO = _ours(0.85, "of a conversion", 0.3, 0.9, "reads come faster than conversions of a clock 10 % fast")
ADC_PAUSE_SPREAD = _ours(0.14, "1", 0, 0.3, "pauses between reads are this much uneven where phase counts")
ADC_READ_MOST = _ours(
    0.65, "of a conversion", 0.3, 0.9, "slower reads lose conversions: on a bus under some 40 kHz; measured, see tests"
)
ADC_SLOWEST = _ours(1.15, "1", 1.1, 1.5, "conversions of a chip 10 % slow take 1.11 times as long as nominal")
ADC_ANSWER_S = _ours(
    0.05, "s", 0.005, 1.0, "a single conversion takes 1.3 ms at the most; a chip silent longer is stuck"
)
BEAT_READS = _ours(40, "results", 20, 1000, "fewer results of a burst do not tell the converter's beat")
BEAT_SHARE = _ours(0.7, "1", 0.5, 0.9, "a signal with fewer new results lies flat, or the reader is far too slow")
BEAT_MARGIN = _ours(0.08, "of a beat", 0, 0.3, "closer to the end of a conversion, a read may have got either result")
BEAT_BURSTS = _ours(32, "bursts", 0, 1000, "the converter's clock drifts with temperature only, over minutes")
BEAT_CONTRADICTED = _ours(0.05, "of the reads", 0, 0.2, "a beat that more reads contradict is not the converter's")
ADC_FAILED_READS = _ours(3, "reads", 0, 20, "sparks may spoil a few reads of a burst; more are a poor bus")
LINE_HZ_RATIO = _ours(0.05, "1", 0.01, 0.1, "a generator's frequency strays by a few percent, a utility's far less")
CYCLES_MIN = _ours(4.0, "cycles", 2, 20, "fewer cycles of current give no steady reading")
CYCLE_SAMPLES = _ours(8, "samples a cycle", 4, 100, "860 a second are 14 or 17 a cycle; half may be missing")
RANGE_DOWN_RATIO = _ours(0.7, "1", 0.1, 0.95, "go to the finer range only when the peaks fill less of it than this")
TRANSIENT_S = _ours(1.0, "s", 0.3, 5.0, "how long a start is captured at the least; a slow one takes 0.4 to 1 s")
TRANSIENT_MOST_S = _ours(3.0, "s", 1.0, 5.0, "a start that has not settled by then is that of a locked rotor")
STALL_STEP_S = _ours(0.5, "s", 0.1, 1.0, "a captured start that never came down counts as a scan in each such step")
TRACE_MOST = _ours(64, "points", 16, 400, "of a start's trace: one in 50 ms of the longest")
TRANSIENT_SETTLED_RATIO = _ours(
    1.15, "of the last cycles", 1.02, 2.0, "a start has settled when its current is within this"
)
IDLE_S = _ours(0.01, "s", 0.001, 0.1, "how soon between scans a closing of the contacts is noticed")
CAPTURE_REST_S = _ours(5.0, "s", 1.5, 60, "no compressor is started twice in this time on purpose; chatter is")
LATE_CAPTURE_S = _ours(0.1, "s", 0.01, 1.0, "a capture begun later than this has missed the start")
QUICK_SCANS = _ours(256, "scans", 16, 4096, "changes of presence kept until the loop asks; chatter fills it in seconds")
THERMISTOR_LOW = _ours(0.02, "of VDD", 0.001, 0.1, "204 ohm, over 140 C: a shorted lead")
THERMISTOR_HIGH = _ours(0.98, "of VDD", 0.9, 0.999, "490 kohm, under -45 C: an open lead")
PROBE_S = _ours(2.0, "s", 0.5, 60, "rest between two rounds of the 1-Wire probes; a pipe takes minutes to warm")
DEBOUNCE_S = _ours(0.004, "s", 0.0, 0.1, "contacts bounce for a few milliseconds; chatter is slower than that")
UNPLUGGED_RATIO = _ours(0.5, "1", 0.2, 0.9, "half of the direct voltage that the jack's switch gives means: no plug")
BIAS_TOLERANCE = _ours(0.1, "of VDD / 2", 0.02, 0.5, "the bias divider is 1 % and VDD 5 %; farther off it is broken")

# ---------------------------------------------------------------- calibration and commissioning (see hardware/)


class CALIBRATION(LimitGroup):
    """Trimming a sensor to a meter."""

    least = _ours(0.1, "A or V", 0.01, 5, "less is lost in the last digit of a clamp meter")
    gain_most = _ours(1.2, "1", 1.05, 2, "class 1 transformer, burden and meter together err by less than 10 %")
    turns = _ours(0.12, "1", 0.02, 0.2, "a ratio this near to 2, 3 or 5 is one of passes through the transformer")
    spread = _ours(0.05, "1", 0.01, 0.2, "comparisons farther apart were not taken at the same moment")
    offset_most_k = _ours(5.0, "K", 1, 20, "farther off the sensor hangs in the sun or its leads are wrong")
    spread_k = _ours(1.0, "K", 0.2, 5, "comparisons farther apart were not taken at rest")
    meter_most = _ours(5.0, "share or K", 0.1, 10, "a meter worse than this calibrates nothing")
    clamp_meter = Limit(0.03, "1", 0.005, 0.1, "common practice", "a usual AC clamp meter: 2 % and a few digits")
    voltmeter = Limit(0.01, "1", 0.001, 0.05, "common practice", "a usual multimeter on AC volts: 1 % and a few digits")
    thermometer_k = Limit(0.5, "K", 0.05, 3, "common practice", "a usual digital thermometer")
    coverage = _ours(2.0, "1", 1, 3, f"a choice within {sources.COVERAGE.text}")
    method = _ours(0.005, "1", 0.001, 0.02, "RMS from bursts; all but extreme wave forms stay within it in the tests")
    noise_codes = _cited(1.0, "codes", 0, 10, sources.CONVERTER_NOISE)
    power_meter = Limit(0.02, "1", 0.002, 0.1, "common practice", "a clamp-on power meter: 2 % and a few digits")
    power_factor = Limit(0.9, "1", 0.5, 1, "common practice", "of a sound compressor under load")
    step_deg = _ours(0.5, "deg", 0.05, 3, "two converters' conversions on one clock: measured over clocks 10 % off")
    resistive = _ours(0.99, "1", 0.98, 1, "volts and amps themselves are read to half a percent each")
    factor_most = _ours(0.97, "1", 0.9, 0.99, "1 % of watts is 2 degrees here, and ever more towards 1")
    lag_most_deg = _ours(12.0, "deg", 2, 45, "more is no transformer's angle: another lead, or other volts")
    thermistor_k = _ours(0.3, "K", 0, 2, "the curve's three-term form and the sensor's own warmth")


class COMMISSION(LimitGroup):
    """The walk through every sensor."""

    watch_s = _ours(20.0, "s", 5, 600, "how long each phase of the walk is watched")
    scans = _ours(5, "scans", 3, 100, "a median of fewer scans tells little")
    agree = _ours(0.8, "1", 0.6, 1, "a flag is steady when this share of the scans says the same")
    discharge_low_c = _ours(40.0, "°C", 20, 70, "three minutes into a run the discharge line is the hottest pipe")
    nothing = _ours(0.25, "1", 0.05, 0.5, "less than this share of what is expected counts as nothing")
    still_a = _ours(0.15, "A", 0.02, 1, "noise and pick-up of a lead that carries nothing")
    compressor_low = _ours(0.38, "of RLA", 0.2, 0.6, "sound compressors run at half to nine tenths of rated load")
    compressor_high = _ours(1.15, "of RLA", 1, 2, "high-running-current speaks from 1.10 on; meters and days differ")
    fan_low = _ours(0.5, "of FLA", 0.2, 0.9, "a fan motor's nameplate is its most; it runs at six tenths or more")
    fan_high = _ours(1.3, "of FLA", 1, 2, "above it the lead is not the fan's alone")
    line_low = _ours(0.85, "of nominal", 0.7, 0.99, "a brown-out is no wiring mistake; half the volts is one")
    line_high = _ours(1.12, "of nominal", 1.01, 1.3, "more than any service gives")
    still_w = _ours(60.0, "W", 5, 300, "a crankcase heater past an open pole takes 40 W")
    power_factor = _ours(0.6, "1", 0.3, 0.8, "a loaded compressor stands at 0.85 and more, without a capacitor at 0.7")
    start_winding_high = _ours(0.9, "of RLA", 0.5, 1, "a run capacitor carries a quarter to two thirds of rated load")
    pipes_apart_k = _ours(4.0, "K", 1, 15, "after three minutes of run the small pipe is over 10 K warmer")
    air_apart_k = _ours(3.0, "K", 1, 8, "after three minutes of run supply air is over 6 K colder")
    apart_k = _ours(5.0, "K", 1, 20, "as calibration: farther off the sensor hangs in the wrong place")
    cold_c = Limit(
        15.0, "°C", 0, 25, "common practice", "in air colder than this a unit is not tried in cooling; it draws less"
    )


def single_limits() -> dict[str, Limit]:
    """Return name -> limit of those that stand in no group."""
    return {name: value for name, value in globals().items() if isinstance(value, Limit)}


def tabled_limits() -> dict[str, Limit]:
    """Return name -> limit of those that stand in a table: a tuple of limits, or a dictionary of them."""
    found: dict[str, Limit] = {}
    for name, table in globals().items():
        if isinstance(table, dict) and not name.startswith("__"):
            rows = table
        elif isinstance(table, tuple) and not isinstance(table, Limit):
            rows = dict(enumerate(table))
        else:
            continue
        found |= {f"{name}[{key}]": limit for key, limit in rows.items() if isinstance(limit, Limit)}
    return found


def limit_groups() -> tuple[type[LimitGroup], ...]:
    """Return every group, those of the program first, then those of the findings."""
    groups = (*LimitGroup.__subclasses__(), *FINDINGS.values())
    return tuple(group for group in groups if group is not FindingLimits)
