"""A plan that names an edition which is not here, as a journal brought from another machine may."""

import pytest
from fastapi import FastAPI

from api.journal.kinds import TripPlanned
from api.readiness.service import Readiness
from tests.readiness.conftest import OUTFIT, TRIP, ReadAs, TellOn
from tests.support.client import IsolatedTestClient

API = f"/api/trips/{TRIP}"


@pytest.mark.one_database
def test_nothing_is_known_then_and_every_page_says_so(
    app: FastAPI, demo_client: IsolatedTestClient, as_role: ReadAs, tell_on: TellOn, readiness: Readiness
) -> None:
    tell_on("laid-out")
    with app.state.db.writing() as work:
        plan = readiness.journal.picture(work, OUTFIT, TRIP).picture.trip
        assert plan is not None
        elsewhere = TripPlanned(plan=plan.model_copy(update={"edition_id": "of-another-machine"}))
        readiness.journal.write(work, as_role("lead"), TRIP, elsewhere)

    verdict = demo_client.get(f"{API}/board").json()["verdict"]
    assert verdict["standing"] == "unknown"
    assert "of-another-machine is not here" in verdict["words"]
    for page in ("", "/flags", "/mountain", "/call", "/roster", "/plan", "/people/p07", "/cover"):
        assert demo_client.get(f"/trips/{TRIP}{page}").status_code == 200, page
    assert demo_client.get(f"{API}/flags").status_code == 200

    with app.state.db.writing() as work:
        readiness.journal.write(work, as_role("lead"), TRIP, TripPlanned(plan=plan))
    assert demo_client.get(f"{API}/board").json()["edition"] == plan.edition_id
