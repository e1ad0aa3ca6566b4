"""Rows of the prediction table for findings of the 24 V side: from the control fuse to the contacts."""

from __future__ import annotations

from condenser_monitor.monitor.diagnosis.predictions import (
    LOW_OR_NOT,
    SILENT_WINDING,
    TRIPPED,
    Situation,
    cause,
    recalled,
    situation,
)

# A call that stands at the unit proves the indoor side; a late indoor sense must not clear anybody.
_INDOOR_LIVE = {"control_power": "on; seldom off", "thermostat": "on; seldom off"}
_NOTHING_RUNS = {"compressor_a": "still", "fan_a": "still"}
_NOT_PULLED_IN = {
    "call": "on",
    "control_v": "normal or high",
    "coil_a": "sealed",
    "coil_v": "normal or high; seldom weak",
    "supply": "on",
    "load": "off",
    **_NOTHING_RUNS,
    **_INDOOR_LIVE,
}
_NO_CALL = {
    "call": "off",
    "control_v": "dead; seldom ghost",
    "coil_a": "none",
    "supply": "on or off",
    "load": "off; seldom on",
    "compressor_a": "still; seldom running",
    "fan_a": "still; seldom running",
}
# A fuse that has blown has a reason: a coil or a cable that is shorted.
_FUSE_BLOWN = {"control_fuse": "open"}
# A thermostat whose R wire is broken, or whose batteries are empty.
_UNFED = {"thermostat_setting": "right or blank"}
_UNLOADED = {"control_v": "normal or high; seldom weak"}
_COIL_CUT = {"coil_volts": "absent; seldom normal", **_UNLOADED}
# Where the call is sensed at the coil itself, what sits between the terminal and the coil cuts the call.
# Full volts on the coil's own terminals clear all of it; a joint may sit in the coil's terminal itself.
_BEHIND_TAP = {"unit_coil_tap": "no", "coil_v": "dead or ghost", "coil_volts": "absent", **_UNLOADED}
_AHEAD_OF_TAP = {"unit_coil_tap": "yes"}
_OPEN_LOW = {"pressure_volts": "low-pressure; seldom none", "pressure_switch": "open or closed"}
_OPEN_HIGH = {"pressure_volts": "high-pressure; seldom none", "pressure_switch": "open or closed"}
_TRIPPED_LOW, _TRIPPED_HIGH = _OPEN_LOW | _BEHIND_TAP, _OPEN_HIGH | _BEHIND_TAP
# Where there is a fan relay or a board's output, it fails seldomer than motor and capacitor (common practice); one that
# nobody has declared may be there all the same.
_BOARD_FAN, _NO_BOARD_FAN = {"unit_board_fan": "yes"}, {"unit_board_fan": "no"}
_CUTS_CALL = {"recent_call_without_pull_in": "no; seldom yes"}
_LOW_BEFORE, _HIGH_BEFORE, _FAN_BEFORE = (
    ["recent:low-running-current"],
    ["recent:high-running-current"],
    ["fan-in-runs", "recent:fan-not-running"],
)

# What opens a pressure switch is asked once one is known to have opened: in mid-run, or as a meter or its button shows.
_OPENED = ["opened", "pressure-volts", "pressure-switch", "reset-kind"]
_FAN_SEEN = ["fan-amps", "fan-glimpse"]
_COIL_SEEN = ["coil_v", "coil-amps"]

