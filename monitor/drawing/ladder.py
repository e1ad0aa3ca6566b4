"""The unit's own wiring ladder as one SVG: the 24 V rung indoors and out, and the power rungs behind the contactor.

`svg(status, unit)` is pure and is used by the page, the fleet's page and the report. Lit parts are heavy lines, dead
ones thin, unknown ones dotted; each part says its state in words; the break has a ring, a tag and a sentence. Colour
only repeats that. Coordinates are in a space 400 wide, so that the words can be read on a phone.
"""

from __future__ import annotations

from functools import lru_cache
from html import escape

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.records import LinkState, UnitStatus
from condenser_monitor.monitor.drawing import symbols
from condenser_monitor.monitor.drawing.wiring import (
    Parts,
    WiringRow,
    parts,
    rows,
)
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.lookup import plain
from condenser_monitor.monitor.strings.translate import reader

WIDTH, HEIGHT = 400, 586
LIVE, DEAD, UNKNOWN = LinkState.LIVE, LinkState.DEAD, LinkState.UNKNOWN
_INDOOR_Y, _OUTDOOR_Y, _CONTACT_Y, _COMPRESSOR_Y, _FAN_Y = 76.0, 226.0, 346.0, 424.0, 538.0
_LEFT, _RIGHT, _T1, _T2 = 40.0, 360.0, 112.0, 288.0
_TRANSFORMER_X, _FUSE_X, _THERMOSTAT_X, _FLOAT_X = 60.0, 118.0, 214.0, 312.0
_RELAY_X, _COIL_X = 184.0, 114.0
# where `call` is taken -> (its place, the pressure switches' place) on the outdoor rung, which runs from right to left
_TAPS = {"y-terminal": (342.0, 252.0), "coil": (246.0, 334.0)}

# link -> (where the ring is drawn, its radius, where the tag is centred)
_MARKS: dict[str, tuple[float, float, float, float, float]] = {
    "control-power": (_FUSE_X, _INDOOR_Y, 22, _FUSE_X, 42),
    "thermostat-call": (_THERMOSTAT_X, _INDOOR_Y, 24, _THERMOSTAT_X, 42),
    "call": (378, 158, 12, 306, 158),
    "coil-current": (_COIL_X, _OUTDOOR_Y, 22, _COIL_X, 187),
    "line-supply": (_LEFT, 316, 17, 108, 310),
    "contacts": (76, _CONTACT_Y - 5, 24, 108, 308),
    "compressor": (200, _COMPRESSOR_Y, 39, 343, _COMPRESSOR_Y),
    "fan": (200, _FAN_Y, 32, 343, _FAN_Y),
}


def svg(status: UnitStatus, unit: Unit, *, style: str = "", name: str = "ladder") -> str:
    """The ladder as an SVG element. `style` is put inside for a file that stands alone; `name` keeps ids apart."""
    return _drawn(rows(status), parts(status, unit), unit, style, name, reader().language)


@lru_cache(maxsize=8)
def _drawn(shown: tuple[WiringRow, ...], state: Parts, unit: Unit, style: str, name: str, _language: str) -> str:
    """Kept: every open page asks for it every other second, and at rest nothing in it changes for hours."""
    found = {row.name: row for row in shown}
    body = _boxes() + _control(state, unit) + _power(state, unit) + _labels(found, unit) + _marks(found, unit)
    inner = f"<style>{style}</style>" if style else ""
    return (
        f'<svg class="ladder" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" xmlns="http://www.w3.org/2000/svg" '
        f'aria-labelledby="{name}-title {name}-desc" font-family="system-ui, sans-serif" font-size="13">'
        f'<title id="{name}-title">{escape(plain("ladder"))}</title>'
        f'<desc id="{name}-desc">{escape(sentence(found))}</desc>{inner}{body}</svg>'
    )


def sentence(found: dict[str, WiringRow]) -> str:
    """The whole ladder in one paragraph, for who cannot see it."""
    return " ".join(f"{row.title}: {state_words(row)}." for row in found.values())


def state_words(row: WiringRow) -> str:
    """One row's state in words, with what was measured, inferred or flagged."""
    extra = [part for part in (row.reading, texts.WORDS["inferred"] if row.inferred else "", row.mark) if part]
    return row.words + (f" ({', '.join(extra)})" if extra else "")


# ---------------------------------------------------------------- what is behind everything


def _boxes() -> str:
    return (
        '<rect x="4" y="6" width="392" height="138" rx="10" class="place"/>'
        f'<rect x="4" y="172" width="392" height="{HEIGHT - 178}" rx="10" class="place"/>'
        + _text(366, 26, plain("place-indoor"), "place-name", "end")
        + _text(366, 193, plain("place-outdoor"), "place-name", "end")
        + '<path d="M14 296H386" class="divider"/>'
    )


# ---------------------------------------------------------------- the 24 V rung


