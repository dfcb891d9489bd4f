"""One process at a time does what is done for all of them."""

import asyncio

from api.conditions.leading import FORECASTS, WATCHERS, leading
from api.db import Database


def test_the_second_does_not_lead_while_the_first_does_and_tasks_are_apart(database: Database) -> None:
    async def ask() -> tuple[bool, bool, bool, bool]:
        async with (
            leading(database, WATCHERS) as first,
            leading(database, WATCHERS) as second,
            leading(database, FORECASTS) as other,
        ):
            pass
        async with leading(database, WATCHERS) as later:
            return first, second, other, later

    alone = database.dialect == "sqlite"  # several processes need PostgreSQL
    assert asyncio.run(ask()) == (True, alone, True, True)


def test_a_leader_that_fails_lets_others_lead(database: Database) -> None:
    async def ask() -> bool:
        try:
            async with leading(database, WATCHERS):
                raise OSError("something broke")
        except OSError:
            pass
        async with leading(database, WATCHERS) as leads:
            return leads

    assert asyncio.run(ask())
