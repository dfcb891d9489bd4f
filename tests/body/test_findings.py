"""What an edition may ask of the body becomes findings, and what it does not ask does not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from api.journal.fold import Record
from api.journal.kinds import GearState, Sighting
from api.kitlist.metrics import OF_THE_BODY, QUANTITIES
from api.kitlist.rules import faults
from api.kitlist.schemas import Requirement
from api.readiness.body_findings import BORNE, LEFT
from api.readiness.evaluation import Evaluation, evaluate, with_sightings
from api.readiness.schemas import Finding, GapKind
from tests.web import sample


def asked(computed: str, unit: str, count: float, **more: Any) -> Requirement:
    return Requirement.model_validate(
        {
            "id": "of-the-body",
            "item": "Enough of it",
            "zone": "care",
            "optional": True,
            "how_many": {"count": count, "computed": computed, "unit": unit},
            "grades": [{"grade": "advise", "at": "summit-start"}],
            "why": "An estimate, so advice only.",
            "clears": "More of it.",
            "basis": {"kind": "common-practice", "source": "common practice, no published source"},
            **more,
        }
    )


def evaluated(requirement: Requirement, issue: str = "F1") -> Evaluation:
    """The demo trip, with one requirement more."""
    given = sample.evaluation(issue)
    assert given.edition is not None
    edition = given.edition.model_copy(update={"requirements": (*given.edition.requirements, requirement)})
    return evaluate(
        given.trip, given.seq, given.picture, given.plan, edition, given.conditions, given.quantities
    )


def found(evaluation: Evaluation) -> dict[str, Finding]:
    return {f.subject: f for f in evaluation.findings if f.requirement == "of-the-body"}


def test_what_is_not_asked_is_no_finding() -> None:
    assert found(sample.evaluation("F3")) == {}


def test_a_bag_short_of_the_night_and_only_that() -> None:
    findings = found(evaluated(asked("bag_margin_c", "°C", 1.0)))
    short = {subject for subject, finding in findings.items() if finding.kind is GapKind.SHORT}
    assert short == {"p10"}
    assert findings["p10"].grade == "advise"
    assert "asked" in findings["p10"].reasons[0].says
    assert findings["p10"].reasons[0].asked == "1 °C"


def test_standing_still_in_the_second_front_is_asked_of_everyone() -> None:
    """F3 has gale and -12 °C on the summit day: nobody stands an hour in it."""
    findings = found(evaluated(asked("standing_min", "min", 60.0, when={"terrain": ["steep-snow"]}), "F3"))
    assert len(findings) == 11
    assert {finding.first_stage for finding in findings.values()} == {"summit"}


def test_what_cannot_be_worked_out_is_a_gap_and_not_fine() -> None:
    requirement = asked("clothing_margin_clo", "clo", 0.1)
    given = evaluated(requirement, "F3")
    bare = evaluate(
        given.trip,
        given.seq,
        replace(given.picture, sightings={}),
        given.plan,
        given.edition,
        given.conditions,
        given.quantities,
    )
    kinds = {finding.kind for finding in found(bare).values()}
    assert kinds == {GapKind.UNKNOWN}
    assert not any(finding.known_gap for finding in found(bare).values())


def test_a_load_is_at_most() -> None:
    assert found(evaluated(asked("pack_kg", "kg", 60.0))) == {}
    heavy = found(evaluated(asked("pack_kg", "kg", 5.0)))
    assert len(heavy) == 11
    assert "at most 5 kg asked" in heavy["p01"].reasons[0].says


def test_another_bag_clears_it() -> None:
    before = evaluated(asked("bag_margin_c", "°C", 1.0))
    key = ("p10", "sleeping-bag")
    old: Record[Sighting] = before.picture.sightings[key][0]
    warm = old.body.model_copy(
        update={
            "state": GearState.FITS,
            "answers": {
                **old.body.answers,
                "figure": "comfort-and-limit",
                "comfort-c": -20.0,
                "limit-c": -27.0,
            },
        }
    )
    picture = replace(before.picture, sightings={**before.picture.sightings, key: (replace(old, body=warm),)})
    after = with_sightings(before, before.seq + 1, picture, *key)
    assert "p10" in found(before)
    assert "p10" not in found(after)
    whole = evaluate(
        before.trip, after.seq, picture, before.plan, before.edition, before.conditions, before.quantities
    )
    assert after.findings == whole.findings


@pytest.mark.parametrize("name", sorted(OF_THE_BODY))
def test_an_edition_may_name_it_but_not_as_a_thing(name: str) -> None:
    given = sample.evaluation().edition
    assert given is not None

    def wrong(**more: Any) -> list[str]:
        requirement = asked(name, QUANTITIES[name].unit, 1.0, **more)
        edition = given.model_copy(update={"requirements": (*given.requirements, requirement)})
        return [fault.message for fault in faults(edition)]

    assert wrong() == []
    assert any("nobody can look for it" in message for message in wrong(optional=False))


def test_every_quantity_of_the_body_is_worked_out() -> None:
    assert {*LEFT, *BORNE} == OF_THE_BODY
