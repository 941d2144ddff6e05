"""The indexes of the rare states carry the state, so that SQLite prefers them to that of all positions."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

RARE = (("ix_events_owed", "state = 0"), ("ix_events_set_aside", "state = 2"))


def upgrade() -> None:
    """To this revision."""
    _make_again(["site", "state", "position"])


def downgrade() -> None:
    """Back to the one before."""
    _make_again(["site", "position"])


def _make_again(columns: list[str]) -> None:
    for name, condition in RARE:
        op.drop_index(name, table_name="events")
        where = sa.text(condition)
        op.create_index(name, "events", columns, sqlite_where=where, postgresql_where=where)
