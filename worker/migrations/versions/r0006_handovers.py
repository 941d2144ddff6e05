"""Notes that are handed over to the next shift have an index: they are few in a long ledger."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

HANDOVERS = sa.text("type = 'cutledger.shift.handed_over'")


def upgrade() -> None:
    """To this revision."""
    op.create_index(
        "ix_events_handovers", "events", ["site", "time_us"], sqlite_where=HANDOVERS, postgresql_where=HANDOVERS
    )


def downgrade() -> None:
    """Back to the one before."""
    op.drop_index("ix_events_handovers", table_name="events")
