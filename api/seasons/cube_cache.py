"""The counts of each outfit kept at hand, as long as they are those of the database."""

from __future__ import annotations

import threading
from collections import OrderedDict

from sqlalchemy import Connection

from api.seasons import queries
from api.seasons.cube import Cube
from api.seasons.projection import requirements_of

MOST_KEPT = 4

_kept: OrderedDict[tuple[str, str, int], Cube] = OrderedDict()
_guard = threading.Lock()


def cube_of(conn: Connection, outfit: str) -> Cube:
    """All counts of an outfit."""
    revision, _ = queries.revision(conn, outfit)
    key = (str(conn.engine.url), outfit, revision)
    with _guard:
        found = _kept.get(key)
    if found is None:
        rows = [(row.cell, row.people, row.counts) for row in queries.summary(conn, outfit)]
        trips = queries.trip_cells(conn, outfit)
        found = Cube.of(rows, lambda edition: requirements_of(conn, outfit, edition), trips)
        with _guard:
            _kept[key] = found
            while len(_kept) > MOST_KEPT:
                _kept.popitem(last=False)
    return found
