"""The figures that a check's words carry, and what each rests on: a limit, a row of the ledger, or practice.

One row for each figure of `expected`, of the cautions, and of the steps where it is a figure to judge by. A test holds
every number of the words to a row here, and every row that names a limit to that limit's value.
"""

from __future__ import annotations

from typing import NamedTuple

from condenser_monitor.monitor import limits, sources
from condenser_monitor.monitor.limits import Limit
from condenser_monitor.monitor.sources import Source

M = limits.METER


class Figure(NamedTuple):
    """A figure as it stands in the words, its basis (one of limits.BASES) and where it comes from."""

    shown: str
    basis: str
    source: str


def _at(limit: Limit, shown: str) -> Figure:
    return Figure(shown, limit.basis, limit.source)


def _from(source: Source, shown: str, why: str = "") -> Figure:
    """`why`: what was made of the source by arithmetic."""
    return Figure(shown, source.basis, f"{source.cite}: {why or source.says}")


def _trade(shown: str, why: str = "no published source at hand") -> Figure:
    return Figure(shown, "common practice", why)


_CALLED_VOLTS = _trade("24 to 29 V", "what a residential transformer gives with its contactor called")
_CLOSED = _at(M.closed, "under 1 ohm")
_LINE = _from(sources.COMPRESSOR_VOLTS, "197 to 253 V")
_LABEL = _from(sources.CAPACITOR_BAND, "6 %")
_NEAR_NOTHING = _trade("0 V", "a closed contact drops almost nothing")
_CONTROL = _trade("24 V", limits.CONTROL_NOMINAL_V.source)
_SETTLED = _trade("15 minutes", "pressures and pipes have settled by then")

