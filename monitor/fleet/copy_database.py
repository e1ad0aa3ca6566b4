"""From one database of the fleet to another, such as from SQLite to PostgreSQL when the plan has grown: everything,
in one transaction, into a database that is empty.
"""

from __future__ import annotations

import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet.retention import Month, ensure_months
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import MONTHLY, metadata

_ROWS = 2000  # at a time


def copy(source: Store, target: Store) -> dict[str, int]:
    """Copy all tables; rows by table. Nothing may write to either meanwhile.

    Raises CommandError when the target holds something, DatabaseError when one of them fails; nothing is copied then.
    """
    _prepare(source, target)
    with source.read() as old, target.write() as new:
        return {table.name: _table(old, new, table) for table in metadata.sorted_tables}


def _prepare(source: Store, target: Store) -> None:
    source.check()
    target.check()
    with target.read() as connection:
        for table in metadata.sorted_tables:
            if connection.execute(sa.select(sa.literal(1)).select_from(table).limit(1)).first() is not None:
                raise CommandError(target.place, f"rows in {table.name}", "an empty database")
    with source.read() as connection:
        for name in MONTHLY:
            at = metadata.tables[name].c.at
            first, last = connection.execute(sa.select(sa.func.min(at), sa.func.max(at))).one()
            if first is not None:
                ensure_months(target, _months(first, last))


def _months(first: float, last: float) -> list[Month]:
    months = [Month.of(first)]
    while months[-1] < Month.of(last):
        months.append(months[-1].next)
    return months


def _table(old: sa.Connection, new: sa.Connection, table: sa.Table) -> int:
    count = 0
    rows = old.execution_options(yield_per=_ROWS).execute(sa.select(table)).mappings()
    for part in rows.partitions():
        new.execute(sa.insert(table), [dict(row) for row in part])
        count += len(part)
    key = table.c.get("id")
    if new.dialect.name == "postgresql" and key is not None and isinstance(key.type, sa.BigInteger) and count:
        # The numbers came along; the next one given out must be above them.
        highest = sa.select(sa.func.max(key)).scalar_subquery()
        new.execute(sa.select(sa.func.setval(sa.func.pg_get_serial_sequence(table.name, "id"), highest)))
    return count
