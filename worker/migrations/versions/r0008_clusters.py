"""Reports read attempts off two indexes: by cluster all that is counted there, by piece the number of the attempt."""

from __future__ import annotations

from typing import Final

from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_BY_DAY: Final = ["site", "day", "combination"]
_BY_PIECE: Final = ["site", "piece_key"]
_COUNTED: Final = [
    "cluster", "job", "state", "is_first", "attempt_no", "quantity", "outcome", "mode", "tried", "good", "rework",
    "scrap", "not_made", "pending", "seconds_ms", "rework_minutes_e3",
]  # fmt: skip


def upgrade() -> None:
    """To this revision."""
    op.drop_index("ix_attempts_site_day_combination", table_name="attempts")
    op.create_index("ix_attempts_clusters", "attempts", [*_BY_DAY, *_COUNTED])
    op.drop_index("ix_attempts_site_piece_key", table_name="attempts")
    op.create_index("ix_attempts_site_piece_key_attempt_no", "attempts", [*_BY_PIECE, "attempt_no"])


def downgrade() -> None:
    """Back to the one before."""
    op.drop_index("ix_attempts_clusters", table_name="attempts")
    op.create_index("ix_attempts_site_day_combination", "attempts", _BY_DAY)
    op.drop_index("ix_attempts_site_piece_key_attempt_no", table_name="attempts")
    op.create_index("ix_attempts_site_piece_key", "attempts", _BY_PIECE)