FIGURES: dict[str, tuple[Figure, ...]] = {
    "listen": (_trade("5 minutes", "thermostats and delay timers wait 3 to 5 minutes"),),
    "condenser-coil": (_trade("half a metre (2 ft)"), _trade("1.5 m (5 ft)")),
    "suction-line": (_SETTLED,),
    "door-panel": (_CONTROL,),
    "standing-pressure": (_trade("35 kPa (5 psi)", "what gauges and thermometers may err together"),),
    "indoor-board": (_CONTROL,),
    "coil-ohms": (
        _from(
            sources.COIL_BURDEN,
            "6 to 27 ohm",
            "open-armature impedance 24 V squared over 20 to 65 VA is 29 to 9 ohm, and its DC part about half or more",
        ),
        _CONTROL,
        _from(sources.COPPER, "20 °C", "a warm coil is taken back to 20 °C"),
        _trade("40 A"),
        _at(M.coil_low, "under 5"),
        _at(M.coil_high, "over 40"),
    ),
    "coil-volts": (_CALLED_VOLTS, _from(sources.CONTACTOR_CLOSING, "20.4 V", "85 % of 24 V"), _NEAR_NOTHING),
    "coil-pull-in": (_at(M.coil_pull_in, "18 V"),),
    "pressure-volts": (_NEAR_NOTHING, _CONTROL),
    "board-volts": (_CONTROL,),
    "splice-volts": (
        _trade("27 V"),
        _from(sources.WIRE_TABLE, "0.5 V", "100 ft of 18 AWG loop lose 0.3 V at 0.25 A, so one joint never as much"),
    ),
    "time-delay-volts": (_NEAR_NOTHING,),
    "rc-volts": (
        _trade("23 to 27 V", "regulation of a small transformer is 10 to 15 %"),
        _trade("26 to 29 V"),
        _at(limits.CONTROL_HIGH_V, "30 V (class 2)"),
        _trade("208 V", "240 over 208 makes 27.7 V of 24 on that tap, and more unloaded"),
        _from(sources.SERVICE_NOMINAL, "240 V"),
    ),
    "transformer-volts": (_trade("23 to 29 V"), _trade("0 V")),
    "thermostat-volts": (_CALLED_VOLTS,),
    "control-fuse": (_CLOSED, _trade("3 A", limits.COIL_SHORT_A.source)),
    "float-switch": (_CLOSED,),
    "float-volts": (_NEAR_NOTHING, _CONTROL),
    "pressure-switch": (_CLOSED,),
    "control-wire": (
        _from(sources.WIRE_TABLE, "1.3 ohm", "200 ft of 18 AWG at 6.39 ohm for 1000 ft at 20 °C"),
        _from(sources.CONVERSIONS, "30 m (100 ft)"),
        _trade("18 AWG"),
    ),
    "leads": (_at(M.leads, "0 ohm"),),
    "line-volts": (_LINE,),
    "load-volts": (_LINE,),
    "running-amps": (_from(sources.CAPACITOR_LAW, "4 A", "45 uF at 240 V, 60 Hz pass 4.07 A"),),
    "line-fuses": (_CLOSED, _trade("0")),
    "run-capacitor": (_LABEL,),
    "fan-capacitor": (_LABEL,),
    "winding-ohms": (_from(sources.WINDINGS, "2 to 5 times", "3 to 5 times; from 2 on is common practice"),),
    "compressor-to-ground": (
        _at(M.insulation_good, "20 megohm"),
        _trade("500 V"),
        _at(M.insulation, "0.5 to 20"),
    ),
    "leg-to-ground": (_from(sources.SERVICE_NOMINAL, "120 V"), _trade("0")),
    "start-volts": (
        _at(M.start_sag, "85 %"),
        _from(sources.SERVICE_NOMINAL, "204 of 240 V", "85 % of 240 V"),
    ),
    "contact-drop": (_at(M.contact_suspect, "0.5 V"), _at(M.contact_replace, "1 V")),
    "capacitor-amps": (
        _from(sources.CAPACITOR_LAW, "2652", "a million over 2 pi times 60"),
        _trade("60 Hz"),
        _from(sources.CAPACITOR_LAW, "3183 at 50 Hz", "a million over 2 pi times 50"),
    ),
    "start-capacitor": (_trade("20 %", "as the labels of start capacitors have it"),),
    "air-split": (
        _at(M.split_low, "14 to 22 °F"),
        _at(M.split_high, "8 to 12 K"),
        _SETTLED,
    ),
    "static-pressure": (
        _trade("0.5 in. of water (125 Pa)", "what the nameplates of most blowers say"),
        _at(M.static_high, "0.8 in. (200 Pa)"),
    ),
    "superheat": (_at(M.superheat_low, "5 to 20 °F"),),
    "subcooling": (_trade("8 to 15 °F"), _at(M.subcooling_low, "6 to 17 °F")),
    # ---------------------------------------------------------------- cautions
    "caution isolate": (_CONTROL, _from(sources.ISOLATION, "29 CFR 1910.333")),
    "caution one-pole": (_from(sources.SERVICE_NOMINAL, "120 V", "half of 240 V"),),
    "caution capacitor": (
        _from(sources.CAPACITOR_BLEED, "300 V", "up to about 400 V at the start terminal; 240 V have a peak of 339 V"),
        _from(sources.CAPACITOR_BLEED, "20 kohm, 2 W"),
        _from(
            sources.CAPACITOR_RESIDUE, "5 s", "45 uF from 339 V through 20 kohm are under 50 V in 1.7 s, 80 uF in 3.4 s"
        ),
    ),
    "caution start-capacitor": (
        _from(sources.CAPACITOR_LAW, "98 V", "200 uF from 339 V through 20 kohm, 4 s of time constant, after 5 s"),
        _from(sources.CAPACITOR_LAW, "5 s"),
        _from(sources.CAPACITOR_BLEED, "20 kohm"),
        _trade("200 uF", "a usual size"),
        _from(sources.CAPACITOR_LAW, "20 s", "five time constants of 4 s"),
    ),
    "caution meter": (_from(sources.METER_CATEGORY, "CAT III 600 V"),),
    "caution leads": (_at(M.leads, "0 ohm"),),
    "caution class2": (_CONTROL,),
    "caution refrigerant": (_trade("EPA 608", "40 CFR 82, subpart F, for refrigerants in the USA"),),
}
