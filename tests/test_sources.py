"""The ledger of sources (monitor/sources.py): no number from elsewhere without a row, no row without a use."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from condenser_monitor.monitor import limits, sources
from condenser_monitor.monitor.limits import BASES, Limit

TOP = Path(__file__).parents[1]
CITED = ("standard", "data sheet", "from memory")
ROWS = dict(sources.sources())


@cache
def modules() -> dict[Path, str]:
    """Return path -> text of the program's modules."""
    paths = (path for part in ("monitor", "hardware", "web", "sim") for path in sorted((TOP / part).rglob("*.py")))
    return {path: path.read_text(encoding="utf-8") for path in paths}


def every_limit() -> list[Limit]:
    """Return the numbers as they stand now, those of groups among them."""
    grouped = (limit for group in limits.limit_groups() for limit in group.rows().values())
    return [*limits.single_limits().values(), *grouped]


def cited_limits() -> list[Limit]:
    """Return those from elsewhere."""
    return [limit for limit in every_limit() if limit.basis in CITED]


@pytest.mark.parametrize("path", [TOP / "monitor/limits.py", TOP / "sim/constants.py"], ids=lambda path: path.stem)
def test_each_number_is_given_once(path: Path) -> None:
    """A name that is given a second number loses its first without a word."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for body in (tree.body, *(node.body for node in tree.body if isinstance(node, ast.ClassDef))):
        names = [ast.unparse(node.targets[0]) for node in body if isinstance(node, ast.Assign)]
        assert len(names) == len(set(names)), sorted({name for name in names if names.count(name) > 1})


def test_no_basis_from_elsewhere_is_written_by_hand() -> None:
    """Outside the ledger no call is given "standard", "data sheet" or "from memory": rows hand them on."""
    by_hand = [
        f"{path.relative_to(TOP)}:{node.lineno}"
        for path, text in modules().items()
        if path.name != "sources.py"
        for call in ast.walk(ast.parse(text))
        if isinstance(call, ast.Call)
        for node in (*call.args, *(word.value for word in call.keywords))
        if isinstance(node, ast.Constant) and node.value in CITED
    ]
    assert not by_hand


@pytest.mark.parametrize("limit", cited_limits(), ids=lambda limit: f"{limit.group}.{limit.key}")
def test_every_limit_from_elsewhere_names_a_row(limit: Limit) -> None:
    """Its words begin with document and place, and its basis is the row's."""
    row = next(row for row in ROWS.values() if limit.source.startswith(row.cite))
    assert limit.basis == row.basis


# What the document says, worked out from its own units: whoever moves such a number moves it here too, with the clause.
SAID: dict[str, float] = {
    "CLOSING_RATIO": 0.85,  # IEC 60947-4-1, 8.2.1.2: closes from 85 % of rated control voltage
    "CONTROL_HIGH_V": 30.0,  # UL 5085-3: class 2, at most 30 V RMS
    "LINE_NOMINAL_V": 2 * 120.0,  # ANSI C84.1, table 1
    "COPPER_PER_K": 0.00393,  # IEC 60028
    "COPPER_AT_C": 20.0,
    "ADC_RATE_HZ": 860.0,  # SBAS444D
    "METER.superheat_apart": 5 / 1.8,  # RA3.2.2: 5 °F
    "METER.subcooling_apart": 3 / 1.8,  # and 3 °F
    "METER.capacitor_over": 1 + 0.06,  # 6 % either way
    "METER.capacitor_good": 1 - 0.06,
    "METER.line_low": 197.0,  # the bulletin's words
    "METER.line_high": 253.0,
    "METER.winding_ratio_most": 5.0,
    "ALARMS.window_s": 10 * 60.0,  # EEMUA 191, ISA-18.2: counted in 10 min, a flood ends under 5
    "ALARMS.flood_until": 5,
    "ALARMS.days": 30,
    "ALARMS.per_day": 150,
    "ALARMS.flood_share": 0.01,
    "BASELINES.ewma_weight": 0.2,  # e-Handbook 6.3.2.4: 0.2 to 0.3
    "BASELINES.contact_life": 200_000,
    "FLEET.password_least": 15,  # SP 800-63B-4, 3.1.1.2: a single factor
    "FLEET.argon2_kib": 19 * 1024,  # 19 MiB, 2 passes
    "FLEET.argon2_passes": 2,
    "PERFORMANCE.suction_warm_from_c": (95 - 32) / 1.8,  # test A: 95 °F
    "CALIBRATION.noise_codes": 1.0,
    "low-line-voltage.ratio": 110 / 120,  # C84.1, range B, service
    "high-line-voltage.ratio": 127 / 120,
    "short-cycling.off_s": 3 * 60,
    "short-cycling.run_s": 2 * 60,
    "short-cycling.starts": 10,
}
# With a margin of ours on it: what the document says, and how far beyond we go at the most.
BEYOND: dict[str, tuple[float, float]] = {
    "OVERLOAD_MOST_S": (2 * 3600.0, 3 * 3600.0),  # a protector closes within two hours
    "STALL_S": (2.0, 10.0),  # with the rotor locked it opens in 2 to 10 s
    "HABITS.shed_most_s": (1800.0, 2 * 3600.0),  # half an hour at a time is usual
    "HABITS.frost_c": (7.0, 15.0),  # outdoor coils frost below 5 to 7 °C
}


