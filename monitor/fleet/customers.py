"""A list of customers as CSV: the contractor's own list becomes sites, and later lists change what is known of them;
and the same list out again.

A header row names the columns: `site` and any of COLUMNS. Nothing is changed before the whole list has been found good.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import ID_PATTERN, Unit
from condenser_monitor.monitor.core.errors import CommandError, SiteError
from condenser_monitor.monitor.fleet import enroll, tenants, triage, visits
from condenser_monitor.monitor.fleet.csv_cells import csv_line, unmarked
from condenser_monitor.monitor.fleet.people import Viewer, checked_branch, note, visible
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import ABOUT, HOUSED, sites

COLUMNS = (
    *("name", "customer", "customer_number", "address", "phone", "plan", "plan_visit_due"),
    *("vulnerability", "vulnerability_note", "branch", "premises", "away_until"),
)
# The unit's nameplate, under the names of the site file's [unit].
NAMEPLATE = ("compressor_rla_a", "compressor_lra_a", "fan_fla_a", "contactor_poles", "line_v", "run_capacitor_uf")
TEXT_MOST = 500


def checked(about: dict[str, Any], place: str = "site") -> dict[str, Any]:
    """What is known of a site, fit for the columns of `sites`; empty ones left out. Raises CommandError."""
    kept = {key: value for key, value in about.items() if value not in (None, "")}
    for key, value in kept.items():
        if isinstance(value, str) and (len(value) > TEXT_MOST or "\x00" in value):
            raise CommandError(f"{place}: {key}", f"{len(value)} characters", f"at most {TEXT_MOST}, none of them NUL")
    for key in kept.keys() & {"plan_visit_due", "away_until"}:
        try:
            kept[key] = visits.day(kept[key])
        except CommandError as error:
            raise CommandError(f"{place}: {key}", error.given, error.allowed) from None
    if "branch" in kept:
        kept["branch"] = checked_branch(kept["branch"])
    if "vulnerability" in kept:
        kept["vulnerability"] = _level(kept["vulnerability"], place)
    return kept


def _level(given: object, place: str) -> int:
    levels = {str(level): level for level in triage.VULNERABILITY}
    if str(given) not in levels:
        raise CommandError(f"{place}: vulnerability", given, ", ".join(levels))
    return levels[str(given)]


def read(path: Path, names: Mapping[str, str] | None = None) -> dict[str, dict[str, Any]]:
    """A list by site; `names` gives our column for one of the list's own. Raises CommandError naming the line."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            reader.fieldnames = [(names or {}).get(name, name) for name in reader.fieldnames or []]
            return _rows(reader, str(path))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise CommandError(str(path), str(error), "a readable CSV file in UTF-8") from None


def _rows(reader: csv.DictReader[str], place: str) -> dict[str, dict[str, Any]]:
    header = reader.fieldnames or []
    if "site" not in header or not set(header) <= {"site", *COLUMNS, *NAMEPLATE} or len(set(header)) < len(header):
        allowed = f"site and any of {', '.join((*COLUMNS, *NAMEPLATE))}, each once; `--column OURS=THEIRS` maps others"
        raise CommandError(f"{place}: header", ", ".join(header), allowed)
    rows: dict[str, dict[str, Any]] = {}
    for row in reader:
        line = f"{place}, line {reader.line_num}"
        if None in row or None in row.values():
            raise CommandError(line, "another number of cells than the header", f"{len(header)} cells")
        site = row.pop("site").strip()
        if not ID_PATTERN.fullmatch(site) or site in rows:
            raise CommandError(line, site, "1 to 64 letters, digits and inner hyphens, each site once")
        about = {key: unmarked(value.strip()) for key, value in row.items()}
        unit = _nameplate({key: about.pop(key) for key in NAMEPLATE if key in about}, line)
        rows[site] = checked(about, line) | ({"unit": unit} if unit else {})
    return rows


def _nameplate(given: Mapping[str, str], line: str) -> dict[str, Any]:
    """The nameplate of a line, as far as it is there: numbers, checked as a site file's."""
    kept = {key: value for key, value in given.items() if value}
    if not kept:
        return {}
    try:
        unit = msgspec.convert(kept, Unit, strict=False)
        config.parse(
            "[unit]\n" + "\n".join(f"{key} = {msgspec.json.encode(getattr(unit, key)).decode()}" for key in kept)
        )
    except (msgspec.ValidationError, SiteError) as error:
        raise CommandError(f"{line}: nameplate", ", ".join(f"{k} {v}" for k, v in kept.items()), str(error)) from None
    return {key: getattr(unit, key) for key in kept}


def enroll_rows(
    store: Store, rows: dict[str, dict[str, Any]], *, broker: Broker, by: str, now: float
) -> tuple[list[enroll.Enrolment], int]:
    """Enrol the sites that are not yet, change what is known of the others; the enrolments, and how many changed."""
    with store.read() as connection:
        have = set(connection.scalars(sa.select(sites.c.site)))
    changed = _change(store, ((site, about) for site, about in rows.items() if site in have and about), by, now)
    new = [(site, about) for site, about in rows.items() if site not in have]
    return [enroll.enroll(store, site, broker=broker, by=by, now=now, **about) for site, about in new], changed


def _change(store: Store, rows: Iterable[tuple[str, dict[str, Any]]], by: str, now: float) -> int:
    count = 0
    with store.write() as connection:
        for site, about in rows:
            if tenants.edit(connection, tenants.WHOLE, site, about):
                note(connection, now, by, "changed", site, **{k: v for k, v in about.items() if k != "unit"})
                count += 1
    return count


def lines(store: Store, names: Mapping[str, str] | None = None, viewer: Viewer = tenants.WHOLE) -> Iterator[str]:
    """Yield the list of the sites in force as `read` takes it, a header first, as far as the viewer may see them;
    `names` gives the list's own name for a column of ours. Raises CommandError for a name that is none of ours."""
    columns = ("site", *COLUMNS, *NAMEPLATE)
    names = names or {}
    if not set(names) <= set(columns):
        raise CommandError("--column", ", ".join(sorted(set(names) - set(columns))), ", ".join(columns))
    yield csv_line(names.get(name, name) for name in columns)
    query = sa.select(*ABOUT.values()).select_from(HOUSED).where(sites.c.revoked_at.is_(None), visible(viewer))
    with store.read() as connection:
        for row in connection.execute(query.order_by(sites.c.site)):
            known = {**(row.unit or {}), **row._mapping}
            cells = (known.get(name) for name in columns)
            yield csv_line("" if cell is None else cell for cell in cells)
