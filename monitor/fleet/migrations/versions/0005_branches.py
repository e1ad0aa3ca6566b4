"""Branches of one company, several units on one premises, tenants that change."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    for table in ("sites", "users", "api_tokens", "webhooks"):
        op.add_column(table, sa.Column("branch", sa.Text(), server_default="", nullable=False))
    op.add_column("sites", sa.Column("premises", sa.Text(), server_default="", nullable=False))
    op.add_column("sites", sa.Column("tenant_since", sa.Double(), nullable=True))
    op.create_index(op.f("ix_sites_premises"), "sites", ["premises"])
    op.create_table(
        "former_tenants",
        sa.Column("id", KEY, nullable=False),
        sa.Column("site_id", KEY, nullable=False),
        sa.Column("customer", sa.Text(), nullable=False),
        sa.Column("phone", sa.Text(), nullable=False),
        sa.Column("plan", sa.Text(), nullable=False),
        sa.Column("from_at", sa.Double(), nullable=False),
        sa.Column("to_at", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_former_tenants_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_former_tenants")),
    )
    op.create_index(op.f("ix_former_tenants_site_id"), "former_tenants", ["site_id"])
