"""Rows of the prediction table for findings of the line side and the motors, and for the monitor itself."""

from __future__ import annotations

from condenser_monitor.monitor.diagnosis.predictions import (
    HIGH_OR_NOT,
    LOW_OR_NOT,
    SILENT_WINDING,
    TRIPPED,
    Situation,
    cause,
    recalled,
    situation,
)

_CLOSED = {
    "call": "on; seldom off",
    "control_v": "normal or high; seldom weak or ghost or dead",
    "coil_a": "sealed; seldom unsealed or none",
    "supply": "on",
    "load": "on",
    "control_power": "on; seldom off",
    "thermostat": "on; seldom off",
}
_NOT_LOCKED = {"recent_locked_rotor": "no; seldom yes"}
_AS_WELL_LOCKED = {"recent_locked_rotor": "yes or no"}
_LOCKED_BEFORE = {"recent_locked_rotor": "yes; seldom no"}
_START_KIT = {"unit_start_kit": "yes"}  # one that nobody declared may have been put in by a technician
# A start capacitor whose relay does not open stays in, and the motor draws far more than it needs.
_STAYS_IN = ["winding-load"]
_FAN_SOUND = {"recent_fan_not_running": "no; seldom yes"}
_FAN_STOOD = {"recent_fan_not_running": "yes; seldom no"}
# A stalled fan draws current until its own protector opens. Without its fan a compressor draws more than normal until
# it trips, in mild weather for longer than it takes to tell so.
_FAN_ALONE_STANDS = {
    "fan_a": "still or running",
    "recent_fan_not_running": "yes; seldom no",
    "recent_high_running_current": "yes or no",
    "listen": "nothing or compressor-only; seldom fan-only or both",  # one that is stalled draws current and stands
}
_CURRENT_NORMAL = {"recent_high_running_current": "no; seldom yes", "recent_low_running_current": "no; seldom yes"}
_HIGH_BEFORE = {"recent_high_running_current": "yes; seldom no"}
_LOW_BEFORE = {"recent_low_running_current": "yes; seldom no"}
# A unit's own normal lies at half to nine tenths of rated load: what is much more or less than that may still read
# usual of rated load.
_AMPS_LOW = {"running_amps": "low or normal"}
_AMPS_HIGH = {"running_amps": "high or normal; seldom overload"}
# One that trips is still for longer than it runs.
_TRIPS_LOW = {"running_amps": "low or normal or none"}
_TRIPS_HIGH = {"running_amps": "high or normal or none; seldom overload"}
_TRIPS_OVERLOAD = {"running_amps": "overload or locked or none; seldom high or normal"}
# A transformer passes on what the line lacks or has too much of.
_LINE_ASTRAY = dict.fromkeys(("rc_volts", "transformer_volts", "thermostat_volts"), "normal; seldom low or high")
_CUT_OUT = {
    **{"load": "off", "coil_a": "none", "coil_v": "dead or ghost", "fan_a": "running or still"},
    "recent_compressor_not_running": "no; seldom yes",
}

