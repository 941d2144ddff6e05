"""What few attempts name has indexes of those that name it: no other attempt pays for them."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_BY_DAY: Final = ("run", "part_number", "heat_number", "supplier")
_COLUMNS: Final = (("retry_of",), *((name, "day") for name in _BY_DAY))


def upgrade() -> None:
    """To this revision."""
    for columns in _COLUMNS:
        named = sa.text(f"{columns[0]} IS NOT NULL")
        op.drop_index(_index(columns), table_name="attempts")
        op.create_index(
            _index(columns), "attempts", ["site", *columns], sqlite_where=named, postgresql_where=named
        )  # fmt: skip


def downgrade() -> None:
    """Back to the one before."""
    for columns in _COLUMNS:
        op.drop_index(_index(columns), table_name="attempts")
        op.create_index(_index(columns), "attempts", ["site", *columns])


def _index(columns: tuple[str, ...]) -> str:
    return f"ix_attempts_site_{'_'.join(columns)}"
