"""Reports read attempts off their indexes: what is counted by cluster, the numbers on a piece, minutes of rework."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_BY_DAY: Final = ["site", "day", "combination"]
_BY_PIECE: Final = ["site", "piece_key"]
_COUNTED: Final = [
    "cluster", "state", "is_first", "attempt_no", "quantity", "tried", "good", "rework", "scrap", "not_made", "pending",
]  # fmt: skip
_REWORKED: Final = sa.text("rework_minutes_e3 > 0 OR rework > 0")


def upgrade() -> None:
    """To this revision."""
    op.drop_index("ix_attempts_site_day_combination", table_name="attempts")
    op.create_index("ix_attempts_clusters", "attempts", [*_BY_DAY, *_COUNTED])
    op.drop_index("ix_attempts_site_piece_key", table_name="attempts")
    op.create_index("ix_attempts_site_piece_key_attempt_no", "attempts", [*_BY_PIECE, "attempt_no"])
    op.create_index(
        "ix_attempts_reworked",
        "attempts",
        [*_BY_DAY, "rework_minutes_e3", "rework"],
        sqlite_where=_REWORKED,
        postgresql_where=_REWORKED,
    )


def downgrade() -> None:
    """Back to the one before."""
    op.drop_index("ix_attempts_reworked", table_name="attempts")
    op.drop_index("ix_attempts_clusters", table_name="attempts")
    op.create_index("ix_attempts_site_day_combination", "attempts", _BY_DAY)
    op.drop_index("ix_attempts_site_piece_key_attempt_no", table_name="attempts")
    op.create_index("ix_attempts_site_piece_key", "attempts", _BY_PIECE)
