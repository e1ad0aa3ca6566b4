"""From readings to links: belief after two scans, unknown after silence, bands with hysteresis, the chain."""

from __future__ import annotations

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.inputs import DebouncedInput, DebouncedInputs
from condenser_monitor.monitor.core.links import (
    CHAIN,
    chain,
    contacts_closed,
    facts,
    first_break,
)
from condenser_monitor.monitor.core.readings import READINGS, SYMBOLS, coil_bands, volt_bands
from condenser_monitor.monitor.core.records import (
    LinkState,
    Scan,
)
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    SETTINGS,
    Readings,
    but,
    scans,
)


def _believe(*said: bool | None, every_s: float = 1.0) -> DebouncedInput:
    belief = DebouncedInput("call")
    for place, raw in enumerate(said):
        belief.update(raw, place * every_s)
    return belief


@pytest.mark.parametrize(
    ("said", "symbol", "since_s"),
    [
        ((True,), None, None),
        ((True, True), True, 1.0),
        ((False, False, True), False, 1.0),
        ((False, False, True, True), True, 2.0),
        ((False, False, True, False, True, False), False, 1.0),
        ((False, False, None, True, None, True), True, 3.0),
    ],
)
def test_two_scans_in_a_row_are_believed_from_the_first(
    said: tuple[bool | None, ...], symbol: bool | None, since_s: float | None
) -> None:
    """One odd or missing scan moves nothing; what is found at the start counts from when it was borne out."""
    belief = _believe(*said)
    assert belief.symbol is symbol
    if since_s is not None:
        assert belief.since_s == since_s


@pytest.mark.parametrize(
    ("every_s", "missing", "known"), [(1.0, 4, True), (1.0, 7, False), (50.0, 1, True), (50.0, 2, False)]
)
def test_a_sense_missing_for_five_seconds_and_two_scans_is_unknown(every_s: float, missing: int, known: bool) -> None:
    """Judged by time at any scan rate, but never by a single missing scan."""
    belief = _believe(True, True, *[None] * missing, every_s=every_s)
    assert (belief.symbol is True) == known


@pytest.mark.parametrize(
    ("volts", "band"),
    [(0.0, "dead"), (4.9, "dead"), (8.0, "ghost"), (20.3, "weak"), (20.4, "normal"), (24.0, "normal"), (30.5, "high")],
)
def test_control_voltage_bands(volts: float, band: str) -> None:
    """20.4 V is 85 % of 24 V, where a contactor must close (IEC 60947-4-1 cl. 8.2.1.2, from memory)."""
    bands = volt_bands()
    assert bands.names[bands.place(volts, None)] == band


def test_low_voltage_is_over_only_half_a_volt_higher() -> None:
    """Hysteresis upwards: out of `weak` at 20.9 V, whereas a voltage that comes up from nothing needs 20.4 V."""
    bands = volt_bands()
    weak, dead = bands.names.index("weak"), bands.names.index("dead")
    assert bands.names[bands.place(20.6, weak)] == "weak"
    assert bands.names[bands.place(20.9, weak)] == "normal"
    assert bands.names[bands.place(20.6, dead)] == "normal"


@pytest.mark.parametrize(
    ("va", "state"),
    [(4, "sealed"), (10, "sealed"), (20, "unsealed"), (65, "unsealed")],
)
def test_catalogued_coils_fall_into_their_bands(va: float, state: str) -> None:
    """Sealed 4-10 VA and open-armature 20-65 VA at 24 V (check values 1.9, 1.10, 1.14, 1.15: typical catalogues)."""
    bands = coil_bands()
    assert bands.names[bands.place(va / 24.0, None)] == state


def test_band_names_are_the_symbols_that_suspects_predict() -> None:
    """links.py and records.SYMBOLS speak the same words, in the same order."""
    assert volt_bands().names == SYMBOLS["control_v"]
    assert coil_bands().names == SYMBOLS["coil_a"]


@pytest.mark.parametrize(("share", "running"), [(0.19, False), (0.22, None), (0.24, None), (0.25, True), (0.5, True)])
@pytest.mark.parametrize("was", [False, True])
def test_running_from_25_percent_stopped_below_20(share: float, running: bool | None, was: bool) -> None:
    """contract.md, Findings; in between (None here) the last answer stands."""
    sensing = DebouncedInputs(SETTINGS, ALL)
    first = RUN if was else REST
    for scan in scans((3, first), (3, but(RUN, compressor_a=share * 12.8))):
        sensing.update(scan)
    assert facts(sensing).compressor is (was if running is None else running)


