"""Connections to PostgreSQL are pooled and limited: many at once wait their turn, and no more are opened."""

from __future__ import annotations

import threading

from sqlalchemy import text

from api.db import Database

READ_CONNECTIONS, AT_ONCE = 3, 24


def test_many_at_once_share_a_few_connections(postgres_url: str) -> None:
    db = Database(postgres_url, read_connections=READ_CONNECTIONS, write_wait_s=60)
    watcher = Database(postgres_url, read_connections=1)
    start, done, guard = threading.Barrier(AT_ONCE), list[int](), threading.Lock()

    def use(number: int) -> None:
        start.wait()
        if number % 3:
            with db.reading() as conn:
                conn.execute(text("SELECT pg_sleep(0.05)"))
        else:
            with db.writing() as work:
                work.execute(text("SELECT pg_sleep(0.01)"))
        with guard:
            done.append(number)

    threads = [threading.Thread(target=use, args=(number,)) for number in range(AT_ONCE)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with watcher.reading() as conn:
        # Connections stay open in the pool, so what was opened can still be counted.
        others = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
        opened = conn.execute(text(f"{others} AND pid <> pg_backend_pid()")).scalar_one()
    assert len(done) == AT_ONCE
    assert opened <= READ_CONNECTIONS + 1, "those for reading, and one for writing"
    db.close()
    watcher.close()
