"""Beside sentences that are kept stand the forms that they were made of, so that pages say them in other languages.

What was counted before is counted again by the worker, which finds each site counted under an older fold; what is kept
of findings gets its forms with the next look, answers when they are made anew.
"""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

#: Their new column is empty in rows of an older release, and where there is no sentence.
TABLES: Final = ("warnings", "findings", "kept_findings", "finding_changes", "kept_answers")


def upgrade() -> None:
    """To this revision."""
    for table in TABLES:
        op.add_column(table, sa.Column("forms", sa.Text()))


def downgrade() -> None:
    """Back to the one before."""
    for table in TABLES:
        op.drop_column(table, "forms")
