"""Customers, premises and tenancies as tables of their own; what the columns of `sites` said of them is taken over."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")
_ROWS = 2000  # at a time
_GONE = (
    *("customer", "address", "phone", "vulnerability", "vulnerability_note", "plan", "premises", "tenant_since"),
    "away_until",
)


def upgrade() -> None:
    op.create_table(
        "customers",
        sa.Column("id", KEY, nullable=False),
        sa.Column("number", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), server_default="", nullable=False),
        sa.Column("phone", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customers")),
        sa.UniqueConstraint("number", name=op.f("uq_customers_number")),
    )
    op.create_index(op.f("ix_customers_name"), "customers", ["name"])
    op.create_table(
        "premises",
        sa.Column("id", KEY, nullable=False),
        sa.Column("name", sa.Text(), server_default="", nullable=False),
        sa.Column("address", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_premises")),
    )
    op.create_index(op.f("ix_premises_name"), "premises", ["name"])
    op.create_table(
        "tenancies",
        sa.Column("id", KEY, nullable=False),
        sa.Column("site_id", KEY, nullable=False),
        sa.Column("customer_id", KEY, nullable=False),
        sa.Column("plan", sa.Text(), server_default="", nullable=False),
        sa.Column("vulnerability", sa.Integer(), server_default="0", nullable=False),
        sa.Column("vulnerability_note", sa.Text(), server_default="", nullable=False),
        sa.Column("away_until", sa.Text(), nullable=True),
        sa.Column("from_at", sa.Double(), nullable=False),
        sa.Column("to_at", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_tenancies_site_id")),
        sa.ForeignKeyConstraint(["customer_id"], ["customers.id"], name=op.f("fk_tenancies_customer_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tenancies")),
    )
    op.create_index(op.f("ix_tenancies_site_id"), "tenancies", ["site_id"])
    op.create_index(op.f("ix_tenancies_customer_id"), "tenancies", ["customer_id"])
    open_ = sa.text("to_at IS NULL")
    op.create_index(
        "ix_tenancies_open", "tenancies", ["site_id"], unique=True, sqlite_where=open_, postgresql_where=open_
    )
    # Written out, because SQLite adds a column with its reference in one command only.
    kind = "BIGINT" if op.get_bind().dialect.name == "postgresql" else "INTEGER"
    op.execute(f"ALTER TABLE sites ADD COLUMN premises_id {kind} CONSTRAINT fk_sites_premises_id REFERENCES premises")
    op.create_index(op.f("ix_sites_premises_id"), "sites", ["premises_id"])
    _take_over(op.get_bind())
    op.drop_table("former_tenants")
    op.drop_index(op.f("ix_sites_premises"), "sites")
    for name in _GONE:
        op.drop_column("sites", name)


def _take_over(connection: sa.Connection) -> None:
    """Sites of the same premises were one house, if no address says otherwise; the same name and telephone number were
    one customer."""
    sites = sa.table("sites", *map(sa.column, ("id", "enrolled_at", "premises_id", *_GONE)))
    rows = connection.execute(sa.select(sites).order_by(sites.c.id)).mappings().all()
    former = connection.execute(sa.text("SELECT * FROM former_tenants ORDER BY id")).mappings().all()
    people: dict[Any, dict[str, Any]] = {}
    houses: dict[Any, dict[str, Any]] = {}

    def customer(name: str, phone: str, nobody: Any) -> int:
        known = people.setdefault((name, phone) if name else nobody, {"name": name, "phone": phone})
        return int(known.setdefault("id", len(people)))

    lived = [
        {"site_id": row["site_id"], "customer_id": customer(row["customer"], row["phone"], ("former", row["id"]))}
        | {name: row[name] for name in ("id", "plan", "from_at", "to_at")}
        | {"vulnerability": 0, "vulnerability_note": "", "away_until": None}
        for row in former
    ]
    highest = max((row["id"] for row in former), default=0)  # the numbers of former tenants stay
    homes, named = list[dict[str, int]](), dict[str, str]()
    for row in rows:
        if row["address"]:
            named.setdefault(row["premises"], row["address"])
    for number, row in enumerate(rows, highest + 1):
        address = row["address"] or (named.get(row["premises"], "") if row["premises"] else "")
        house = (row["premises"], address) if row["premises"] else row["id"]
        known = houses.setdefault(house, {"name": row["premises"], "address": address})
        homes.append({"site": row["id"], "home": known.setdefault("id", len(houses))})
        about = {name: row[name] for name in ("plan", "vulnerability", "vulnerability_note", "away_until")}
        since = row["enrolled_at"] if row["tenant_since"] is None else row["tenant_since"]
        whose = customer(row["customer"], row["phone"], ("site", row["id"]))
        about |= {"id": number, "site_id": row["id"], "customer_id": whose, "from_at": since, "to_at": None}
        lived.append(about)
    _insert(connection, "customers", list(people.values()))
    _insert(connection, "premises", list(houses.values()))
    _insert(connection, "tenancies", lived)
    change = sa.update(sites).where(sites.c.id == sa.bindparam("site")).values(premises_id=sa.bindparam("home"))
    for first in range(0, len(homes), _ROWS):
        connection.execute(change, homes[first : first + _ROWS])


def _insert(connection: sa.Connection, name: str, rows: list[dict[str, Any]]) -> None:
    table = sa.table(name, *map(sa.column, rows[0] if rows else ("id",)))
    for first in range(0, len(rows), _ROWS):
        connection.execute(sa.insert(table), rows[first : first + _ROWS])
    if rows and connection.dialect.name == "postgresql":  # the next number given out is above these
        highest = sa.select(sa.func.max(table.c.id)).scalar_subquery()
        connection.execute(sa.select(sa.func.setval(sa.func.pg_get_serial_sequence(name, "id"), highest)))
