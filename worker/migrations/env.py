"""What Alembic runs around the revisions: the caller's connection, in the caller's transaction."""

from __future__ import annotations

from alembic import context

from worker.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # SQLite changes a column by copying its table.
    render_as_batch=True,
)
context.run_migrations()
