"""What people did about the figures has indexes: releases, holds, trials and checks are few in a long ledger."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_OF_SUBJECTS = {f"ix_events_{kind}s": sa.text(f"kind = '{kind}'") for kind in ("recipe", "hold", "trial")}
_CHECKED = sa.text("type = 'cutledger.machine.checked'")


def upgrade() -> None:
    """To this revision."""
    for name, which in _OF_SUBJECTS.items():
        op.create_index(name, "events", ["site", "subject"], sqlite_where=which, postgresql_where=which)
    op.create_index("ix_events_checks", "events", ["site", "time_us"], sqlite_where=_CHECKED, postgresql_where=_CHECKED)


def downgrade() -> None:
    """Back to the one before."""
    for name in ("ix_events_checks", *_OF_SUBJECTS):
        op.drop_index(name, table_name="events")
