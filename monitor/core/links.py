"""From inputs to links: the facts that follow from what is believed, and the chain as a table.

Facts put senses together: contacts count as closed when line voltage is behind them, or, where that is not sensed, when
a motor behind them draws current. A contradiction gives None, never a guess.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from math import inf
from types import MappingProxyType
from typing import Any, NamedTuple

from condenser_monitor.monitor.core.inputs import DebouncedInputs
from condenser_monitor.monitor.core.records import LinkState, LinkView

# ---------------------------------------------------------------- facts


class Facts(NamedTuple):
    """What follows from the sensors together: True, False or None (unknown). `volts`, `coil`, `draw` name bands;
    `delayed` says that a delay relay sits between the call's tap and the coil; `fan_may_rest` that it is so cold that a
    defrost or a board may hold the fan off by design; `distrusted` are the readings that were
    passed over because they lie."""

    call: bool | None = None
    supply: bool | None = None
    load: bool | None = None
    control_power: bool | None = None
    thermostat: bool | None = None
    volts: str | None = None
    coil: str | None = None
    compressor: bool | None = None
    locked: bool | None = None
    draw: str | None = None
    fan: bool | None = None
    stalled: bool | None = None
    runs: bool | None = None
    contacts: bool | None = None
    delayed: bool = False
    fan_may_rest: bool = False
    distrusted: frozenset[str] = frozenset()
    others: Mapping[str, Any] = MappingProxyType({})  # further inputs by name


# Inputs that have a field of their own, under their own or another name.
_NAMED = frozenset(Facts._fields) | {"control_v", "coil_a"}


# What the volts at the same terminals say of a call whose own sense says nothing; a few volts say neither.
_CALL_BY_VOLTS: Mapping[str | None, bool] = {"normal": True, "high": True, "dead": False}


def either(one: bool | None, other: bool | None) -> bool | None:
    """True if one is; False if all that is known is False; None if nothing is known."""
    if one or other:
        return True
    return None if one is None and other is None else False


def contacts_closed(load: bool | None, runs: bool | None) -> bool | None:
    """Whether the contacts are closed. Current behind contacts that are sensed open contradicts itself: None."""
    if load is None:
        return True if runs else None
    if load:
        return True
    return None if runs else False


def facts(
    inputs: DebouncedInputs,
    *,
    said: bool = False,
    distrusted: frozenset[str] = frozenset(),
    fan_may_rest: bool = False,
    drive: bool = False,
    hums: bool = False,
) -> Facts:
    """The facts as of the last scan: what is believed or, with `said`, what this one scan says by itself. A reading
    that is distrusted counts as missing. `drive`: a board sets the compressor's speed; `hums`: its current is what a
    lost leg has left, and no run's."""
    symbols = {name: one.said if said else one.symbol for name, one in inputs.by_name.items()}
    for name in distrusted:
        for one in inputs.inputs_of(name):
            symbols[one.name] = None
    if hums and symbols.get("compressor"):
        symbols |= {"compressor": False, "locked": None, "draw": None}
    get = symbols.get
    call = get("call")
    if call is None:
        call = _CALL_BY_VOLTS.get(get("control_v"))
    compressor, fan = get("compressor"), get("fan")
    runs = either(compressor, fan)
    if fan and compressor is False and False in (call, get("load")):
        runs = False  # a fan that a board lets run on tells nothing of the contacts
    contacts = contacts_closed(get("load"), runs)
    if drive and contacts and call is False and runs is False:
        contacts = None  # a drive may be fed all the time, and rests until it is called
    return Facts(
        call=call,
        supply=get("supply"),
        load=get("load"),
        control_power=get("control_power"),
        thermostat=get("thermostat"),
        volts=get("control_v"),
        coil=get("coil_a"),
        compressor=compressor,
        locked=get("locked"),
        draw=get("draw"),
        fan=fan,
        stalled=get("stalled"),
        others={name: symbol for name, symbol in symbols.items() if name not in _NAMED},
        runs=runs,
        contacts=contacts,
        delayed=inputs.delayed,
        fan_may_rest=fan_may_rest,
        distrusted=distrusted,
    )


# ---------------------------------------------------------------- the chain


class Link(NamedTuple):
    """One link: its name, the sense and the input that tell it, and the links whose life proves that it lives."""

    name: str
    title: str
    sense: str
    input: str
    implied_by: tuple[str, ...] = ()


CHAIN: tuple[Link, ...] = (
    Link("control-power", "24 V behind the fuse", "control_power", "control_power", ("thermostat-call", "call")),
    Link("thermostat-call", "thermostat calls for cooling", "thermostat", "thermostat", ("call",)),
    Link("call", "call at the outdoor unit", "call", "call", ("coil-current",)),
    Link("coil-current", "current in the contactor's coil", "coil_a", "coil_a"),
    Link("line-supply", "line voltage ahead of the contactor", "supply", "supply", ("contacts", "compressor", "fan")),
    Link("contacts", "contacts closed", "load", "load", ("compressor", "fan")),
    Link("compressor", "compressor runs", "compressor_a", "compressor"),
    Link("fan", "condenser fan runs", "fan_a", "fan"),
)


def chain(inputs: DebouncedInputs, distrusted: Collection[str] = ()) -> tuple[LinkView, ...]:
    """Each link live, dead or unknown; a link no sense tells is live where a later live link proves it (inferred)."""
    known: dict[str, bool | None] = {}
    since: dict[str, float] = {}
    for link in CHAIN:
        one = None if link.sense in distrusted else inputs.by_name.get(link.input)
        symbol = None if one is None else one.symbol
        known[link.name] = symbol != "none" if isinstance(symbol, str) else symbol
        since[link.name] = 0.0 if one is None or one.since_s == -inf else one.since_s
    sensed = dict(known)
    if known["line-supply"] is False and known["contacts"] is False:
        known["contacts"] = None  # with no line voltage ahead of them, none behind them tells nothing of the contacts
    for link in reversed(CHAIN):
        if known[link.name] is None and any(known[name] for name in link.implied_by):
            known[link.name] = True
    return tuple(
        LinkView(
            name=link.name,
            state=_STATES[known[link.name]],
            since_s=since[link.name],
            sense=link.sense if link.sense in inputs.fitted else None,
            inferred=known[link.name] is not None and sensed[link.name] is None,
        )
        for link in CHAIN
    )


_STATES: dict[bool | None, LinkState] = {True: LinkState.LIVE, False: LinkState.DEAD, None: LinkState.UNKNOWN}


def first_break(links: Sequence[LinkView]) -> str | None:
    """The first dead link behind a live one, walking the control side and then the line side; None where there is none.

    Links after the call are dead at rest by nature: they break only while the call is live.
    """
    state = {link.name: link.state for link in links}
    if state["line-supply"] is LinkState.DEAD:
        return "line-supply"
    if state["control-power"] is LinkState.DEAD:
        return "control-power"
    if state["thermostat-call"] is LinkState.LIVE and state["call"] is LinkState.DEAD:
        return "call"
    if state["call"] is not LinkState.LIVE:
        return None
    after = ("coil-current", "contacts", "compressor", "fan")
    return next((name for name in after if state[name] is LinkState.DEAD), None)
