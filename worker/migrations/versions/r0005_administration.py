"""Administration on record, confirmations, webhooks with their deliveries, ended sessions; when a key was last used.

Sites say of which generation their key for people is.

What was counted before is counted again by the worker, which finds each site counted under an older fold: so
confirmations begin with what there was.
"""

from __future__ import annotations

import secrets

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

# As they were at this revision: later ones must not change what this one makes.
IDENT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
DAY, WEEK = sa.String(length=10), sa.String(length=8)
WAITING = sa.text("state = 'waiting'")
HELD = sa.text("held_until_us IS NOT NULL")
#: Each with its primary key
APPEND_ONLY = {"administration": ("site", "number"), "confirmations": ("site", "job", "number")}


def upgrade() -> None:
    """To this revision."""
    op.add_column("keys", sa.Column("replaces", sa.String(length=16)))
    op.add_column("keys", sa.Column("overlap_ends_us", sa.BigInteger()))
    op.add_column("keys", sa.Column("used_us", sa.BigInteger()))
    op.create_index("ix_key_sites_site_key_id", "key_sites", ["site", "key_id"])
    op.add_column("sites", sa.Column("people_generation", sa.Integer(), nullable=False, server_default=sa.text("0")))
    op.add_column("sites", sa.Column("series", sa.String(length=16), nullable=False, server_default=sa.text("''")))
    _give_series()
    op.create_table(
        "ended_sessions",
        sa.Column("session_id", sa.String(length=32), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("session_id", name="pk_ended_sessions"),
    )
    _make_administration()
    _make_confirmations()
    _make_webhooks()
    for table, key in APPEND_ONLY.items():
        _refuse_changes(table, key)


def _give_series() -> None:
    bind = op.get_bind()
    for site in list(bind.execute(sa.text("SELECT site FROM sites")).scalars()):
        named = {"site": site, "series": secrets.token_hex(8)}
        bind.execute(sa.text("UPDATE sites SET series = :series WHERE site = :site"), named)


def _make_administration() -> None:
    op.create_table(
        "administration",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("actor", sa.String(length=16), nullable=False),
        sa.Column("actor_name", sa.Text(), nullable=False),
        sa.Column("act", sa.String(length=32), nullable=False),
        sa.Column("subject", IDENT, nullable=False),
        sa.Column("details", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "number", name="pk_administration"),
    )


def _make_confirmations() -> None:
    op.create_table(
        "confirmations",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("job", IDENT, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("operation", IDENT, nullable=False),
        sa.Column("posting_day", DAY, nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("amounts", sa.Text(), nullable=False),
        sa.Column("stated", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "job", "number", name="pk_confirmations"),
    )
    op.create_table(
        "confirmed",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("job", IDENT, nullable=False),
        sa.Column("operation", IDENT, nullable=False),
        sa.Column("posting_day", DAY, nullable=False),
        sa.Column("amounts", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "job", "operation", "posting_day", name="pk_confirmed"),
    )
    op.create_table(
        "told_jobs",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("job", IDENT, nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("closed_us", sa.BigInteger()),
        sa.Column("close_reason", sa.String(length=16)),
        sa.Column("missing", sa.Integer(), nullable=False),
        sa.Column("confirmations", sa.Integer(), nullable=False),
        sa.Column("changes", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("site", "job", name="pk_told_jobs"),
    )


def _make_webhooks() -> None:
    op.create_table(
        "webhooks",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("webhook", sa.String(length=16), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("topics", sa.Text(), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("created_by", sa.String(length=16), nullable=False),
        sa.Column("pushed", sa.BigInteger(), nullable=False),
        sa.Column("secret_number", sa.Integer(), nullable=False),
        sa.Column("old_secret_until_us", sa.BigInteger()),
        sa.Column("paused_us", sa.BigInteger()),
        sa.Column("paused_because", sa.Text()),
        sa.Column("removed_us", sa.BigInteger()),
        sa.PrimaryKeyConstraint("site", "webhook", name="pk_webhooks"),
    )
    op.create_table(
        "pushes",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("push", sa.String(length=40), nullable=False),
        sa.Column("topic", sa.String(length=32), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("site", "push", name="pk_pushes"),
    )
    op.create_index("ix_pushes_site_at_us", "pushes", ["site", "at_us"])
    op.create_table(
        "deliveries",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("webhook", sa.String(length=16), nullable=False),
        sa.Column("number", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("push", sa.String(length=40), nullable=False),
        sa.Column("state", sa.String(length=9), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("earlier_tries", sa.Integer(), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("due_us", sa.BigInteger()),
        sa.Column("held_until_us", sa.BigInteger()),
        sa.Column("ended_us", sa.BigInteger()),
        sa.Column("status", sa.Integer()),
        sa.Column("reason", sa.Text()),
        sa.PrimaryKeyConstraint("site", "webhook", "number", name="pk_deliveries"),
        sa.UniqueConstraint("site", "webhook", "push", name="uq_deliveries_site_webhook_push"),
    )
    op.create_index("ix_deliveries_state", "deliveries", ["site", "webhook", "state", "number"])
    op.create_index(
        "ix_deliveries_due", "deliveries", ["site", "webhook", "due_us"], sqlite_where=WAITING, postgresql_where=WAITING
    )
    op.create_index("ix_deliveries_held", "deliveries", ["site", "webhook"], sqlite_where=HELD, postgresql_where=HELD)
    op.create_table(
        "delivery_tries",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("webhook", sa.String(length=16), nullable=False),
        sa.Column("number", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("try_number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("took_us", sa.BigInteger(), nullable=False),
        sa.Column("status", sa.Integer()),
        sa.Column("reason", sa.Text()),
        sa.PrimaryKeyConstraint("site", "webhook", "number", "try_number", name="pk_delivery_tries"),
    )
    op.create_table(
        "week_revisions",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("week", WEEK, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("changes", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "week", "number", name="pk_week_revisions"),
    )


def _refuse_changes(table: str, key: tuple[str, ...]) -> None:
    if op.get_bind().dialect.name == "sqlite":
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is only ever added to'); END"
            )
        # INSERT OR REPLACE deletes without asking the trigger above.
        is_there = " AND ".join(f"{name} = NEW.{name}" for name in key)
        op.execute(
            f"CREATE TRIGGER {table}_no_replacement BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {is_there}) "
            f"BEGIN SELECT RAISE(ABORT, '{table} is only ever added to'); END"
        )
        return
    op.execute(
        f"CREATE FUNCTION {table}_added_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{table} is only ever added to'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {table}_added_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_added_only()"
    )


def downgrade() -> None:
    """Back to the one before."""
    for table in ("week_revisions", "delivery_tries", "deliveries", "pushes", "webhooks", "told_jobs", "confirmed"):
        op.drop_table(table)
    for table in APPEND_ONLY:
        op.drop_table(table)
        if op.get_bind().dialect.name != "sqlite":
            op.execute(f"DROP FUNCTION {table}_added_only()")
    op.drop_table("ended_sessions")
    op.drop_column("sites", "series")
    op.drop_column("sites", "people_generation")
    op.drop_index("ix_key_sites_site_key_id", "key_sites")
    op.drop_column("keys", "used_us")
    op.drop_column("keys", "overlap_ends_us")
    op.drop_column("keys", "replaces")
