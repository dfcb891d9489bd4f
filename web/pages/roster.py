"""Pages of the roster: trips and their plan, people, rope teams, roster files."""

from fastapi import APIRouter

from web.pages import roster_holds, roster_import, roster_people, roster_stages, roster_trip

router = APIRouter(include_in_schema=False)
for part in (roster_trip, roster_stages, roster_holds, roster_people, roster_import):
    router.include_router(part.router)