# Causes that leave the contactor open under a standing call; shared by the finding that sees the contacts and the one
# that does not.
_OPEN_CONTACTOR = (
    cause("line-supply-off", 8, supply="off", line_v="dead", leg_to_ground="none"),
    cause("line-leg-lost", 1.5, supply="off", line_v="low or dead"),
    cause("contacts-not-making", 6, **_UNLOADED),
    # A contactor fails at its contacts far oftener than at its coil (common practice).
    cause("coil-open", 3.3, coil_a="none", **_UNLOADED),
    # The joint may be one of the switches' or at the coil itself.
    cause("loose-connection", 3, coil_a="none", coil_v="dead or ghost; seldom normal or high", **_COIL_CUT),
    cause("loose-connection", 1, supply="off"),
    # A joint behind the terminal that has grown resistance leaves the coil a part of its volts, and it hums open.
    cause("loose-connection", 1, _COIL_SEEN, coil_a="sealed; seldom unsealed", coil_v="weak or ghost", **_UNLOADED),
    # Pressure switches, delays and boards sit between the unit's Y terminal, where the call is sensed, and the coil.
    # With 24 V at the unit and none at the coil the safeties are looked at first (common practice).
    cause("pressure-switch", 1.2, coil_a="none", **_BEHIND_TAP),
    cause("low-pressure-cutout", 1.2, coil_a="none", **_BEHIND_TAP),
    cause("high-pressure-cutout", 1.2, coil_a="none", **_BEHIND_TAP),
    cause("charge-low", 3, _LOW_BEFORE, coil_a="none", recent_low_running_current="yes", **_TRIPPED_LOW),
    cause("metering-device", 1, _LOW_BEFORE, coil_a="none", recent_low_running_current="yes", **_TRIPPED_LOW),
    cause("condenser-dirty", 3, _HIGH_BEFORE, coil_a="none", recent_high_running_current="yes", **_TRIPPED_HIGH),
    cause("charge-high", 1, _HIGH_BEFORE, coil_a="none", recent_high_running_current="yes", **_TRIPPED_HIGH),
    cause("non-condensables", 0.3, _HIGH_BEFORE, coil_a="none", recent_high_running_current="yes", **_TRIPPED_HIGH),
    # Where no current told of it before.
    cause("charge-low", 0.9, _OPENED, coil_a="none", **_TRIPPED_LOW),
    cause("condenser-dirty", 0.9, _OPENED, coil_a="none", **_TRIPPED_HIGH),
    cause("indoor-airflow", 0.45, _OPENED, coil_a="none", **_TRIPPED_LOW),
    cause("indoor-airflow", 3, ["blower-in-run"], coil_a="none", **_TRIPPED_LOW),
    cause("metering-device", 0.45, _OPENED, coil_a="none", **_TRIPPED_LOW),
    cause("fan-capacitor", 5, _FAN_BEFORE, coil_a="none", fan_in_runs="still or stalled", **_TRIPPED_HIGH),
    cause("fan-motor", 4.5, _FAN_BEFORE, coil_a="none", fan_in_runs="still or stalled", **_TRIPPED_HIGH),
    cause("fan-control", 2, _FAN_BEFORE, coil_a="none", fan_in_runs="still", **_TRIPPED_HIGH, **_BOARD_FAN),
    cause("fan-control", 0.5, _FAN_BEFORE, coil_a="none", fan_in_runs="still", **_TRIPPED_HIGH, **_NO_BOARD_FAN),
    # One that stalls in the very run that trips had been running until then.
    cause("fan-capacitor", 4, _FAN_SEEN, coil_a="none", **_TRIPPED_HIGH),
    cause("fan-motor", 3.5, _FAN_SEEN, coil_a="none", **_TRIPPED_HIGH),
    cause("fan-control", 1.5, _FAN_SEEN, coil_a="none", **_TRIPPED_HIGH, **_BOARD_FAN),
    cause("defrost-board", 1, coil_a="none", **_BEHIND_TAP),
    # A voltage-monitoring relay in the coil's circuit opens it for as long as the line is astray.
    cause("line-voltage", 1.5, ["line_v"], coil_a="none", line_v="high or low; seldom normal", **_BEHIND_TAP),
    cause("control-voltage-weak", 3, control_v="weak or ghost", coil_a="unsealed or sealed", coil_v="weak or ghost"),
    cause("time-delay", 2, coil_a="none", unit_delay="yes", **_BEHIND_TAP),
    # One that nobody declared, and that each run has shown.
    cause("time-delay", 2, ["waits"], coil_a="none", unit_delay="no", **_BEHIND_TAP),
    # A utility's switch is mounted on the outdoor unit, and may sit in the coil's circuit.
    cause("load-shed", 4, coil_a="none", unit_load_shed="yes", **_BEHIND_TAP),
    cause("load-shed", 0.1, coil_a="none", unit_load_shed="no", **_BEHIND_TAP),
    cause("armature-blocked", 2, coil_a="unsealed", **_UNLOADED),
    cause(
        "coil-shorted",
        1,
        coil_a="short",
        control_v="weak or ghost or dead; seldom normal",
        coil_v="dead or ghost or weak or normal or high",
    ),
    # A few shorted turns weaken the pull and draw little more than an open armature does: how a coil begins to fail.
    cause(
        "coil-shorted",
        0.6,
        coil_a="unsealed",
        control_v="weak or ghost or dead or normal",
        coil_v="dead or ghost or weak or normal or high",
    ),
)

