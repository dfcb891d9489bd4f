"""How long PostgreSQL is waited for, and what it is to end by itself, so that nobody waits for ever."""

from __future__ import annotations

from typing import Any

POSTGRES_CONNECT: dict[str, Any] = {
    "connect_timeout": 5,
    "keepalives_idle": 10,
    "keepalives_interval": 3,
    "keepalives_count": 3,
    "tcp_user_timeout": 20_000,
}
"""How long a server that does not answer at all is waited for, instead of two hours. [s, last one ms]"""
POSTGRES_SESSION = {
    "statement_timeout": "60s",
    # The turn to write of a process that hangs, or that the network has cut off, is given back.
    "idle_in_transaction_session_timeout": "30s",
    "tcp_keepalives_idle": "10",
    "tcp_keepalives_interval": "3",
    "tcp_keepalives_count": "3",
}
"""What the server itself is to end in our sessions."""