def _named() -> dict[str, Limit]:
    single = {name: limit for name, limit in limits.single_limits().items() if limit.basis in CITED}
    return single | {f"{limit.group}.{limit.key}": limit for limit in cited_limits() if limit.group}


def test_each_number_from_elsewhere_is_what_its_document_says() -> None:
    """To the two or three digits that are written down; each is in one of the two tables."""
    named = _named()
    assert named.keys() == SAID.keys() | BEYOND.keys()
    assert {name: named[name].value for name in SAID} == pytest.approx(SAID, rel=0.025)
    for name, (said, most) in BEYOND.items():
        assert said < named[name].value <= most, name


def test_classes_of_heat_and_of_contactors_are_the_documents() -> None:
    """Heat index: caution from 80 °F, extreme caution from 90, danger from 103 (National Weather Service). A
    definite-purpose contactor makes and breaks six times its full load (catalogue: 30 A, 180 A; 40 A, 240 A)."""
    assert [limit.value for limit in limits.FLEET_HEAT_C[1:]] == pytest.approx(
        [(f - 32) / 1.8 for f in (80, 90, 103)], abs=0.1
    )
    assert all(limit.value == 6 * amps for amps, limit in limits.CONTACTOR_LRA_A.items())


@pytest.mark.parametrize("name", ROWS)
def test_every_row_is_used_and_whole(name: str) -> None:
    """Some module names it; what was read has a date, what is remembered has none."""
    row = ROWS[name]
    used = [path for path, text in modules().items() if re.search(rf"\bsources\.{name}\b", text)]
    assert used, "no number stands on it: remove the row"
    assert row.document
    assert row.says
    assert row.basis in BASES
    assert bool(row.checked) == (row.access != "remembered")


NUMBERED = re.compile(r"\b(IEC|ISO|UL|SAE|ASTM|AHRI|ANSI|ASHRAE|NIST|CFR|IEEE|NFPA)\b.*\d")


@pytest.mark.parametrize("name", [name for name, row in ROWS.items() if NUMBERED.search(row.document)])
def test_every_numbered_document_names_its_edition(name: str) -> None:
    """Clauses move between editions: a number without one sends the reader to the wrong page."""
    assert ROWS[name].edition


@pytest.mark.parametrize("name", sources.HELD_BY)
def test_a_row_that_names_its_test_names_one_that_is_there(name: str) -> None:
    """A function of that file; and the numbers of a person's safety all have one."""
    file, _, function = sources.HELD_BY[name].partition("::")
    assert name in ROWS
    assert re.search(rf"^def {function}\(", (TOP / "tests" / file).read_text(encoding="utf-8"), re.MULTILINE)
    assert {"CREEPAGE", "CLEARANCE", "IMPULSE", "CLASS_2_VOLTS", "CAPACITOR_RESIDUE"} <= sources.HELD_BY.keys()
