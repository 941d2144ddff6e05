"""Sessions of people that were ended before their time: those that still run are known by their cookies alone."""

from __future__ import annotations

from sqlalchemy import Connection, delete, insert, select

from worker.tables import ended_sessions


def end_session(connection: Connection, session_id: str, *, until_us: int, now_us: int) -> None:
    """Let a session count no more, until it would have ended by itself; whatever ended by itself is forgotten."""
    connection.execute(delete(ended_sessions).where(ended_sessions.c.until_us <= now_us))
    if not has_ended(connection, session_id):
        connection.execute(insert(ended_sessions), {"session_id": session_id, "until_us": until_us})


def has_ended(connection: Connection, session_id: str) -> bool:
    """True when the session was ended before its time."""
    query = select(ended_sessions.c.session_id).where(ended_sessions.c.session_id == session_id)
    return connection.execute(query).first() is not None