@pytest.mark.parametrize(
    ("load", "runs", "closed"),
    [
        (True, True, True),
        (True, False, True),
        (True, None, True),
        (False, False, False),
        (False, None, False),
        (False, True, None),
        (None, True, True),
        (None, False, None),
        (None, None, None),
    ],
)
def test_contacts_follow_from_load_and_current(load: bool | None, runs: bool | None, closed: bool | None) -> None:
    """Total table; current behind contacts sensed open contradicts itself and says nothing."""
    assert contacts_closed(load, runs) is closed


def _chain(readings: Readings, fitted: tuple[str, ...] = ALL) -> dict[str, tuple[LinkState, bool]]:
    sensing = DebouncedInputs(SETTINGS, fitted)
    for scan in scans((3, readings)):
        sensing.update(scan)
    return {link.name: (link.state, link.inferred) for link in chain(sensing)}


def test_chain_is_one_row_a_link_over_known_readings() -> None:
    """Each link names a reading of the contract, and is implied only by links further along."""
    names = [link.name for link in CHAIN]
    assert len(set(names)) == len(names)
    for place, link in enumerate(CHAIN):
        assert link.sense in READINGS
        assert set(link.implied_by) <= set(names[place + 1 :])


def test_running_unit_is_live_all_along_and_a_resting_one_up_to_the_call() -> None:
    """Nothing is inferred where everything is sensed."""
    assert set(_chain(RUN).values()) == {(LinkState.LIVE, False)}
    rest = _chain(REST)
    assert [name for name, (state, _) in rest.items() if state is LinkState.LIVE] == ["control-power", "line-supply"]


def test_contacts_are_not_known_while_no_line_voltage_can_show_them() -> None:
    """The coil is pulled in behind a breaker that is off: "open" would be a guess, and a wrong one."""
    dead = but(RUN, supply=False, load=False, compressor_a=0.0, fan_a=0.0)
    assert _chain(dead)["contacts"][0] is LinkState.UNKNOWN
    assert _chain(but(dead, supply=True))["contacts"][0] is LinkState.DEAD


def test_live_link_proves_the_ones_before_it() -> None:
    """With call and compressor current alone, control power, thermostat, supply and contacts are inferred."""
    seen = _chain(RUN, ("call", "compressor_a"))
    assert seen["control-power"] == seen["thermostat-call"] == (LinkState.LIVE, True)
    assert seen["line-supply"] == seen["contacts"] == (LinkState.LIVE, True)
    assert seen["coil-current"] == seen["fan"] == (LinkState.UNKNOWN, False)


@pytest.mark.parametrize(
    ("readings", "at"),
    [
        (RUN, None),
        (REST, None),
        (but(REST, control_power=False), "control-power"),
        (but(REST, thermostat=True), "call"),
        (but(RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0), "coil-current"),
        (but(RUN, load=False, compressor_a=0.0, fan_a=0.0), "contacts"),
        (but(RUN, compressor_a=0.0), "compressor"),
        (but(RUN, fan_a=0.0), "fan"),
        (but(RUN, supply=False, load=False, compressor_a=0.0, fan_a=0.0), "line-supply"),
        (but(RUN, load=None, compressor_a=0.0, fan_a=0.0), "compressor"),
    ],
)
def test_first_dead_link_behind_a_live_one_is_the_break(readings: Readings, at: str | None) -> None:
    """The one idea everything stands on."""
    sensing = DebouncedInputs(SETTINGS, ALL)
    for scan in scans((10, readings)):
        sensing.update(scan)
    assert first_break(chain(sensing)) == at


def test_quiet_scan_is_one_that_changes_nothing() -> None:
    """The cheap look never lets a scan through that a full look would have acted on."""
    sensing = DebouncedInputs(SETTINGS, ALL)
    steady = list(scans((5, RUN)))
    for scan in steady:
        sensing.update(scan)
    assert sensing.quiet(Scan(t_s=6.0, **RUN))
    for name in ALL:
        if name != "outdoor_c":
            odd = but(RUN, **{name: not RUN[name] if isinstance(RUN[name], bool) else 0.0})
            assert not sensing.quiet(Scan(t_s=6.0, **odd)), name
        assert not sensing.quiet(Scan(t_s=6.0, **but(RUN, **{name: None}))), name


def test_limits_in_force_are_those_of_the_contract() -> None:
    """A changed default must be seen here: thresholds of the contract's section 5."""
    assert limits.RUNNING_ON_RATIO.value == 0.25
    assert limits.RUNNING_OFF_RATIO.value == limits.FAN_OFF_RATIO.value == 0.20
    assert limits.FAN_ON_RATIO.value == 0.30
    assert limits.LOCKED_RATIO.value == 0.60
    assert limits.CONTROL_NOMINAL_V.value * limits.CLOSING_RATIO.value == pytest.approx(20.4)
