"""The episodes that households are told of, kept beyond the newest `unit` message."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "episodes",
        sa.Column("site_id", KEY, autoincrement=False, nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("episode", sa.Text(), nullable=False),
        sa.Column("since_at", sa.Double(), nullable=False),
        sa.Column("over_at", sa.Double(), nullable=True),
        sa.Column("seen_at", sa.Double(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_episodes_site_id")),
        sa.PrimaryKeyConstraint("site_id", "origin", "episode", name=op.f("pk_episodes")),
    )
