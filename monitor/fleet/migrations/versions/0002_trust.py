"""Order by sequence, how far ingest lags, tokens for programs, notices to whoever is on call."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    for name in ("unit_rank", "unit_received_at", "clock_off_s"):
        op.add_column("state", sa.Column(name, sa.Double(), nullable=True))
    op.add_column("slots", sa.Column("caught_up_at", sa.Double(), nullable=True))
    op.create_table(
        "api_tokens",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_api_tokens")),
        sa.UniqueConstraint("digest", name=op.f("uq_api_tokens_digest")),
    )
    op.create_table(
        "notices",
        sa.Column("site_id", KEY, autoincrement=False, nullable=False),
        sa.Column("finding", sa.Text(), nullable=False),
        sa.Column("since_at", sa.Double(), nullable=False),
        sa.Column("made_at", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_notices_site_id")),
        sa.PrimaryKeyConstraint("site_id", "finding", "since_at", name=op.f("pk_notices")),
    )
