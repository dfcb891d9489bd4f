"""A changed list tried over many trips at once, against the ordinary path trip by trip, entry by entry."""

from __future__ import annotations

from typing import Any

import pytest

from api.db import Database
from api.journal.kinds import Known
from api.kitlist.schemas import Edition, FromAnchor, Grade, GradeRule, Question, Requirement
from api.kitlist.service import get_edition
from api.readiness.service import Readiness
from api.seasons import trying
from api.seasons.trial import Counted, Trial, affected, at_once
from seeds.history import invent
from tests.seasons.conftest import OUTFIT, TRIPS_A_SEASON
from tests.seasons.oracle import plain, the_long_way, walked

pytestmark = pytest.mark.one_database
TRIPS = [trip.id for trip in invent(TRIPS_A_SEASON)]
BASE = "climbers-2025"


def with_requirement(edition: Edition, id_: str, **changes: Any) -> Edition:
    """The edition with one line changed."""
    changed = tuple(r.model_copy(update=changes) if r.id == id_ else r for r in edition.requirements)
    return edition.model_copy(update={"id": "changed", "requirements": changed})


def raised(edition: Edition) -> Edition:
    """The freezing level at which dry mitts are advised raised by 300 m, and that at which they are asked."""
    lifted = {"dry-mitts-advised": "-200 m", "dry-mitts": "-700 m"}
    lines = tuple(
        line.model_copy(
            update={"value": FromAnchor.model_validate({"from": "high-point", "offset": lifted[line.id]})}
        )
        if line.id in lifted
        else line
        for line in edition.lines
    )
    return edition.model_copy(update={"id": "changed", "lines": lines})


def lamp_a_stop(edition: Edition) -> Edition:
    """A second source of light becomes a stop at base."""
    grades = (GradeRule.model_validate({"grade": Grade.STOP, "at": "base"}),)
    return with_requirement(edition, "headlamp-power", grades=grades)


def tried_bag(edition: Edition) -> Edition:
    """A bag counts only when tried."""
    return with_requirement(edition, "sleeping-bag", takes=Known.TRIED)


def photo_of_crampon(edition: Edition) -> Edition:
    """A new question that nobody was ever asked."""
    crampons = edition.requirement("crampons")
    assert crampons is not None
    photo = Question.model_validate(
        {
            "id": "photo",
            "ask": "A photo of the crampon on the boot?",
            "kind": "yes-no",
            "limits": [{"want": True, "says": "No photo."}],
        }
    )
    return with_requirement(edition, "crampons", questions=(*crampons.questions, photo))


def no_hood(edition: Edition) -> Edition:
    """A line is left out."""
    left = tuple(r for r in edition.requirements if r.id != "parka")
    return edition.model_copy(update={"id": "changed", "requirements": left})


def younger_harness(edition: Edition) -> Edition:
    """A limit that rests on the dates of the trip."""
    harness = edition.requirement("harness")
    assert harness is not None
    plain = harness.model_dump(mode="json", by_alias=True)
    for question in plain["questions"]:
        for limit in question["limits"]:
            if limit["within_years"] is not None:
                limit["within_years"] = 1.5
    return with_requirement(edition, "harness", questions=Requirement.model_validate(plain).questions)


CHANGES = (raised, lamp_a_stop, tried_bag, photo_of_crampon, no_hood, younger_harness)


@pytest.mark.parametrize("change", CHANGES)
def test_equal_to_the_ordinary_path(database: Database, readiness: Readiness, change: Any) -> None:
    with database.reading() as conn:
        base = get_edition(conn, OUTFIT, BASE)
        changed = change(base)
        found = list(trying.effects(conn, readiness, OUTFIT, base, changed))
        long_way = [
            (walked(conn, readiness, OUTFIT, trip, base), walked(conn, readiness, OUTFIT, trip, changed))
            for trip in TRIPS
        ]
    assert found
    for effect in found:
        assert plain(effect.total) == the_long_way(effect, long_way)


def test_each_change_shows_what_it_was_made_for(database: Database, readiness: Readiness) -> None:
    with database.reading() as conn:
        base = get_edition(conn, OUTFIT, BASE)
        total = {
            change.__name__: sum(
                (e.total for e in trying.effects(conn, readiness, OUTFIT, base, change(base))), Counted()
            )
            for change in CHANGES
        }
    assert total["raised"].come > 0
    assert total["raised"].gone == 0
    assert total["lamp_a_stop"].heavier == total["lamp_a_stop"].flagged_before > 0
    assert total["photo_of_crampon"].untold_after > total["photo_of_crampon"].untold_before == 0
    assert total["photo_of_crampon"].come == 0
    assert total["no_hood"].gone == total["no_hood"].flagged_before > 0
    assert total["younger_harness"].come > 0


def test_only_what_a_change_touches_is_worked_out(database: Database) -> None:
    with database.reading() as conn:
        base = get_edition(conn, OUTFIT, BASE)
        pairs = affected(base, raised(base))
        names = {pair[0].id for pair in pairs if pair[0] is not None}
        assert names == {"boots", "parka", "backup-mitts"}
        assert all(map(at_once, pairs))
        assert affected(base, base) == []
        grid = trying.read_grid(conn, OUTFIT)
        assert len(Trial(grid, base, raised(base)).grid.trips) == len(TRIPS)
