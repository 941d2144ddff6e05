"""Services, lost parts and warnings are derived too; findings are kept, finished weeks published.

What is derived anew is computed by the worker, which finds each site counted under an older fold.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

# As they were at this revision: later ones must not change what this one makes.
IDENT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
DAY = sa.String(length=10)
WEEK = sa.String(length=8)
ORIGIN = ("mill", "heat_number", "supplier")
TALLY_SUMS = (
    "attempts", "first_attempts", "open_attempts",
    "parts_tried", "parts_started", "parts_judged_first", "pending_first", "first_pass_good",
    "good", "rework", "scrap", "not_made", "pending", "recovered", "scrapped", "in_rework", "released", "hidden",
    "pierces", "failed_pierces", "attempts_without_pierces",
    "rework_minutes_e3", "cutting_ms", "lost_us", "attempts_without_seconds", "interruptions", "scrap_mass_mg",
    "cost_e6", "attempts_without_cost", "bevelled_attempts",
    "lost_pierce", "lost_sever", "lost_surface", "lost_size", "lost_unstated",
    "first_lost_pierce", "first_lost_sever", "first_lost_surface", "first_lost_size", "first_lost_unstated",
    "clusters", "cluster_n2", "cluster_x2_over_n_e6",
    "pierce_clusters", "pierce_n2", "pierce_x2_over_n_e6",
)  # fmt: skip
FINDING_KEY = (
    ("code", sa.String(length=32)),
    ("subject_kind", sa.String(length=8)),
    ("subject", IDENT),
    ("other", IDENT),
)


#: Indexes of attempts, before and from this revision on: without the day in them, SQLite prefers that of all days.
ATTEMPTS_BEFORE = (("job",), ("run",), ("plate", "started_us"))
ATTEMPTS_SINCE = tuple((name, "day") for name in ("job", "run", "plate", "part_number", "heat_number", "supplier"))


def upgrade() -> None:
    """To this revision."""
    for name in ("steel", "part"):
        op.add_column("attempts", sa.Column(name, sa.BigInteger()))
        _make_tallies(name, ORIGIN if name == "steel" else ("part_number",))
    _change_indexes("attempts", ATTEMPTS_BEFORE, ATTEMPTS_SINCE)
    op.add_column("sites", sa.Column("fold", sa.Integer(), nullable=False, server_default=sa.text("1")))
    _make("services", ("source", "id"), [
        sa.Column("source", IDENT, nullable=False),
        sa.Column("id", IDENT, nullable=False),
        sa.Column("subject", IDENT, nullable=False),
        sa.Column("machine", IDENT, nullable=False),
        sa.Column("machine_name", IDENT, nullable=False),
        sa.Column("time_us", sa.BigInteger(), nullable=False),
        sa.Column("day", DAY, nullable=False),
        sa.Column("week", WEEK, nullable=False),
        sa.Column("what", sa.String(length=24), nullable=False),
    ], indexes=[("subject",), ("day",)])  # fmt: skip
    _make("lost_parts", ("attempt", "sort", "word", "certainty"), [
        sa.Column("attempt", IDENT, nullable=False),
        sa.Column("sort", sa.String(length=8), nullable=False),
        sa.Column("word", sa.String(length=32), nullable=False),
        sa.Column("certainty", sa.String(length=9), nullable=False),
        sa.Column("day", DAY, nullable=False),
        sa.Column("combination", sa.BigInteger(), nullable=False),
        sa.Column("parts_lost", sa.BigInteger(), nullable=False),
        sa.Column("parts_named", sa.BigInteger(), nullable=False),
        sa.Column("rework_minutes_e3", sa.BigInteger(), nullable=False),
        sa.Column("cost_e6", sa.BigInteger()),
    ], indexes=[("sort", "day", "combination")])  # fmt: skip
    _make("warnings", ("attempt", "code"), [
        sa.Column("attempt", IDENT, nullable=False),
        sa.Column("code", sa.String(length=32), nullable=False),
        sa.Column("day", DAY, nullable=False),
        sa.Column("subject_kind", sa.String(length=8), nullable=False),
        sa.Column("subject", IDENT, nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("figures", sa.Text(), nullable=False),
    ], indexes=[("day", "code")])  # fmt: skip
    key = tuple(name for name, _ in FINDING_KEY)
    key_columns = [sa.Column(name, type_, nullable=False) for name, type_ in FINDING_KEY]
    _make("kept_findings", key, [
        *key_columns,
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("state", sa.String(length=6), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("figures", sa.Text(), nullable=False),
        sa.Column("first_day", DAY),
        sa.Column("last_day", DAY),
        sa.Column("opened_us", sa.BigInteger(), nullable=False),
        sa.Column("updated_us", sa.BigInteger(), nullable=False),
        sa.Column("closed_us", sa.BigInteger()),
        sa.Column("times_opened", sa.Integer(), nullable=False),
    ], indexes=[("state", "code"), ("id",)])  # fmt: skip
    key_columns = [sa.Column(name, type_, nullable=False) for name, type_ in FINDING_KEY]
    _make("finding_changes", (*key, "number"), [
        *key_columns,
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("change", sa.String(length=8), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("figures", sa.Text(), nullable=False),
    ])  # fmt: skip
    _make("looks", (), [
        sa.Column("revision", sa.BigInteger(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("day", DAY, nullable=False),
        sa.Column("began_us", sa.BigInteger(), nullable=False),
        sa.Column("took_us", sa.BigInteger(), nullable=False),
    ])  # fmt: skip
    _make("published_weeks", ("week",), [
        sa.Column("week", WEEK, nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("published_us", sa.BigInteger(), nullable=False),
        sa.Column("release", sa.String(length=16), nullable=False),
    ])  # fmt: skip
    _make("published_reports", ("week", "report", "question"), [
        sa.Column("week", WEEK, nullable=False),
        sa.Column("report", sa.String(length=16), nullable=False),
        sa.Column("question", IDENT, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
    ])  # fmt: skip
    _make("kept_answers", ("report", "question"), [
        sa.Column("report", sa.String(length=16), nullable=False),
        sa.Column("question", IDENT, nullable=False),
        sa.Column("parameters", sa.Text(), nullable=False),
        sa.Column("revision", sa.BigInteger(), nullable=False),
        sa.Column("day", DAY, nullable=False),
        sa.Column("release", sa.String(length=16), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("took_us", sa.BigInteger(), nullable=False),
        sa.Column("asked_us", sa.BigInteger(), nullable=False),
        sa.Column("answer", sa.LargeBinary(), nullable=False),
    ])  # fmt: skip


def downgrade() -> None:
    """Back to the one before."""
    for name in (
        "kept_answers", "published_reports", "published_weeks", "looks", "finding_changes", "kept_findings", "warnings",
        "lost_parts", "services",
    ):  # fmt: skip
        op.drop_table(name)
    for name in ("steel", "part"):
        op.drop_table(f"{name}_tallies")
        op.drop_column("attempts", name)
    op.drop_column("sites", "fold")
    _change_indexes("attempts", ATTEMPTS_SINCE, ATTEMPTS_BEFORE)


def _make_tallies(by: str, names: tuple[str, ...]) -> None:
    _make(f"{by}_tallies", ("day", "combination", by), [
        sa.Column("day", DAY, nullable=False),
        sa.Column("combination", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column(by, sa.BigInteger(), autoincrement=False, nullable=False),
        *(sa.Column(name, IDENT) for name in names),
        sa.Column("week", WEEK, nullable=False),
        *(sa.Column(name, sa.BigInteger(), nullable=False) for name in TALLY_SUMS),
    ])  # fmt: skip


def _make(
    name: str, key: tuple[str, ...], columns: list[sa.Column[Any]], *, indexes: list[tuple[str, ...]] | None = None
) -> None:
    site = sa.Column("site", IDENT, nullable=False)
    op.create_table(name, site, *columns, sa.PrimaryKeyConstraint("site", *key, name=f"pk_{name}"))
    _change_indexes(name, (), tuple(indexes or ()))


def _change_indexes(name: str, before: tuple[tuple[str, ...], ...], after: tuple[tuple[str, ...], ...]) -> None:
    for index in before:
        op.drop_index("_".join(("ix", name, "site", *index)), table_name=name)
    for index in after:
        op.create_index("_".join(("ix", name, "site", *index)), name, ["site", *index])
