"""Readings of edges and sizes are derived too, and what was lost to other causes; plans of proofs have an index.

What is derived anew is computed by the worker, which finds each site counted under an older fold.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

# As they were at this revision: later ones must not change what this one makes.
IDENT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
OF_PROOFS = sa.text("kind = 'proof'")
LOST_OTHERWISE = sa.text("lost_otherwise > 0")


def upgrade() -> None:
    """To this revision."""
    op.create_table(
        "readings",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("source", IDENT, nullable=False),
        sa.Column("id", IDENT, nullable=False),
        sa.Column("sort", sa.String(length=8), nullable=False),
        sa.Column("place", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("attempt", IDENT, nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("combination", sa.BigInteger(), nullable=False),
        sa.Column("stage", sa.String(length=12), nullable=False),
        sa.Column("nominal_nm", sa.BigInteger()),
        sa.Column("value_nm", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "source", "id", "sort", "place", name="pk_readings"),
    )
    op.create_index("ix_readings_site_attempt", "readings", ["site", "attempt"])
    op.create_index("ix_readings_site_sort_day_combination", "readings", ["site", "sort", "day", "combination"])
    op.create_index(
        "ix_events_proofs", "events", ["site", "subject"], sqlite_where=OF_PROOFS, postgresql_where=OF_PROOFS
    )
    zero = sa.text("0")
    op.add_column("attempts", sa.Column("lost_otherwise", sa.BigInteger(), nullable=False, server_default=zero))
    op.create_index(
        "ix_attempts_lost_otherwise",
        "attempts",
        ["site", "day"],
        sqlite_where=LOST_OTHERWISE,
        postgresql_where=LOST_OTHERWISE,
    )


def downgrade() -> None:
    """Back to the one before."""
    op.drop_index("ix_attempts_lost_otherwise", table_name="attempts")
    op.drop_column("attempts", "lost_otherwise")
    op.drop_index("ix_events_proofs", table_name="events")
    op.drop_table("readings")
