"""SQL of access."""

from sqlalchemy import Connection, text


def first_outfit(conn: Connection) -> str | None:
    """The id of the only outfit, or of the first by id; None when there is none yet."""
    return conn.execute(text("SELECT id FROM outfit ORDER BY id LIMIT 1")).scalar()