def _control(state: Parts, unit: Unit) -> str:
    y = _INDOOR_Y
    x = _TRANSFORMER_X
    indoors = (
        symbols.transformer(state.transformer, x, y, y + 48)
        + symbols.wire(state.transformer, (x, y), (_FUSE_X - 15, y))
        + symbols.fuse(state.control_power, _FUSE_X, y)
        + symbols.wire(state.control_power, (_FUSE_X + 15, y), (_THERMOSTAT_X - 16, y))
        + symbols.switch(state.thermostat, _THERMOSTAT_X, y, "temperature")
        + symbols.wire(state.called, (_THERMOSTAT_X + 16, y), (_FLOAT_X - 16, y))
        + symbols.switch(state.safeties, _FLOAT_X, y, "float")
    )
    # Between the safeties only the two ends are sensed: where they differ, the wire in between is not known.
    between = state.call if state.called is state.call else UNKNOWN
    between = LIVE if state.call is LIVE else between
    down = symbols.wire(between, (_FLOAT_X + 16, y), (378, y), (378, _OUTDOOR_Y))
    return indoors + down + _control_outdoors(state, unit, between)


def _control_outdoors(state: Parts, unit: Unit, between: LinkState) -> str:
    y = _OUTDOOR_Y
    tap_x, pressure_x = _TAPS[unit.call_tap]
    delayed = unit.delay_on_make_s > 0
    ahead = unit.call_tap == "y-terminal"  # of the pressure switches, which nothing senses but the coil
    doubtful = UNKNOWN if state.coil is not LIVE and state.call is LIVE else state.call
    behind_pressure = doubtful if ahead else state.call
    at_coil = doubtful if delayed or ahead else state.call
    drawn = symbols.wire(between, (378, y), (tap_x if ahead else pressure_x + 16, y))
    if ahead:
        drawn += symbols.wire(state.call, (tap_x, y), (pressure_x + 16, y))
    drawn += symbols.switch(state.switches, pressure_x, y, "pressure")
    if delayed:
        drawn += symbols.wire(behind_pressure, (pressure_x - 16, y), (_RELAY_X + 20, y))
        drawn += symbols.relay(at_coil, _RELAY_X, y, plain("symbol-relay"))
        drawn += symbols.wire(at_coil, (_RELAY_X - 20, y), (_COIL_X + 19, y))
    else:
        drawn += symbols.wire(behind_pressure, (pressure_x - 16, y), (_COIL_X + 19, y))
    x = _TRANSFORMER_X
    back = symbols.wire(state.coil, (_COIL_X - 19, y), (x, y), (x, _INDOOR_Y + 48))
    return drawn + symbols.coil(state.coil, _COIL_X, y, plain("symbol-coil")) + back + symbols.dot(tap_x, y)


# ---------------------------------------------------------------- the power rungs


def _power(state: Parts, unit: Unit) -> str:
    y = _CONTACT_Y
    legs = (
        symbols.wire(state.supply, (_LEFT, 312), (_LEFT, y), (60, y))
        + symbols.switch(state.contacts, 76, y, contactor=True)
        + symbols.wire(state.load_leg, (92, y), (_T1, y), (_T1, _FAN_Y))
        + symbols.wire(state.return_leg, (_T2, y), (_T2, _FAN_Y))
        + _second_pole(state, unit)
    )
    terminals = symbols.dot(_LEFT, 308, filled=False) + symbols.dot(_RIGHT, 308, filled=False)
    return legs + terminals + _compressor(state) + _fan(state)


def _second_pole(state: Parts, unit: Unit) -> str:
    y = _CONTACT_Y
    if unit.contactor_poles == 1:
        return symbols.wire(state.supply, (_RIGHT, 312), (_RIGHT, y), (_T2, y))
    return (
        symbols.wire(state.supply, (_RIGHT, 312), (_RIGHT, y), (340, y))
        + symbols.switch(state.contacts, 324, y, contactor=True)
        + symbols.wire(state.return_leg, (308, y), (_T2, y))
    )


def _compressor(state: Parts) -> str:
    y, s = _COMPRESSOR_Y, state.compressor
    return (
        symbols.wire(s, (_T1, y), (122, y))
        + symbols.overload(s, 138, y)
        + symbols.wire(s, (154, y), (169, y))
        + symbols.motor(s, 200, y, 31)
        + symbols.wire(state.return_side(s), (231, y), (_T2, y))
        + symbols.wire(s, (200, y + 31), (200, y + 50), (242, y + 50))
        + symbols.capacitor(s, 246, y + 50)
        + symbols.wire(state.return_side(s), (252, y + 50), (_T2, y + 50))
        + "".join(symbols.dot(x, at) for x, at in ((_T1, y), (_T2, y), (_T2, y + 50)))
    )


