"""What is counted is told by one position of each site, no longer by a mark on each event."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_RARE: Final = (("ix_events_owed", "state = 0"), ("ix_events_set_aside", "state = 2"))
#: The last event of a site that was counted, or, of one in which none was, the one before the first.
_LAST_COUNTED: Final = """
    UPDATE sites SET counted_position = coalesce(
        (SELECT max(e.position) FROM events e WHERE e.site = sites.site AND e.state = 1), 0
    )"""
#: What lies before it and is owed was set aside once, and is owed again.
_OWED_AGAIN: Final = """
    INSERT INTO set_asides (site, position, reason, set_aside_us, is_owed)
    SELECT e.site, e.position, '', e.received_us, 1 FROM events e JOIN sites s ON s.site = e.site
    WHERE e.state = 0 AND e.position < s.counted_position"""
_OWED_AFTER: Final = """
    UPDATE events SET state = 0 WHERE position > (SELECT s.counted_position FROM sites s WHERE s.site = events.site)"""
_ASIDE: Final = """
    UPDATE events SET state = (
        SELECT CASE WHEN a.is_owed = 1 THEN 0 ELSE 2 END FROM set_asides a
        WHERE a.site = events.site AND a.position = events.position
    ) WHERE EXISTS (SELECT 1 FROM set_asides a WHERE a.site = events.site AND a.position = events.position)"""


def upgrade() -> None:
    """To this revision."""
    op.add_column("set_asides", sa.Column("is_owed", sa.SmallInteger(), nullable=False, server_default=sa.text("0")))
    op.execute(_LAST_COUNTED)
    op.execute(_OWED_AGAIN)
    for name, _ in _RARE:
        op.drop_index(name, table_name="events")
    # By a statement of its own: SQLite can do it since 3.35, and would else have to be given the whole table anew.
    op.execute("ALTER TABLE events DROP COLUMN state")


def downgrade() -> None:
    """Back to the one before."""
    op.add_column("events", sa.Column("state", sa.SmallInteger(), nullable=False, server_default=sa.text("1")))
    op.execute(_OWED_AFTER)
    op.execute(_ASIDE)
    op.execute("DELETE FROM set_asides WHERE is_owed = 1")
    op.execute("ALTER TABLE set_asides DROP COLUMN is_owed")
    for name, condition in _RARE:
        where = sa.text(condition)
        op.create_index(
            name, "events", ["site", "state", "position"], sqlite_where=where, postgresql_where=where
        )  # fmt: skip
