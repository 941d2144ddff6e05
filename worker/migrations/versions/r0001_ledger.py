"""The ledger and what is derived from it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# As they were at this revision: later ones must not change what this one makes.
IDENT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
POSITION = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """To this revision."""
    op.create_table(
        "attempts",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("attempt", IDENT, nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("is_first", sa.SmallInteger(), nullable=False),
        sa.Column("day", sa.String(length=10)),
        sa.Column("week", sa.String(length=8)),
        sa.Column("combination", sa.BigInteger()),
        sa.Column("cluster", IDENT),
        sa.Column("thickness_nm", sa.BigInteger()),
        sa.Column("material", IDENT),
        sa.Column("machine", IDENT),
        sa.Column("gas", IDENT),
        sa.Column("recipe", IDENT),
        sa.Column("surface", IDENT),
        sa.Column("thermal_history", IDENT),
        sa.Column("bevel_mdeg", sa.BigInteger()),
        sa.Column("purpose", IDENT),
        sa.Column("shift", IDENT),
        sa.Column("material_name", IDENT),
        sa.Column("machine_name", IDENT),
        sa.Column("recipe_name", IDENT),
        sa.Column("source", IDENT),
        sa.Column("job", IDENT),
        sa.Column("plate", IDENT),
        sa.Column("run", IDENT),
        sa.Column("piece", IDENT),
        sa.Column("piece_key", IDENT),
        sa.Column("retry_of", IDENT),
        sa.Column("mode", sa.String(length=8)),
        sa.Column("operator", IDENT),
        sa.Column("part_number", IDENT),
        sa.Column("mill", IDENT),
        sa.Column("heat_number", IDENT),
        sa.Column("supplier", IDENT),
        sa.Column("started_us", sa.BigInteger()),
        sa.Column("ended_us", sa.BigInteger()),
        sa.Column("outcome", sa.String(length=16)),
        sa.Column("stop_reason", sa.String(length=16)),
        sa.Column("attempt_no", sa.Integer()),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("tried", sa.BigInteger(), nullable=False),
        sa.Column("good", sa.BigInteger(), nullable=False),
        sa.Column("rework", sa.BigInteger(), nullable=False),
        sa.Column("scrap", sa.BigInteger(), nullable=False),
        sa.Column("not_made", sa.BigInteger(), nullable=False),
        sa.Column("pending", sa.BigInteger(), nullable=False),
        sa.Column("recovered", sa.BigInteger(), nullable=False),
        sa.Column("scrapped", sa.BigInteger(), nullable=False),
        sa.Column("in_rework", sa.BigInteger(), nullable=False),
        sa.Column("released", sa.BigInteger(), nullable=False),
        sa.Column("hidden", sa.BigInteger(), nullable=False),
        sa.Column("interruptions", sa.BigInteger(), nullable=False),
        sa.Column("rework_minutes_e3", sa.BigInteger(), nullable=False),
        sa.Column("scrap_mass_mg", sa.BigInteger(), nullable=False),
        sa.Column("lost_pierce", sa.BigInteger(), nullable=False),
        sa.Column("lost_sever", sa.BigInteger(), nullable=False),
        sa.Column("lost_surface", sa.BigInteger(), nullable=False),
        sa.Column("lost_size", sa.BigInteger(), nullable=False),
        sa.Column("lost_unstated", sa.BigInteger(), nullable=False),
        sa.Column("seconds_ms", sa.BigInteger()),
        sa.Column("lost_us", sa.BigInteger()),
        sa.Column("pierces", sa.BigInteger()),
        sa.Column("failed_pierces", sa.BigInteger()),
        sa.Column("cost_e6", sa.BigInteger()),
        sa.Column("settings", sa.Text()),
        sa.PrimaryKeyConstraint("site", "attempt", name=op.f("pk_attempts")),
    )
    op.create_index(
        "ix_attempts_open",
        "attempts",
        ["site", "attempt"],
        sqlite_where=sa.text("state = 'open'"),
        postgresql_where=sa.text("state = 'open'"),
    )
    op.create_index("ix_attempts_site_day_combination", "attempts", ["site", "day", "combination"])
    op.create_index("ix_attempts_site_job", "attempts", ["site", "job"])
    op.create_index(
        "ix_attempts_site_machine_started_us_attempt_ended_us_run",
        "attempts",
        ["site", "machine", "started_us", "attempt", "ended_us", "run"],
    )
    op.create_index(
        "ix_attempts_site_material_started_us_attempt", "attempts", ["site", "material", "started_us", "attempt"]
    )
    op.create_index("ix_attempts_site_piece_key", "attempts", ["site", "piece_key"])
    op.create_index("ix_attempts_site_plate_started_us", "attempts", ["site", "plate", "started_us"])
    op.create_index(
        "ix_attempts_site_recipe_started_us_attempt", "attempts", ["site", "recipe", "started_us", "attempt"]
    )
    op.create_index("ix_attempts_site_retry_of", "attempts", ["site", "retry_of"])
    op.create_index("ix_attempts_site_run", "attempts", ["site", "run"])
    op.create_table(
        "audits",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("started_us", sa.BigInteger(), nullable=False),
        sa.Column("ended_us", sa.BigInteger()),
        sa.Column("position", sa.BigInteger()),
        sa.Column("events", sa.BigInteger()),
        sa.Column("equal", sa.SmallInteger()),
        sa.Column("differences", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "number", name=op.f("pk_audits")),
    )
    op.create_table(
        "combinations",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("combination", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("thickness_nm", sa.BigInteger()),
        sa.Column("material", IDENT),
        sa.Column("machine", IDENT),
        sa.Column("gas", IDENT),
        sa.Column("recipe", IDENT),
        sa.Column("surface", IDENT),
        sa.Column("thermal_history", IDENT),
        sa.Column("bevel_mdeg", sa.BigInteger()),
        sa.Column("purpose", IDENT),
        sa.Column("shift", IDENT),
        sa.PrimaryKeyConstraint("site", "combination", name=op.f("pk_combinations")),
    )
    op.create_table(
        "events",
        sa.Column("position", POSITION, autoincrement=True, nullable=False),
        sa.Column("site", IDENT, nullable=False),
        sa.Column("source", IDENT, nullable=False),
        sa.Column("id", IDENT, nullable=False),
        sa.Column("type", IDENT, nullable=False),
        sa.Column("kind", IDENT, nullable=False),
        sa.Column("subject", IDENT, nullable=False),
        sa.Column("time_us", sa.BigInteger(), nullable=False),
        sa.Column("received_us", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.SmallInteger(), nullable=False),
        sa.Column("content_hash", sa.LargeBinary(), nullable=False),
        sa.Column("void_source", IDENT),
        sa.Column("void_id", IDENT),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_events")),
        sa.UniqueConstraint("site", "source", "id", name=op.f("uq_events_site_source_id")),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "ix_events_owed",
        "events",
        ["site", "position"],
        sqlite_where=sa.text("state = 0"),
        postgresql_where=sa.text("state = 0"),
    )
    op.create_index(
        "ix_events_set_aside",
        "events",
        ["site", "position"],
        sqlite_where=sa.text("state = 2"),
        postgresql_where=sa.text("state = 2"),
    )
    op.create_index("ix_events_site_position", "events", ["site", "position"])
    op.create_index("ix_events_site_subject", "events", ["site", "subject"])
    op.create_index(
        "ix_events_voids",
        "events",
        ["site", "void_source", "void_id"],
        sqlite_where=sa.text("void_id IS NOT NULL"),
        postgresql_where=sa.text("void_id IS NOT NULL"),
    )
    op.create_table(
        "findings",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("code", sa.String(length=32), nullable=False),
        sa.Column("subject_kind", sa.String(length=8), nullable=False),
        sa.Column("subject", IDENT, nullable=False),
        sa.Column("other", IDENT, nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("figures", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "code", "subject_kind", "subject", "other", name=op.f("pk_findings")),
    )
    op.create_index("ix_findings_site_other", "findings", ["site", "other"])
    op.create_table(
        "installation",
        sa.Column("number", sa.SmallInteger(), nullable=False),
        sa.Column("secret", sa.LargeBinary(), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_installation")),
    )
    op.create_table(
        "jobs",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("job", IDENT, nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("opened_us", sa.BigInteger()),
        sa.Column("closed_us", sa.BigInteger()),
        sa.Column("close_reason", sa.String(length=16)),
        sa.Column("part_number", IDENT),
        sa.Column("material", IDENT),
        sa.Column("thickness_nm", sa.BigInteger()),
        sa.Column("quantity", sa.Integer()),
        sa.Column("stated", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "job", name=op.f("pk_jobs")),
    )
    op.create_index("ix_jobs_site_part_number_job", "jobs", ["site", "part_number", "job"])
    op.create_index("ix_jobs_site_state_job", "jobs", ["site", "state", "job"])
    op.create_table(
        "key_sites",
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("site", IDENT, nullable=False),
        sa.PrimaryKeyConstraint("key_id", "site", name=op.f("pk_key_sites")),
    )
    op.create_table(
        "keys",
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("secret_hash", sa.LargeBinary(), nullable=False),
        sa.Column("roles", sa.Text(), nullable=False),
        sa.Column("source_prefix", sa.Text()),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("expires_us", sa.BigInteger()),
        sa.Column("revoked_us", sa.BigInteger()),
        sa.PrimaryKeyConstraint("key_id", name=op.f("pk_keys")),
    )
    op.create_table(
        "names",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("name_key", IDENT, nullable=False),
        sa.Column("spelling", IDENT, nullable=False),
        sa.PrimaryKeyConstraint("site", "kind", "name_key", name=op.f("pk_names")),
    )
    op.create_table(
        "plates",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("plate", IDENT, nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("received_us", sa.BigInteger()),
        sa.Column("closed_us", sa.BigInteger()),
        sa.Column("close_reason", sa.String(length=16)),
        sa.Column("parent", IDENT),
        sa.Column("material", IDENT),
        sa.Column("thickness_nm", sa.BigInteger()),
        sa.Column("mill", IDENT),
        sa.Column("heat_number", IDENT),
        sa.Column("supplier", IDENT),
        sa.Column("certificate", IDENT),
        sa.Column("delivery_condition", IDENT),
        sa.Column("surface", sa.String(length=16), nullable=False),
        sa.Column("thermal_history", sa.String(length=16), nullable=False),
        sa.Column("stated", sa.Text(), nullable=False),
        sa.Column("observations", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "plate", name=op.f("pk_plates")),
    )
    op.create_index("ix_plates_site_heat_number", "plates", ["site", "heat_number"])
    op.create_index("ix_plates_site_parent", "plates", ["site", "parent"])
    op.create_index("ix_plates_site_state_plate", "plates", ["site", "state", "plate"])
    op.create_table(
        "rework",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("source", IDENT, nullable=False),
        sa.Column("id", IDENT, nullable=False),
        sa.Column("attempt", IDENT, nullable=False),
        sa.Column("time_us", sa.BigInteger(), nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("week", sa.String(length=8), nullable=False),
        sa.Column("shift", IDENT, nullable=False),
        sa.Column("combination", sa.BigInteger(), nullable=False),
        sa.Column("operation", sa.String(length=16), nullable=False),
        sa.Column("planned", sa.SmallInteger(), nullable=False),
        sa.Column("minutes_e3", sa.BigInteger(), nullable=False),
        sa.Column("parts", sa.Integer(), nullable=False),
        sa.Column("cost_e6", sa.BigInteger()),
        sa.PrimaryKeyConstraint("site", "source", "id", name=op.f("pk_rework")),
    )
    op.create_index("ix_rework_site_attempt", "rework", ["site", "attempt"])
    op.create_index("ix_rework_site_day_combination", "rework", ["site", "day", "combination"])
    op.create_table(
        "rework_tallies",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("combination", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("operation", sa.String(length=16), nullable=False),
        sa.Column("week", sa.String(length=8), nullable=False),
        sa.Column("rework_entries", sa.BigInteger(), nullable=False),
        sa.Column("booked_rework_minutes_e3", sa.BigInteger(), nullable=False),
        sa.Column("finishing_minutes_e3", sa.BigInteger(), nullable=False),
        sa.Column("parts_reworked", sa.BigInteger(), nullable=False),
        sa.Column("booked_rework_cost_e6", sa.BigInteger(), nullable=False),
        sa.Column("entries_without_cost", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "day", "combination", "operation", name=op.f("pk_rework_tallies")),
    )
    op.create_table(
        "set_asides",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("position", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("set_aside_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "position", name=op.f("pk_set_asides")),
    )
    op.create_table(
        "sites",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("people_key", sa.LargeBinary(), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("revision", sa.BigInteger(), nullable=False),
        sa.Column("counted_position", sa.BigInteger(), nullable=False),
        sa.Column("counted_us", sa.BigInteger()),
        sa.PrimaryKeyConstraint("site", name=op.f("pk_sites")),
    )
    op.create_table(
        "tallies",
        sa.Column("site", IDENT, nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("combination", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("week", sa.String(length=8), nullable=False),
        sa.Column("attempts", sa.BigInteger(), nullable=False),
        sa.Column("first_attempts", sa.BigInteger(), nullable=False),
        sa.Column("open_attempts", sa.BigInteger(), nullable=False),
        sa.Column("parts_tried", sa.BigInteger(), nullable=False),
        sa.Column("parts_started", sa.BigInteger(), nullable=False),
        sa.Column("parts_judged_first", sa.BigInteger(), nullable=False),
        sa.Column("pending_first", sa.BigInteger(), nullable=False),
        sa.Column("first_pass_good", sa.BigInteger(), nullable=False),
        sa.Column("good", sa.BigInteger(), nullable=False),
        sa.Column("rework", sa.BigInteger(), nullable=False),
        sa.Column("scrap", sa.BigInteger(), nullable=False),
        sa.Column("not_made", sa.BigInteger(), nullable=False),
        sa.Column("pending", sa.BigInteger(), nullable=False),
        sa.Column("recovered", sa.BigInteger(), nullable=False),
        sa.Column("scrapped", sa.BigInteger(), nullable=False),
        sa.Column("in_rework", sa.BigInteger(), nullable=False),
        sa.Column("released", sa.BigInteger(), nullable=False),
        sa.Column("hidden", sa.BigInteger(), nullable=False),
        sa.Column("pierces", sa.BigInteger(), nullable=False),
        sa.Column("failed_pierces", sa.BigInteger(), nullable=False),
        sa.Column("attempts_without_pierces", sa.BigInteger(), nullable=False),
        sa.Column("rework_minutes_e3", sa.BigInteger(), nullable=False),
        sa.Column("cutting_ms", sa.BigInteger(), nullable=False),
        sa.Column("lost_us", sa.BigInteger(), nullable=False),
        sa.Column("attempts_without_seconds", sa.BigInteger(), nullable=False),
        sa.Column("interruptions", sa.BigInteger(), nullable=False),
        sa.Column("scrap_mass_mg", sa.BigInteger(), nullable=False),
        sa.Column("cost_e6", sa.BigInteger(), nullable=False),
        sa.Column("attempts_without_cost", sa.BigInteger(), nullable=False),
        sa.Column("bevelled_attempts", sa.BigInteger(), nullable=False),
        sa.Column("lost_pierce", sa.BigInteger(), nullable=False),
        sa.Column("lost_sever", sa.BigInteger(), nullable=False),
        sa.Column("lost_surface", sa.BigInteger(), nullable=False),
        sa.Column("lost_size", sa.BigInteger(), nullable=False),
        sa.Column("lost_unstated", sa.BigInteger(), nullable=False),
        sa.Column("first_lost_pierce", sa.BigInteger(), nullable=False),
        sa.Column("first_lost_sever", sa.BigInteger(), nullable=False),
        sa.Column("first_lost_surface", sa.BigInteger(), nullable=False),
        sa.Column("first_lost_size", sa.BigInteger(), nullable=False),
        sa.Column("first_lost_unstated", sa.BigInteger(), nullable=False),
        sa.Column("clusters", sa.BigInteger(), nullable=False),
        sa.Column("cluster_n2", sa.BigInteger(), nullable=False),
        sa.Column("cluster_x2_over_n_e6", sa.BigInteger(), nullable=False),
        sa.Column("pierce_clusters", sa.BigInteger(), nullable=False),
        sa.Column("pierce_n2", sa.BigInteger(), nullable=False),
        sa.Column("pierce_x2_over_n_e6", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "day", "combination", name=op.f("pk_tallies")),
    )


def downgrade() -> None:
    """Back to nothing."""
    for table in (
        "attempts",
        "audits",
        "combinations",
        "events",
        "findings",
        "installation",
        "jobs",
        "key_sites",
        "keys",
        "names",
        "plates",
        "rework",
        "rework_tallies",
        "set_asides",
        "sites",
        "tallies",
    ):
        op.drop_table(table)