def _fan(state: Parts) -> str:
    y, s = _FAN_Y, state.fan
    tail = symbols.wire(state.return_side(s), (224, y), (_T2, y))
    return symbols.wire(s, (_T1, y), (176, y)) + symbols.motor(s, 200, y, 24) + tail


# ---------------------------------------------------------------- words


def _labels(found: dict[str, WiringRow], unit: Unit) -> str:
    y = _INDOOR_Y
    tap_x, pressure_x = _TAPS[unit.call_tap]
    fixed = (
        _text(12, y - 13, plain("part-transformer"), "small")
        + _text(_FUSE_X, y - 13, plain("part-fuse"), "small", "middle")
        + _text(_FLOAT_X, y + 34, plain("part-float-switch"), "small", "middle")
        + _text(pressure_x, _OUTDOOR_Y + 38, plain("part-pressure-switch"), "small", "middle")
        + _text(_T1 + 6, _COMPRESSOR_Y - 22, plain("part-overload"), "small")
        + _text(_T2 - 6, _COMPRESSOR_Y + 76, plain("part-run-capacitor"), "small", "end")
        + _text(_LEFT - 9, 313, "L1", "terminal-name", "end")
        + _text(_RIGHT + 9, 313, "L2", "terminal-name")
        + _text(_T1 + 6, _CONTACT_Y + 4, "T1", "terminal-name")
        + _text(_T2 - 6, _CONTACT_Y + 4, "T2", "terminal-name", "end")
    )
    if unit.delay_on_make_s > 0:
        fixed += _text(_RELAY_X, _OUTDOOR_Y + 38, plain("part-delay"), "small", "middle")
    if unit.contactor_poles == 1:
        for place, line in enumerate(plain("leg-stays-live").split("\n")):
            fixed += _text(388, _CONTACT_Y + 20 + 15 * place, line, "small warn", "end")
    placed = (
        ("control-power", _FUSE_X, y + 28, "middle"),
        ("thermostat-call", _THERMOSTAT_X, y + 34, "middle"),
        ("call", tap_x, _OUTDOOR_Y + 36, "middle"),
        ("coil-current", _COIL_X, _OUTDOOR_Y + 36, "middle"),
        ("line-supply", 216.0, 324.0, "middle"),
        ("contacts", 14.0, _CONTACT_Y + 26, "start"),
        ("compressor", 14.0, _COMPRESSOR_Y + 2, "start"),
        ("fan", 14.0, _FAN_Y - 8, "start"),
    )
    return fixed + "".join(_label(found[name], x, at, anchor) for name, x, at, anchor in placed if name in found)


def _label(row: WiringRow, x: float, y: float, anchor: str) -> str:
    lines = [row.words]
    if row.reading:
        lines.append(row.reading)
    if row.inferred:
        lines.append(f"({texts.WORDS['inferred']})")
    drawn = _text(x, y, row.title, "part-name", anchor)
    for place, line in enumerate(lines, 1):
        drawn += _text(x, y + 15 * place, line, f"t-{row.state.value}", anchor)
    return drawn


def _text(x: float, y: float, text: str, kind: str, anchor: str = "start") -> str:
    if not text:
        return ""
    size = ' font-size="11.5"' if "small" in kind else ""
    return f'<text x="{x:g}" y="{y:g}" class="{kind}" text-anchor="{anchor}"{size}>{escape(text)}</text>'


# ---------------------------------------------------------------- what is flagged


def _marks(found: dict[str, WiringRow], unit: Unit) -> str:
    return "".join(_mark(row.name, row.mark, unit) for row in found.values() if row.mark)


def _mark(link: str, words: str, unit: Unit) -> str:
    x, y, radius, tag_x, tag_y = _MARKS[link]
    end = x
    if link == "coil-current" and unit.call_tap == "y-terminal":
        end = _TAPS[unit.call_tap][1]  # the pressure switches behind the place of the call may be open as well
    elif link == "coil-current" and unit.delay_on_make_s > 0:
        end = _RELAY_X
    half = 3.9 * len(words) + 16
    left = min(max(tag_x - half, 6), WIDTH - 6 - 2 * half)
    return (
        f'<g class="mark"><rect x="{x - radius:g}" y="{y - radius:g}" width="{end - x + 2 * radius:g}" '
        f'height="{2 * radius:g}" rx="{radius:g}" class="ring" fill="none" stroke="#b00" '
        'stroke-width="2.5" stroke-dasharray="7 4"/>'
        f'<rect x="{left:g}" y="{tag_y - 11:g}" width="{2 * half:g}" height="22" rx="5" class="tag" fill="#b00"/>'
        f'<path d="M{left + 13:g} {tag_y - 7:g}l-5 8h4l-2 6l6 -8h-4z" class="bolt" fill="#fff"/>'
        f'<text x="{left + half + 7:g}" y="{tag_y + 4.5:g}" class="tag-words" fill="#fff" text-anchor="middle">'
        f"{escape(words)}</text></g>"
    )
