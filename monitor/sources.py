"""The ledger of sources: every document that a number of the program rests on, once, and how it is known to us.

A number from elsewhere names its row (`limits.py` by `_cited`, the checks, the circuits, the simulator), so that
basis and words come from here and cannot disagree. `access` says how the row is known:

- "read": the document itself was read;
- "quoted": another document that quotes it was read, the document itself was not;
- "remembered": neither was at hand: to be confirmed before anybody relies on it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, NamedTuple

Access = Literal["read", "quoted", "remembered"]
Kind = Literal["standard", "data sheet"]


class Source(NamedTuple):
    """One place in one document. `says` is its content in our words; `checked` the date (ISO) of the last look."""

    document: str
    edition: str
    place: str
    access: Access
    checked: str
    says: str
    kind: Kind = "standard"

    @property
    def basis(self) -> str:
        """Return the basis (one of `limits.BASES`) of a number that stands on this row."""
        return "from memory" if self.access == "remembered" else self.kind

    @property
    def cite(self) -> str:
        """Return document, edition and place in one line."""
        return ", ".join(part for part in (self.document, self.edition, self.place) if part)

    @property
    def text(self) -> str:
        return f"{self.cite}: {self.says}"


_LOOKED = "2026-11"  # the month in which the documents at hand were gone through

# ---------------------------------------------------------------- control circuit and contactor

CONTACTOR_CLOSING = Source(
    "IEC 60947-4-1",
    "2018",
    "8.2.1.2",
    "remembered",
    "",
    "an electromagnetic contactor closes from 85 % of its rated control voltage",
)
CONTACTOR_DROP_OUT = Source(
    "IEC 60947-4-1",
    "2018",
    "8.2.1.2",
    "remembered",
    "",
    "an AC contactor drops out between 75 % and 20 % of its rated control voltage",
)
CLASS_2_VOLTS = Source(
    "UL 5085-3 (before: UL 1585)",
    "edition not said by what quotes it",
    "class 2 secondary",
    "quoted",
    _LOOKED,
    "at most 30 V RMS under any load, open circuit included; read in the scope page of a test laboratory",
)
CONTACT_LIFE = Source(
    "catalogue sheet of a 30/40 A definite-purpose contactor",
    "2003, revised 2005",
    "",
    "read",
    _LOOKED,
    "200 000 operations at full load, 2 million without; usual claims are 100 000 to 250 000",
    "data sheet",
)
CONTACT_LOCKED_ROTOR = CONTACT_LIFE._replace(says="locked-rotor amps at 240 V: 180 of a 30 A pole, 240 of a 40 A pole")
BLADE_FUSE = Source(
    "ISO 8820-3 type C / SAE J1284",
    "2015 / 2020",
    "opening times",
    "remembered",
    "",
    "110 % 100 h, 135 % 0.75 s to 600 s, 200 % 0.15 s to 5 s",
)

# ---------------------------------------------------------------- line side

SERVICE_NOMINAL = Source("ANSI C84.1", "2020", "table 1", "remembered", "", "120/240 V single-phase service")
SERVICE_RANGE_B = Source(
    "ANSI C84.1", "2020", "table 1, range B, service", "remembered", "", "110/220 V to 127/254 V of 120/240 V"
)
COMPRESSOR_VOLTS = Source(
    "nameplate-voltage bulletin of a compressor maker",
    "",
    "208/230 V, single-phase",
    "quoted",
    _LOOKED,
    "197 to 253 V at maximum load for welded hermetic compressors, 188 to 253 V for scrolls",
    "data sheet",
)
SCROLL_MANUAL_STARTS = Source(
    "application manual of a scroll maker", "", "5.14", "read", _LOOKED, "at most 10 starts an hour", "data sheet"
)
SCROLL_GUIDE_CYCLES = Source(
    "commercial application guide of a scroll maker",
    "",
    "starts",
    "read",
    _LOOKED,
    "at least 2 min of run, 180 s of rest advised, at most 12 starts an hour",
    "data sheet",
)
PROTECTOR_RESET = Source(
    "UL 60335-2-34 and field practice",
    "2017",
    "internal line-break protectors",
    "remembered",
    "",
    "with the rotor locked it opens in 2 to 10 s and closes again after 15 min to over 2 h",
)
CAPACITOR_BAND = Source(
    "comparison page of motor capacitors",
    "",
    "run capacitors",
    "read",
    _LOOKED,
    "6 % either way of what the label says",
    "data sheet",
)
COPPER = Source(
    "IEC 60028; NBS Handbook 100",
    "1925; 1966",
    "annealed copper at 20 °C",
    "quoted",
    _LOOKED,
    "0.017241 ohm mm2/m; 0.00393 per K from 20 °C",
)
WIRE_TABLE = Source(
    "NFPA 70 (NEC)",
    "2023",
    "chapter 9, table 8",
    "quoted",
    _LOOKED,
    "18 AWG solid copper 7.77 ohm for 1000 ft at 75 °C, 6.39 ohm at 20 °C",
)
AWG = Source("ASTM B258", "2018", "", "remembered", "", "AWG 36 is 0.005 in, 39 steps to 0000 in a ratio of 92")
CONVERSIONS = Source(
    "NIST SP 811",
    "2008",
    "appendix B",
    "remembered",
    "",
    "foot 0.3048 m; 3.412 Btu/h a watt; a ton of cooling 12 000 Btu/h, 3517 W",
)
DRY_AIR = Source("handbooks of air", "", "", "remembered", "", "1.2 kg/m3 and 1005 J/kg/K at 20 °C")
WINDINGS = Source(
    "trade training page on single-phase compressors",
    "",
    "winding ohms",
    "read",
    _LOOKED,
    "R-S is C-R plus C-S, C-S about 3 to 5 times C-R; C-R and C-S open with R-S whole is the internal protector",
    "data sheet",
)
CAPACITOR_BLEED = Source(
    "service manual of an outdoor unit",
    "",
    "capacitor",
    "read",
    _LOOKED,
    "20 kohm, 2 W across the terminals, never a screwdriver; up to about 400 V at the start terminal",
    "data sheet",
)
CAPACITOR_RESIDUE = Source(
    "NFPA 70 (NEC)", "2023", "460.6", "quoted", _LOOKED, "50 V or less within a minute of switching off"
)
ISOLATION = Source(
    "29 CFR 1910.333",
    "as amended 1994",
    "(b)(2)",
    "quoted",
    _LOOKED,
    "push buttons, selectors and interlocks are no means of isolation; stored energy is released; the tester is proved"
    " before and after. Read in WAC 296-24-975, the state text that runs parallel",
)
METER_CATEGORY = Source("IEC 61010-2-033", "2019", "", "remembered", "", "CAT III for what is wired into a building")
COIL_BURDEN = Source(
    "catalogues of 24 V definite-purpose contactors, 25 to 40 A",
    "",
    "coil burden",
    "remembered",
    "",
    "one pole 20 to 35 VA inrush and 4 to 6 VA sealed, two poles 30 to 65 and 5 to 10 VA",
    "data sheet",
)
DETECTORS = Source(
    "UL 60335-2-40",
    "2019",
    "",
    "remembered",
    "",
    "refrigerant detectors with mildly flammable refrigerants above a charge",
)
CAPACITOR_LAW = Source("circuit theory", "", "", "read", _LOOKED, "I = 2 pi f C V")
LOAD_SIZING = Source(
    "ACCA Manual J and Manual S", "", "", "remembered", "", "the load of the house, and equipment that fits it"
)

# ---------------------------------------------------------------- refrigerant side and weather

COMPRESSOR_MAP = Source(
    "AHRI 540",
    "2004",
    "",
    "quoted",
    _LOOKED,
    "power and flow as polynomials of ten coefficients in suction and discharge dew point",
)
RATING_A = Source("AHRI 210/240", "2023", "test A", "remembered", "", "95 °F outdoors, 80/67 °F indoors")
CHARGE_TEST = Source(
    "California Building Energy Efficiency Standards, Residential Appendices",
    "2008",
    "RA3.2.2",
    "read",
    _LOOKED,
    "superheat with a fixed orifice within 5 °F of the target for the weather, subcooling with a valve within 3 °F of"
    " the plate's; a target under 5 °F allows no test",
)
WET_BULB = Source(
    "Stull, Journal of Applied Meteorology and Climatology",
    "2011",
    "",
    "remembered",
    "",
    "wet bulb from dry bulb and relative humidity; indoors it rises 0.86 degrees a degree at 51 %",
)
FROST = Source(
    "handbooks of heat pumps", "", "", "remembered", "", "outdoor coils frost below about 5 to 7 °C outdoors"
)
LOAD_CONTROL = Source(
    "load-control programmes of utilities", "", "", "remembered", "", "half an hour at a time is usual"
)
HEAT_INDEX = Source(
    "National Weather Service", "", "heat index categories", "remembered", "", "80, 90 and 103 °F (26.7, 32.2, 39.4 °C)"
)

# ---------------------------------------------------------------- alarms, statistics, secrets

ALARM_WINDOW = Source(
    "ANSI/ISA-18.2; EEMUA 191",
    "2009; 3rd edition",
    "",
    "remembered",
    "",
    "rates are counted in 10 min; a flood ends under 5",
)
ALARM_LOAD = Source(
    "ANSI/ISA-18.2",
    "2009",
    "",
    "quoted",
    _LOOKED,
    "about 150 a day is what one person can handle; the 2016 edition has dropped it",
)
ALARM_DAYS = Source("ANSI/ISA-18.2", "2009", "", "quoted", _LOOKED, "figures are made from at least 30 days")
ALARM_FLOOD = Source("ANSI/ISA-18.2; EEMUA 191", "2009", "", "remembered", "", "time in flood under 1 %")
EWMA = Source(
    "NIST/SEMATECH e-Handbook of Statistical Methods",
    "2012",
    "6.3.2.4",
    "remembered",
    "",
    "a weight of 0.2 to 0.3 is usual",
)
PASSWORD_LENGTH = Source(
    "NIST SP 800-63B",
    "revision 4",
    "3.1.1.2",
    "remembered",
    "",
    "15 characters at least where the password is the only factor, 8 beside another; length, not composition",
)
ARGON2 = Source("OWASP password storage", "2023", "Argon2id", "remembered", "", "19 MiB, 2 passes, 1 lane")

# ---------------------------------------------------------------- measuring

CONVERTER_RATE = Source(
    "ADS1115 data sheet",
    "SBAS444D, 2018",
    "output data rate",
    "read",
    _LOOKED,
    "860 a second is the fastest, within 10 %",
    "data sheet",
)
CONVERTER_NOISE = Source(
    "ADS1115 data sheet",
    "SBAS444D, 2018",
    "noise tables",
    "remembered",
    "",
    "about one code RMS at 860 a second",
    "data sheet",
)
CONVERTER_INPUT = Source(
    "ADS1115 data sheet",
    "SBAS444D, 2018",
    "electrical characteristics",
    "remembered",
    "",
    "0.3 V beyond the rails at most; 0.15 % gain error at 25 °C; input resistance by range; 10 pF",
    "data sheet",
)
CT_CLASS = Source(
    "IEC 61869-2",
    "2012",
    "5.6.201.3",
    "quoted",
    _LOOKED,
    "class 1: ratio error 3, 1.5, 1 and 1 %, phase 180, 90, 60 and 60 min at 5, 20, 100 and 120 % of rated current",
)
THERMISTOR = Source(
    "manual of a temperature probe, 10 kohm curve",
    "",
    "table C-1",
    "read",
    _LOOKED,
    "55 304 ohm at -10 °C, 32 651 ohm at 0 °C, 10 kohm at 25 °C",
    "data sheet",
)
ONE_WIRE_PROBE = Source(
    "data sheet of the DS18B20",
    "",
    "electrical characteristics and table 1",
    "remembered",
    "",
    "-55 to 125 °C in steps of 0.0625 K, within 0.5 K from -10 to 85 °C and within 2 K beyond",
    "data sheet",
)
POUND = Source(
    "agreement on the international yard and pound",
    "1959",
    "",
    "remembered",
    "",
    "a pound is 0.45359237 kg",
)
REFRIGERANT_GAS = Source(
    "property tables of R-410A",
    "",
    "superheated vapour",
    "remembered",
    "",
    "about 1.0 kJ/kg/K a little over 7 °C at that saturation, about 1.3 kJ/kg/K from 46 to 90 °C",
    "data sheet",
)
COVERAGE = Source(
    "GUM (JCGM 100)",
    "2008",
    "6.2.1 and 6.3",
    "remembered",
    "",
    "an expanded uncertainty is the standard one times a factor, usually 2 to 3",
)

PI_HEADER = Source(
    "sheets of the Raspberry Pi",
    "",
    "",
    "remembered",
    "",
    "3.3 V on the header, 1.8 kohm pull-ups on its bus, up to 50 °C about it",
    "data sheet",
)
PI_PINS = Source(
    "sheets of the Pi's processor",
    "BCM2835 to BCM2712",
    "pads",
    "remembered",
    "",
    "low to 0.8 V, high from 2.0 V, pull-up 50 kohm within a third",
    "data sheet",
)
OPTOCOUPLER = Source(
    "sheets of optocouplers with two LEDs",
    "",
    "",
    "remembered",
    "",
    "ranked 50 % to 150 % at 1 mA, 80 % of it left at 70 °C; 1.1 V across the LED",
    "data sheet",
)
VOLTAGE_TRANSFORMER = Source(
    "sheets of 2 mA : 2 mA voltage transformers",
    "",
    "",
    "remembered",
    "",
    "windings of some 110 ohm each, ratio within 0.5 %, a lead of 1.5 degrees at most",
    "data sheet",
)
DIODES = Source(
    "sheets of small silicon diodes",
    "",
    "",
    "remembered",
    "",
    "two in series carry about 1 % of a CT's current at 1.1 V peak",
    "data sheet",
)

FUSES = Source(
    "sheets of small fuses",
    "",
    "",
    "remembered",
    "",
    "250 mA time-lag: some 2 ohm cold; 500 mA fast, 10 x 38 mm: melts from 0.05 A2s",
    "data sheet",
)
SUPPRESSORS = Source(
    "sheets of zener diodes and transient suppressors",
    "",
    "",
    "remembered",
    "",
    "48 V stand-off: 53 to 59 V at 1 mA, 77 V at its rated pulse; a 15 V zener drifts 0.075 %/K",
    "data sheet",
)
HIGH_VOLTAGE_RESISTORS = Source(
    "sheets of metal glaze high-voltage resistors",
    "",
    "",
    "remembered",
    "",
    "1 W: 1.6 kV working and more, pulses of 2.5 kV (1.2/50 us) again and again",
    "data sheet",
)

# ---------------------------------------------------------------- insulation

VT_CLASS = Source(
    "IEC 61869-3",
    "2011",
    "",
    "remembered",
    "",
    "a measuring voltage transformer keeps its class from 80 % to 120 % of its volts",
)
MODULE_INPUTS = Source(
    "IEC 61131-2",
    "2017",
    "digital inputs, type 1",
    "remembered",
    "",
    "230 V AC: state 0 up to 40 V, state 1 from 164 V to 1.1 of rated; 24 V AC: 5 V and 14 V",
)
OPTO_INSULATION = Source(
    "IEC 60747-5-5", "2020", "", "remembered", "", "reinforced: surge of 10 kV (1.2/50 us) at the least"
)

TEMPORARY = Source(
    "IEC 60664-1",
    "2007",
    "temporary overvoltages",
    "remembered",
    "",
    "nominal and 1200 V for up to 5 s; twice that over reinforced insulation",
)
IMPULSE = Source(
    "IEC 60664-1",
    "2007",
    "table F.1",
    "remembered",
    "",
    "up to 300 V to neutral: 2.5 kV in overvoltage category II, 4 kV in III; up to 150 V: 1.5 and 2.5 kV",
)
CLEARANCE = Source(
    "IEC 60664-1",
    "2007",
    "table F.2",
    "remembered",
    "",
    "pollution degree 3: 0.8 mm to 1.5 kV, 1.5 mm at 2.5 kV, 3 mm at 4 kV, 5.5 mm at 6 kV",
)
CREEPAGE = Source(
    "IEC 60664-1",
    "2007",
    "table F.4",
    "remembered",
    "",
    "material group III, 250 V: 2.5 mm in pollution degree 2, 4 mm in degree 3; doubled for reinforced insulation",
)


# The test that holds the program to a row: file and function under `tests`. A page shows it beside the row.
_SAID = "test_sources.py::test_each_number_from_elsewhere_is_what_its_document_says"
_CLASSES = "test_sources.py::test_classes_of_heat_and_of_contactors_are_the_documents"
HELD_BY: dict[str, str] = {
    "SERVICE_RANGE_B": _SAID,
    "SERVICE_NOMINAL": _SAID,
    "ALARM_LOAD": _SAID,
    "ARGON2": _SAID,
    "CONVERTER_NOISE": _SAID,
    "CONVERTER_RATE": _SAID,
    "CONTACT_LIFE": _SAID,
    "LOAD_CONTROL": _SAID,
    "FROST": _SAID,
    "HEAT_INDEX": _CLASSES,
    "CONTACT_LOCKED_ROTOR": _CLASSES,
    "CONTACTOR_CLOSING": "conformance/test_checks_published.py::"
    "test_closing_voltage_is_that_of_the_standard_and_of_a_component_sheet",
    "CONTACTOR_DROP_OUT": "conformance/test_world_handbook.py::test_pull_in_and_drop_out_lie_where_sheets_have_them",
    "CLASS_2_VOLTS": "hardware/circuits/test_safety_numbers.py::"
    "test_nothing_over_thirty_volts_counts_as_a_class_2_circuit",
    "BLADE_FUSE": "sim/test_control.py::test_blade_fuse_opens_as_its_table_says",
    "COPPER": "conformance/test_checks_published.py::test_copper_correction_follows_iec_60028",
    "WIRE_TABLE": "conformance/test_world_published.py::test_wire_against_the_handbook_table",
    "AWG": "conformance/test_world_published.py::test_two_gauges_are_a_ratio_of_the_standard",
    "COMPRESSOR_VOLTS": "conformance/test_checks_published.py::test_line_limits_are_the_compressor_sheets",
    "CAPACITOR_BAND": "conformance/test_checks_published.py::test_a_capacitor_is_good_within_six_per_cent",
    "CAPACITOR_BLEED": "conformance/test_checks_published.py::test_five_seconds_through_20_kohm_leave_less_than_50_v",
    "CAPACITOR_RESIDUE": "hardware/circuits/test_safety_numbers.py::"
    "test_the_bleed_of_the_cautions_leaves_less_than_fifty_volts",
    "WINDINGS": "conformance/test_checks_published.py::test_whole_windings_add_up",
    "SCROLL_GUIDE_CYCLES": "monitor/test_patterns.py::"
    "test_each_of_the_three_patterns_of_short_cycling_is_counted_as_promised",
    "SCROLL_MANUAL_STARTS": "conformance/test_world_handbook.py::"
    "test_a_sound_unit_keeps_within_the_makers_start_limits",
    "PROTECTOR_RESET": "conformance/test_world_handbook.py::test_a_stalled_compressor_is_taken_off_by_its_protector",
    "COIL_BURDEN": "conformance/test_world_handbook.py::test_coil_burden_is_that_of_catalogues",
    "COMPRESSOR_MAP": "conformance/test_world_published.py::test_compressor_map_gives_its_published_outputs",
    "RATING_A": "conformance/test_world_handbook.py::test_capacity_at_the_rating_point_is_the_nameplate_s",
    "CHARGE_TEST": "conformance/test_refrigeration_tables.py::"
    "test_a_typed_target_is_judged_within_the_standards_tolerance",
    "WET_BULB": "conformance/test_refrigeration_tables.py::test_the_wet_bulb_of_the_rating_is_the_ratings",
    "ALARM_WINDOW": "conformance/test_alarm_figures.py::test_a_flood_ends_below_five_alarms_in_ten_minutes",
    "ALARM_DAYS": "monitor/test_alerts_metrics.py::test_thirty_days_are_kept_over_restarts_and_no_more",
    "ALARM_FLOOD": "monitor/test_alerts_metrics.py::test_time_in_flood_is_the_share_of_the_time_watched",
    "EWMA": "conformance/test_drift_handbook.py::test_ewma_of_the_nist_handbook",
    "THERMISTOR": "conformance/test_thermistor_published.py::test_probe_manual",
    "PASSWORD_LENGTH": "fleet/test_people.py::test_a_password_too_short_or_holding_the_login_is_refused",
    "CT_CLASS": "hardware/test_uncertainty.py::test_class_1_limits",
    "TEMPORARY": "hardware/circuits/test_assembly.py::test_high_voltage_tests_are_the_temporary_overvoltage",
    "IMPULSE": "hardware/circuits/test_safety_numbers.py::test_clearance_of_the_line_board_is_that_of_the_standard",
    "CLEARANCE": "hardware/circuits/test_safety_numbers.py::test_clearance_of_the_line_board_is_that_of_the_standard",
    "CREEPAGE": "hardware/circuits/test_safety_numbers.py::test_creepage_of_the_line_board_is_that_of_the_standard",
}


def sources() -> Iterator[tuple[str, Source]]:
    """Yield every row with its name, in the order above."""
    yield from ((name, row) for name, row in globals().items() if isinstance(row, Source))
