"""Sessions of people that were ended before their time: those that still run are known by their cookies alone."""

from __future__ import annotations

from sqlalchemy import Connection, delete, select
from sqlalchemy.dialects.postgresql import insert as insert_on_postgresql
from sqlalchemy.dialects.sqlite import insert as insert_on_sqlite

from worker.tables import ended_sessions


def end_session(connection: Connection, session_id: str, *, until_us: int, now_us: int) -> None:
    """Let a session count no more, until it would have ended by itself; whatever ended by itself is forgotten.

    It may be ended twice at once: two tabs sign out, or the browser sends again what was slow.
    """
    connection.execute(delete(ended_sessions).where(ended_sessions.c.until_us <= now_us))
    insert = insert_on_sqlite if connection.dialect.name == "sqlite" else insert_on_postgresql
    ended = insert(ended_sessions).values(session_id=session_id, until_us=until_us)
    connection.execute(ended.on_conflict_do_nothing())


def has_ended(connection: Connection, session_id: str) -> bool:
    """True when the session was ended before its time."""
    query = select(ended_sessions.c.session_id).where(ended_sessions.c.session_id == session_id)
    return connection.execute(query).first() is not None