_RECENT_LOCKED = {"recent_locked_rotor": "yes; seldom no"}
_RECENT_NOT_LOCKED = {"recent_locked_rotor": "no; seldom yes"}
_FAN_STOPPED = {
    "stopped_at": "safety or call or contacts or compressor",
    "recent_fan_not_running": "yes or no",
    "recent_high_running_current": "yes or no",
    "fan_in_runs": "still or stalled; seldom ran",
}
_FAN_RELAY_OPEN = _FAN_STOPPED | {"fan_in_runs": "still"} | _BOARD_FAN
_COMPRESSOR_ALONE = {"load": "on", "fan_a": "running"}

_TROUBLED = ["recent:overload-cycling", "recent:compressor-not-running", "recent:pull-in-without-run"]

CONTROL: dict[str, Situation] = {
    "call-without-pull-in": situation(_NOT_PULLED_IN, *_OPEN_CONTACTOR),
    "call-without-run": situation(
        _NOT_PULLED_IN | _RECENT_NOT_LOCKED,
        *_OPEN_CONTACTOR,
        # A winding to ground has tripped the breaker as it started.
        cause("compressor-grounded", 1.5, supply="off"),
        cause("run-capacitor", 7, recent_locked_rotor="yes or no", **_COMPRESSOR_ALONE),
        cause("compressor-overload-open", 5, **_COMPRESSOR_ALONE),
        cause("loose-connection", 2, load="on", fan_a="running or still", load_volts="normal or absent"),
        cause("compressor-locked", 1.5, **_RECENT_LOCKED, **_COMPRESSOR_ALONE),
        cause("compressor-winding-open", 1, **_COMPRESSOR_ALONE, **SILENT_WINDING),
        # Starved of gas, or pumping none, the motor has grown hot on less than its normal current.
        cause("charge-low", 1, ["trip-amps"], **_COMPRESSOR_ALONE, **LOW_OR_NOT),
        cause("compressor-not-pumping", 0.5, ["trip-amps"], **_COMPRESSOR_ALONE, **LOW_OR_NOT),
        *recalled(recent_locked_rotor="yes or no", **_COMPRESSOR_ALONE),
        # Without its fan the compressor has tripped on its overload.
        cause("fan-capacitor", 1.5, load="on", recent_fan_not_running="yes", **TRIPPED),
        cause("fan-motor", 1.5, load="on", recent_fan_not_running="yes", **TRIPPED),
    ),
    "contacts-stuck-closed": situation(
        {
            "call": "off",
            "control_v": "dead or ghost",
            "coil_a": "none",
            "supply": "on",
            "load": "on",
            "compressor_a": "running; seldom still or locked",
            "fan_a": "running; seldom still",
            "control_power": "on; seldom off",
            "thermostat": "off; seldom on",
            # these are measured with the thermostat made to call
            "coil_volts": "normal or high; seldom absent or low",
            "splice_volts": "normal or high; seldom absent or low",
            "thermostat_volts": "normal or high; seldom absent or low",
        },
        cause("contacts-welded", 8),
        cause("armature-stuck-in", 3),
        # What kept the compressor from running before the call ended may keep it from running after.
        cause("contacts-welded", 3, _TROUBLED, compressor_a="still", fan_a="still or running"),
        # Closed contacts under line voltage would run the motors.
        cause("monitor-sensing", 1, ["compressor_a"], compressor_a="still", fan_a="still"),
        cause("thermostat", 1, ["control_v"], control_v="weak or ghost", coil_a="sealed"),
    ),
    "contactor-chatter": situation(
        {
            # Whatever flickers may be caught at either: a sense of the 24 V side sees the gaps of its own call.
            "call": "on; seldom off",
            "control_v": "normal or high; seldom weak",
            "supply": "on; seldom off",
            **_INDOOR_LIVE,
            "recent_low_control_voltage": "no; seldom yes",
        },
        cause(
            "control-voltage-weak",
            6,
            control_v="weak or ghost or normal; seldom dead",
            coil_a="sealed or unsealed; seldom none",
            recent_low_control_voltage="yes or no",
        ),
        cause(
            "loose-connection", 5, control_v="normal or high or weak or ghost or dead", control_wire="closed or open"
        ),
        cause("thermostat", 2, control_v="ghost or dead or weak; seldom normal", thermostat="on or off"),
        cause("float-switch", 4, control_v="ghost or dead or weak or normal"),  # read when it is closed, too
        cause("pressure-switch", 1),
        cause("low-pressure-cutout", 0.7),
        cause("armature-blocked", 1, coil_a="unsealed; seldom sealed"),
        cause("time-delay", 1, unit_delay="yes"),
        cause("coil-shorted", 0.5, control_v="weak or ghost", coil_a="short or unsealed; seldom none"),
    ),
    "low-control-voltage": situation(
        {
            "call": "on",
            "control_v": "weak or ghost",
            "coil_a": "sealed or unsealed; seldom none",
            "line_v": "normal or high; seldom low",
            "line_volts": "normal",
            **_INDOOR_LIVE,
        },
        cause("control-voltage-weak", 8),
        # A transformer passes on what the line lacks: 15 % under nominal is too little for a coil as well.
        cause(
            "line-voltage",
            0.7,
            line_v="low",
            line_volts="low",
            rc_volts="low",
            transformer_volts="low; seldom normal",
            thermostat_volts="low",
        ),
        cause("loose-connection", 2, rc_volts="normal"),
        cause("coil-shorted", 2, coil_a="short; seldom unsealed", load="off; seldom on"),
        cause("armature-blocked", 1, coil_a="unsealed", load="off", **_NOTHING_RUNS),
    ),
    "control-power-lost": situation(
        _NO_CALL
        | {"control_power": "off", "thermostat": "off", "supply": "on; seldom off", "transformer_volts": "normal"},
        cause("control-fuse", 8),
        cause("line-supply-off", 3, supply="on or off", transformer_volts="absent"),
        cause("control-transformer", 3.5, transformer_volts="absent; seldom low"),
        cause("coil-shorted", 2, **_FUSE_BLOWN),
        cause("control-wire-shorted", 3, **_FUSE_BLOWN),
        cause("door-switch", 2.5, transformer_volts="absent or normal"),
        # A float breaks R as often as Y.
        cause("float-switch", 2.5),
        cause("indoor-board", 1),
        cause("loose-connection", 2, transformer_volts="normal or absent", control_wire="closed or open"),
    ),
    "call-not-reaching-unit": situation(
        _NO_CALL | {"control_power": "on", "thermostat": "on"},
        cause("float-switch", 8),
        # What opens a pressure switch, where fan or current told of it before. Behind the tap it leaves the call there:
        # a unit that has shown that is cut by something else when the call goes as well.
        cause("fan-capacitor", 12, ["fan-in-runs"], fan_in_runs="still or stalled", **_OPEN_HIGH, **_CUTS_CALL),
        cause("fan-motor", 10, ["fan-in-runs"], fan_in_runs="still or stalled", **_OPEN_HIGH, **_CUTS_CALL),
        cause("fan-control", 4.5, ["fan-in-runs"], fan_in_runs="still", **_OPEN_HIGH, **_CUTS_CALL, **_BOARD_FAN),
        cause("fan-control", 1, ["fan-in-runs"], fan_in_runs="still", **_OPEN_HIGH, **_CUTS_CALL, **_NO_BOARD_FAN),
        # In the one scan that shows a run, its fan was not turning.
        cause("fan-capacitor", 1.5, ["fan-glimpse"], **_OPEN_HIGH, **_CUTS_CALL),
        cause("fan-motor", 1.5, ["fan-glimpse"], **_OPEN_HIGH, **_CUTS_CALL),
        cause(
            "condenser-dirty",
            4.5,
            ["recent:high-running-current"],
            recent_high_running_current="yes",
            **_OPEN_HIGH,
        ),
        cause(
            "charge-low",
            4.5,
            ["recent:low-running-current"],
            recent_low_running_current="yes",
            **_OPEN_LOW,
        ),
        cause(
            "charge-high",
            1,
            ["recent:high-running-current"],
            recent_high_running_current="yes",
            **_OPEN_HIGH,
        ),
        cause("low-pressure-cutout", 0.5),
        cause("high-pressure-cutout", 0.5),
        cause("pressure-switch", 4, **_AHEAD_OF_TAP),
        cause("low-pressure-cutout", 3, **_AHEAD_OF_TAP),
        cause("high-pressure-cutout", 3, **_AHEAD_OF_TAP),
        cause("defrost-board", 1, **_AHEAD_OF_TAP),
        cause("time-delay", 2, unit_delay="yes", **_AHEAD_OF_TAP),
        cause("charge-low", 1, **_OPEN_LOW),
        cause("indoor-airflow", 0.6, **_OPEN_LOW),
        cause("metering-device", 0.3, **_OPEN_LOW),
        cause("condenser-dirty", 0.8, **_OPEN_HIGH),
        cause("indoor-board", 1.5),
        cause("refrigerant-detector", 0.7),
        cause("load-shed", 1.5),
        cause("control-wire-shorted", 0.5, rc_volts="low or absent or normal"),
        cause("control-fuse", 8, control_power="off", thermostat="off"),
        cause("coil-shorted", 1, control_power="off", thermostat="off", **_FUSE_BLOWN),
        cause("thermostat-setting", 6, thermostat="off"),
        cause("pressure-switch", 1.5),
        cause("control-wire-open", 4),
        cause("thermostat", 4, thermostat="off", **_UNFED),
        cause("loose-connection", 3, control_wire="closed or open"),
        cause("control-transformer", 3, control_power="off", thermostat="off", transformer_volts="absent; seldom low"),
        cause(
            "control-voltage-weak",
            3,
            ["control_v", "splice-volts", "coil-volts"],
            control_v="weak or ghost",
            coil_a="sealed or unsealed; seldom none",
        ),
        # A joint that has grown resistance leaves the coil a part of its volts, and the indoor unit all of them.
        cause(
            "loose-connection",
            2,
            ["control_v", "splice-volts", "coil-volts"],
            control_v="weak or ghost",
            coil_a="sealed or unsealed; seldom none",
            rc_volts="normal or high",
            control_wire="closed or open",
        ),
        cause("coil-shorted", 1, ["coil_a", "coil-ohms"], control_v="dead or ghost", coil_a="short"),
    ),
    "no-call-in-heat": situation(
        _NO_CALL | {"control_power": "on", "thermostat": "off"},
        cause("thermostat-setting", 8),
        cause("thermostat", 4, **_UNFED),
        cause("control-fuse", 4, control_power="off"),
        cause("coil-shorted", 0.7, control_power="off", **_FUSE_BLOWN),
        cause("float-switch", 4, thermostat="on"),
        cause("float-switch", 3, thermostat="off", **_UNFED),  # where it breaks R to the thermostat
        cause("line-supply-off", 3, control_power="off", transformer_volts="absent"),
        cause("control-transformer", 2, control_power="off", transformer_volts="absent; seldom low"),
        cause("control-wire-open", 2, thermostat="on or off", **_UNFED),
        cause("pressure-switch", 2, thermostat="on"),
        cause("load-shed", 1.5, thermostat="on or off"),
        cause("door-switch", 1.5, control_power="off"),
        cause("indoor-board", 1, thermostat="on or off"),
        cause("refrigerant-detector", 0.5, thermostat="on or off"),
        cause("loose-connection", 1, thermostat="on or off", control_wire="closed or open", **_UNFED),
    ),
    "short-cycling": situation(
        {
            "supply": "on; seldom off",
            "recent_low_control_voltage": "no; seldom yes",
            "recent_overload_cycling": "no; seldom yes",
            "recent_high_running_current": "no; seldom yes",
            "recent_low_running_current": "no; seldom yes",
            "recent_fan_not_running": "no; seldom yes",
            "fan_in_runs": "ran",
        },
        # A stopped fan drives the pressure up within seconds, often before its own finding has held.
        cause("fan-capacitor", 1.2, fan_a="still; seldom running", **_FAN_STOPPED),
        cause("fan-motor", 1, fan_a="still; seldom running", **_FAN_STOPPED),
        cause("fan-control", 0.5, fan_a="still; seldom running", **_FAN_RELAY_OPEN),
        cause("thermostat", 5, stopped_at="thermostat or call"),
        cause("equipment-oversized", 4, stopped_at="thermostat or call"),
        cause("pressure-switch", 2, stopped_at="contacts; seldom safety or call"),
        cause(
            "low-pressure-cutout",
            2,
            stopped_at="contacts; seldom safety or call",
            recent_low_running_current="yes or no",
        ),
        cause(
            "high-pressure-cutout",
            2,
            stopped_at="contacts; seldom safety or call",
            recent_high_running_current="yes or no",
        ),
        cause(
            "indoor-airflow",
            2,
            stopped_at="contacts or compressor; seldom safety or call or thermostat",
            recent_low_running_current="yes or no",
        ),
        cause(
            "metering-device",
            1,
            stopped_at="contacts or compressor; seldom safety or call",
            recent_low_running_current="yes or no",
        ),
        cause("defrost-board", 0.7, stopped_at="contacts"),
        cause("load-shed", 0.3, stopped_at="safety or call"),
        cause("line-voltage", 0.5, stopped_at="contacts or compressor"),
        cause("line-leg-lost", 0.7, stopped_at="contacts or compressor", fan_in_runs="ran or still or stalled"),
        cause("thermostat-setting", 3, stopped_at="thermostat or call"),
        cause("loose-connection", 2, stopped_at="safety or call or contacts; seldom thermostat or compressor"),
        cause("loose-connection", 0.4, fan_a="still; seldom running", **_FAN_STOPPED | {"fan_in_runs": "still"}),
        cause(
            "charge-low",
            2,
            stopped_at="contacts or compressor; seldom safety or call",
            recent_low_running_current="yes or no",
        ),
        cause(
            "condenser-dirty",
            2,
            stopped_at="contacts or compressor; seldom safety or call",
            recent_high_running_current="yes or no",
        ),
        cause("float-switch", 2, stopped_at="safety or call"),
        cause(
            "charge-high",
            1,
            stopped_at="contacts or compressor; seldom safety or call",
            recent_high_running_current="yes or no",
        ),
        cause("control-voltage-weak", 1, stopped_at="contacts", recent_low_control_voltage="yes; seldom no"),
        cause("compressor-overload-open", 1, stopped_at="compressor", recent_overload_cycling="yes; seldom no"),
        cause("run-capacitor", 1, stopped_at="compressor", recent_overload_cycling="yes; seldom no"),
    ),
    # 24 V at the unit while the thermostat's own output is off: a conductor that touches R, or a relay elsewhere.
    "call-without-thermostat": situation(
        {"call": "on", "thermostat": "off", "control_power": "on"},
        cause("control-wire-shorted", 5),
        cause("indoor-board", 2),
        cause("thermostat", 1, thermostat="off or on"),
        cause("loose-connection", 1),
    ),
    "overdue-call": situation(
        _NO_CALL | {"control_power": "on", "thermostat": "off"},
        cause("float-switch", 8, thermostat="on"),
        cause("float-switch", 2, control_power="off"),
        cause("float-switch", 4, thermostat="off", **_UNFED),  # where it breaks R to the thermostat
        cause("thermostat-setting", 6),
        cause("control-fuse", 5, control_power="off"),
        cause("thermostat", 4, **_UNFED),
        cause("line-supply-off", 4, supply="on or off", control_power="off", transformer_volts="absent"),
        cause("control-transformer", 3, control_power="off", transformer_volts="absent; seldom low"),
        cause("control-wire-open", 3, thermostat="on or off", **_UNFED),
        cause("pressure-switch", 1, thermostat="on"),
        cause("low-pressure-cutout", 1, thermostat="on"),
        cause("door-switch", 1.5, control_power="off"),
        cause("indoor-board", 1.5, thermostat="on or off"),
        cause("load-shed", 1, thermostat="on or off"),
        cause("control-wire-shorted", 1.5, control_power="off", **_FUSE_BLOWN),
        cause("coil-shorted", 1, control_power="off", **_FUSE_BLOWN),
        cause("refrigerant-detector", 0.5, thermostat="on or off"),
        cause("loose-connection", 1.5, thermostat="on or off", control_wire="closed or open", **_UNFED),
    ),
}