MOTORS: dict[str, Situation] = {
    "line-supply-lost": situation(
        {
            **{"supply": "off", "load": "off", "compressor_a": "still", "fan_a": "still", "line_v": "dead"},
            "leg_to_ground": "none",
        },
        cause("line-supply-off", 8),
        # With one leg gone a part of the voltage comes back through what is connected to the other.
        cause("line-leg-lost", 1.5, line_v="low or dead"),
        cause("loose-connection", 1, line_v="dead; seldom low", leg_to_ground="both; seldom one-missing or none"),
        # A winding to ground trips the breaker at the start.
        cause("compressor-grounded", 1.5),
        # Locked-rotor amps, again and again, open a breaker too.
        cause("run-capacitor", 4, ["recent:locked-rotor"], recent_locked_rotor="yes", breakers="off; seldom on"),
        cause("compressor-locked", 2, ["recent:locked-rotor"], recent_locked_rotor="yes", breakers="off; seldom on"),
    ),
    "pull-in-without-run": situation(
        _CLOSED | _NOT_LOCKED | _FAN_SOUND | TRIPPED | {"compressor_a": "still", "fan_a": "still"},
        cause("run-capacitor", 5, fan_a="running; seldom still", **_AS_WELL_LOCKED),
        cause("compressor-overload-open", 4, fan_a="running; seldom still"),
        cause("loose-connection", 3, load_volts="normal or absent"),
        # Burnt faces pass the little that the sense takes, and no more.
        cause("contacts-not-making", 2, load_volts="normal or low or absent"),
        cause("line-leg-lost", 1),
        cause("fan-capacitor", 2, **_FAN_STOOD),
        cause("fan-motor", 2, **_FAN_STOOD),
        cause("compressor-locked", 1, fan_a="running", **_LOCKED_BEFORE),
        cause("compressor-winding-open", 1, fan_a="running", **SILENT_WINDING),
        *recalled(fan_a="running", **_AS_WELL_LOCKED),
        # Contacts that are closed without a call or a coil's pull, and run nothing, are not closed.
        cause("monitor-sensing", 2, ["call"], call="off", coil_a="none", control_v="dead or ghost"),
    ),
    "compressor-not-running": situation(
        _CLOSED
        | _NOT_LOCKED
        | _FAN_SOUND
        | _CURRENT_NORMAL
        # heat alone opens a protector for a part of an hour; one that stays open points at what stalls (trade)
        | {"winding_ohms": "balanced; seldom overload-open"}
        | {"recent_overload_cycling": "no; seldom yes", "compressor_a": "still", "fan_a": "running"},
        cause("compressor-overload-open", 8, recent_overload_cycling="yes or no"),
        cause("run-capacitor", 4, recent_overload_cycling="yes or no", **_AS_WELL_LOCKED),
        cause("loose-connection", 3),
        cause("compressor-winding-open", 2.5, **SILENT_WINDING),
        cause("compressor-locked", 2, **_LOCKED_BEFORE),
        cause("start-device", 3, _STAYS_IN, recent_overload_cycling="yes or no", **HIGH_OR_NOT),
        cause("start-device", 1, **_AS_WELL_LOCKED, **_START_KIT),
        cause("start-device", 0.3, **_AS_WELL_LOCKED),
        cause("indoor-airflow", 1, recent_overload_cycling="yes or no"),
        cause("line-voltage", 1, recent_overload_cycling="yes or no", **_AS_WELL_LOCKED, **_LINE_ASTRAY),
        cause("line-leg-lost", 0.3, recent_overload_cycling="yes or no"),
        cause("monitor-sensing", 1, ["calls-satisfied", "clamps"]),
        *recalled(recent_overload_cycling="yes or no", **_AS_WELL_LOCKED),
        cause("condenser-dirty", 4, recent_overload_cycling="yes or no", **_HIGH_BEFORE),
        # What it drew as it stopped tells as well, where no run was long enough for the finding.
        cause("condenser-dirty", 1.5, ["trip-amps"], recent_overload_cycling="yes or no", **HIGH_OR_NOT),
        cause("charge-low", 3, recent_overload_cycling="yes or no", **_LOW_BEFORE),
        cause("charge-high", 2, recent_overload_cycling="yes or no", **_HIGH_BEFORE),
        cause("non-condensables", 0.7, recent_overload_cycling="yes or no", **_HIGH_BEFORE),
        cause("fan-motor", 3, recent_overload_cycling="yes or no", **_FAN_STOOD, **HIGH_OR_NOT),
        cause("fan-capacitor", 3, recent_overload_cycling="yes or no", **_FAN_STOOD, **HIGH_OR_NOT),
    ),
    "fan-not-running": situation(
        _CLOSED | TRIPPED | {"compressor_a": "running; seldom locked or still", "fan_a": "still"},
        cause("fan-capacitor", 6),
        cause("fan-motor", 5),
        # A dual one whose fan side fails goes by the fan's name; what both share stalls the compressor too.
        cause("run-capacitor", 2),
        cause("loose-connection", 2),
        cause("fan-control", 2.5, unit_board_fan="yes"),
        cause("fan-control", 1, unit_board_fan="no"),
        # A heat pump's fan is fed by way of its defrost board, which stops it in each defrost; one that does not end
        # it, or whose relay has burnt, is as usual as any fan relay (common practice).
        cause("defrost-board", 2.5, unit_heat_pump="yes"),
        cause("defrost-board", 0.5, unit_heat_pump="no"),
        cause("monitor-sensing", 0.5, ["calls-satisfied"]),
    ),
    "locked-rotor": situation(
        _CLOSED
        | TRIPPED
        | {
            "compressor_a": "locked; seldom running or still",
            "fan_a": "running; seldom still",
            "recent_slow_start": "no; seldom yes",
            "recent_low_control_voltage": "no; seldom yes",
        },
        cause("run-capacitor", 8, recent_slow_start="yes or no"),
        cause("compressor-locked", 3, recent_slow_start="yes or no"),
        cause("start-device", 2, recent_slow_start="yes or no", **_START_KIT),
        cause("start-device", 0.7, recent_slow_start="yes or no"),
        cause(
            "line-voltage",
            2,
            recent_low_control_voltage="yes or no",
            recent_slow_start="yes or no",
            line_volts="low; seldom normal",
            **_LINE_ASTRAY,
        ),
        cause("loose-connection", 2, recent_low_control_voltage="yes or no"),
        cause("compressor-winding-open", 1),
        cause("compressor-grounded", 0.3),
        cause("line-leg-lost", 0.5),
        cause("line-supply-off", 2, ["recent:line-supply-lost", "line-blink"], supply="on; seldom off"),
        *recalled(),
    ),
    "overload-cycling": situation(
        _CLOSED
        | _NOT_LOCKED
        | _CURRENT_NORMAL
        | _FAN_SOUND
        | TRIPPED
        | {
            "compressor_a": "still or running or locked",
            "fan_a": "running",
            "running_amps": "normal or none; seldom high or low",
        },
        cause("condenser-dirty", 6, **_TRIPS_HIGH, **HIGH_OR_NOT),
        cause("run-capacitor", 6, **_TRIPS_OVERLOAD, **_AS_WELL_LOCKED, **HIGH_OR_NOT),
        cause("fan-capacitor", 5, **_TRIPS_HIGH, **_FAN_ALONE_STANDS),
        cause("fan-motor", 5, **_TRIPS_HIGH, **_FAN_ALONE_STANDS),
        cause("charge-low", 4, **_TRIPS_LOW, **LOW_OR_NOT),
        cause("compressor-overload-open", 3),
        # Where neither contacts nor coil are sensed, what opens the coil's circuit stops the compressor alike.
        cause("pressure-switch", 1, **_CUT_OUT),
        cause("low-pressure-cutout", 2, **_CUT_OUT, **LOW_OR_NOT),
        cause("high-pressure-cutout", 2, **_CUT_OUT, **HIGH_OR_NOT),
        # Also the fan's own lead.
        cause("loose-connection", 2, fan_a="running or still", recent_fan_not_running="no or yes"),
        cause("charge-high", 2, **_TRIPS_HIGH, **HIGH_OR_NOT),
        cause("compressor-locked", 1, **_TRIPS_OVERLOAD, **_LOCKED_BEFORE),
        cause("start-device", 3, _STAYS_IN, **_TRIPS_HIGH, **HIGH_OR_NOT),
        cause("start-device", 1, **_TRIPS_OVERLOAD, **_AS_WELL_LOCKED, **_START_KIT),
        cause("start-device", 0.3, **_TRIPS_OVERLOAD, **_AS_WELL_LOCKED),
        cause("line-voltage", 1.5, **_LINE_ASTRAY, **_TRIPS_HIGH, **_AS_WELL_LOCKED, **HIGH_OR_NOT),
        cause("indoor-airflow", 3, **_TRIPS_LOW, **LOW_OR_NOT),
        cause("metering-device", 1, **_TRIPS_LOW, **LOW_OR_NOT),
        # What it does not pump does not cool its motor.
        cause("compressor-not-pumping", 0.7, **_TRIPS_LOW, **LOW_OR_NOT),
        cause("non-condensables", 0.5, **_TRIPS_HIGH, **HIGH_OR_NOT),
        cause("line-leg-lost", 0.3),
        cause("fan-control", 1.5, unit_board_fan="yes", **_FAN_ALONE_STANDS),
        cause("fan-control", 0.5, unit_board_fan="no", **_FAN_ALONE_STANDS),
        cause("defrost-board", 0.7, **_FAN_ALONE_STANDS),
        # A start winding that is open leaves the motor as a dead run capacitor does.
        cause("compressor-winding-open", 0.5, **_TRIPS_OVERLOAD, **_AS_WELL_LOCKED, **HIGH_OR_NOT),
    ),
    "high-running-current": situation(
        _CLOSED
        | _FAN_SOUND
        | {
            "compressor_a": "running; seldom still",
            "fan_a": "running; seldom still",
            "recent_slow_start": "no; seldom yes",
            **_AMPS_HIGH,
        },
        cause("condenser-dirty", 8),
        cause("charge-high", 3),
        cause("run-capacitor", 3, recent_slow_start="yes or no", running_amps="high or overload; seldom normal"),
        cause("fan-capacitor", 2, fan_a="running or still", recent_fan_not_running="yes or no"),
        cause("fan-motor", 2, fan_a="running or still", recent_fan_not_running="yes or no"),
        cause("loose-connection", 1),
        cause("compressor-locked", 0.5, running_amps="overload or high", recent_slow_start="yes or no"),
        # A start winding that opens in mid-run leaves the run winding to carry the load alone.
        cause("compressor-winding-open", 0.3, running_amps="overload or high"),
        cause("line-voltage", 1.5),
        cause("non-condensables", 1),
        cause("start-device", 3, _STAYS_IN),
        cause("monitor-sensing", 0.2, running_amps="normal or low"),
    ),
    "low-running-current": situation(
        _CLOSED
        | {"blower": "on; seldom off", "compressor_a": "running; seldom still", "fan_a": "running; seldom still"}
        | {"listen": "both; seldom compressor-only"}
        | _AMPS_LOW,
        cause("charge-low", 8),
        cause("indoor-airflow", 3, blower="on or off"),
        cause("compressor-not-pumping", 1.5),
        cause("metering-device", 1.5),
        cause("monitor-sensing", 1, running_amps="normal or high"),
        # With the run winding open, what is left flows through the run capacitor, and turns nothing.
        cause("compressor-winding-open", 0.5, listen="fan-only"),
    ),
    "slow-start": situation(
        {"supply": "on", "compressor_a": "running or still or locked"},
        cause("run-capacitor", 8),
        cause("loose-connection", 2),
        cause("compressor-locked", 1),
    ),
    "long-run": situation(
        _CLOSED
        | _CURRENT_NORMAL
        | {
            "compressor_a": "running; seldom still",
            "fan_a": "running; seldom still",
            "running_amps": "normal; seldom high or low",
        },
        cause("thermostat-setting", 4),
        cause("charge-low", 5, running_amps="low or normal", **LOW_OR_NOT),
        cause("condenser-dirty", 4.5, running_amps="high or normal", **HIGH_OR_NOT),
        cause("thermostat", 2),
        # A call that never ends may come from no thermostat.
        cause("control-wire-shorted", 1),
        cause("control-wire-shorted", 6, ["recent:call-without-thermostat"]),
        # Refrigerant that stands in the condenser takes away from its surface.
        cause("charge-high", 1, running_amps="high or normal", **HIGH_OR_NOT),
        cause("indoor-airflow", 4, running_amps="low or normal", **LOW_OR_NOT),
        cause("compressor-not-pumping", 1, running_amps="low", **LOW_OR_NOT),
        cause("metering-device", 1, running_amps="low or normal", **LOW_OR_NOT),
    ),
    "low-line-voltage": situation(
        {"supply": "on; seldom off"},
        cause("line-voltage", 6, line_volts="low or normal", **_LINE_ASTRAY),
        cause("loose-connection", 3),
        cause("line-leg-lost", 1),
    ),
    "high-line-voltage": situation({"supply": "on"}, cause("line-voltage", 6), cause("monitor-sensing", 0.5)),
    "run-capacitor-weak": situation(
        {"supply": "on", "compressor_a": "running or still or locked"},
        cause("run-capacitor", 8),
        cause("monitor-sensing", 0.5),
    ),
    "not-cooling": situation(
        _CLOSED
        | _CURRENT_NORMAL
        | {"blower": "on; seldom off", "compressor_a": "running", "fan_a": "running; seldom still", "split": "low"},
        cause("charge-low", 5, **LOW_OR_NOT),
        cause("compressor-not-pumping", 4, **LOW_OR_NOT),
        cause("metering-device", 2, **LOW_OR_NOT),
        # A blower that stands moves no heat; a filter or register that starves the air makes it colder until the coil
        # has iced over (common practice).
        cause("indoor-airflow", 3, split="low or normal or high", blower="off", **LOW_OR_NOT),
        cause("indoor-airflow", 1, split="low or normal or high", blower="on", **LOW_OR_NOT),
        cause("indoor-board", 1, split="low or high", registers="weak", blower="off; seldom on"),
        cause("condenser-dirty", 1, **HIGH_OR_NOT),
        cause("monitor-sensing", 0.5),
    ),
    "low-split": situation(
        _CLOSED | _CURRENT_NORMAL | {"compressor_a": "running", "split": "low"},
        cause("charge-low", 6, **LOW_OR_NOT),
        cause("compressor-not-pumping", 2, **LOW_OR_NOT),
        cause("metering-device", 2, **LOW_OR_NOT),
        # Hardly any of the air's heat is moved where the blower stands.
        cause("indoor-airflow", 2, ["blower-in-run"], split="low or normal or high", **LOW_OR_NOT),
        cause("indoor-board", 0.7, ["blower-in-run"], split="low or high", registers="weak"),
        cause("condenser-dirty", 2, **HIGH_OR_NOT),
        cause("charge-high", 1, **HIGH_OR_NOT),
        cause("non-condensables", 0.7, **HIGH_OR_NOT),
        cause("monitor-sensing", 0.5),
    ),
    "hot-discharge": situation(
        _CLOSED | {"compressor_a": "running", "discharge_c": "hot"},
        cause("condenser-dirty", 6, **HIGH_OR_NOT),
        cause("charge-low", 4, **LOW_OR_NOT),
        cause("metering-device", 2, **LOW_OR_NOT),
        cause("non-condensables", 1, **HIGH_OR_NOT),
        cause("charge-high", 1.5, **HIGH_OR_NOT),
        cause("monitor-sensing", 0.5),
    ),
    "high-split": situation(
        _CLOSED | _CURRENT_NORMAL | {"blower": "on; seldom off", "compressor_a": "running", "split": "high"},
        cause("indoor-airflow", 8, blower="on or off", **LOW_OR_NOT),
        cause("monitor-sensing", 0.5),
    ),
    "sensing-disagrees": Situation({}, (cause("monitor-sensing", 1),)),
    "sensor-silent": Situation({}, (cause("monitor-sensing", 1),)),
}
