"""The shipped edition can express every gap that is planted in the demo, and a person who lacks nothing.

| gap | requirement.question | answer that shows it |
| --- | --- | --- |
| 1 category 2, open sides | glacier-glasses.category, .side-cover | 2, no |
| 2 crampon needs a ledge the boot lacks | crampons.hold (boots.stiffness) | comes-off or needs-ledge (b1) |
| 3 no dry backup mitts | backup-mitts | absent |
| 4 lamp at 55 %, cable of another plug | headlamp.charge-percent, headlamp-power.kind | 55, no-cable |
| 5 harness label unreadable, made 2012 | harness.label, .made | no, 2012-06-30 |
| 6 trousers with ankle zips | shell-trousers.zips, .over-crampons | ankle, no |
| 7 parka without hood | parka.hood | no |
| 8 bag comfort +4, limit -1 | sleeping-bag.limit-c, .comfort-c | -1, 4 |
| 12 certificate ends before the trip | first-aid-certificate.valid-to | 2026-09-13 |
| 13 fuel 4.40 kg | fuel (count in g against fuel_plan_g) | 4400 |
| 14 no two-way answer | satellite-messenger.two-way-test | no |
| 15 one medicine box, party apart | medicine-box.covers-all | no |
| 16 helmet passed and failed | helmet.damage | none, crack |
| 17 gaiters by word only | gaiters (counts once seen) | said |
| 18 radio at 30 % | radio.charge-percent | 30 |

Gaps 9, 10 and 11 (nights not told, symptom score, a rope left with two) belong to nights and rope teams.
"""

import pytest

from api.journal.kinds import Known
from api.journal.trip import HoldKind, Role
from api.kitlist.loading import read_file, shipped
from api.kitlist.schemas import Edition, Grade, Requirement, Scope, Zone


@pytest.fixture(scope="module")
def edition() -> Edition:
    return read_file(shipped()["glaciated-peak"])


def _of(edition: Edition, requirement_id: str) -> Requirement:
    found = edition.requirement(requirement_id)
    assert found is not None, f"{requirement_id} is not in the list"
    return found


QUESTIONS = [
    ("glacier-glasses", "category", "number"),
    ("glacier-glasses", "side-cover", "yes-no"),
    ("crampons", "hold", "choice"),
    ("boots", "stiffness", "choice"),
    ("headlamp", "charge-percent", "number"),
    ("headlamp-power", "kind", "choice"),
    ("harness", "label", "yes-no"),
    ("harness", "made", "date"),
    ("shell-trousers", "zips", "choice"),
    ("shell-trousers", "over-crampons", "yes-no"),
    ("parka", "hood", "yes-no"),
    ("sleeping-bag", "limit-c", "number"),
    ("sleeping-bag", "comfort-c", "number"),
    ("first-aid-certificate", "valid-to", "date"),
    ("satellite-messenger", "two-way-test", "yes-no"),
    ("medicine-box", "covers-all", "yes-no"),
    ("helmet", "damage", "choice"),
    ("radio", "charge-percent", "number"),
    # near misses that are no planted gap of the demo
    ("mitts", "over-liner", "yes-no"),
    ("backup-mitts", "second-pair", "yes-no"),
]


@pytest.mark.parametrize(("requirement_id", "question_id", "kind"), QUESTIONS)
def test_question_is_asked(edition: Edition, requirement_id: str, question_id: str, kind: str) -> None:
    asked = {question.id: question.kind for question in _of(edition, requirement_id).questions}

    assert asked.get(question_id) == kind


@pytest.mark.parametrize(
    ("requirement_id", "grade", "at", "also"),
    [
        ("glacier-glasses", Grade.STOP, HoldKind.GLACIER_EDGE, None),
        ("crampons", Grade.STOP, HoldKind.GLACIER_EDGE, (Grade.FIX, HoldKind.BASE)),
        ("headlamp-power", Grade.FIX, HoldKind.HIGH_CAMP, (Grade.STOP, HoldKind.SUMMIT_START)),
        ("harness", Grade.STOP, HoldKind.GLACIER_EDGE, (Grade.FIX, HoldKind.BASE)),
        ("parka", Grade.STOP, HoldKind.HIGH_CAMP, None),
        ("first-aid-certificate", Grade.STOP, HoldKind.BASE, None),
        ("satellite-messenger", Grade.STOP, HoldKind.BASE, None),
    ],
)
def test_gap_stops_where_the_trade_stops_it(
    edition: Edition, requirement_id: str, grade: Grade, at: HoldKind, also: tuple[Grade, HoldKind] | None
) -> None:
    """Grades and hold points are common practice, no published source."""
    first = _of(edition, requirement_id).grades[0]

    assert (first.grade, first.at, first.when) == (grade, at, None)
    assert [(one.grade, one.at) for one in first.also] == ([also] if also else [])


def test_trousers_stop_only_when_wet_or_cold(edition: Edition) -> None:
    wet_or_cold, otherwise = _of(edition, "shell-trousers").grades

    assert (wet_or_cold.grade, wet_or_cold.at) == (Grade.STOP, HoldKind.GLACIER_EDGE)
    assert wet_or_cold.when is not None
    assert (otherwise.grade, otherwise.at, otherwise.when) == (Grade.FIX, HoldKind.BASE, None)


def test_fuel_is_advice_until_the_stream_may_freeze(edition: Edition) -> None:
    fuel = _of(edition, "fuel")

    assert (fuel.how_many.computed, fuel.how_many.unit) == ("fuel_plan_g", "g")
    assert [(one.grade, one.at) for one in fuel.grades] == [
        (Grade.FIX, HoldKind.HIGH_CAMP),
        (Grade.ADVISE, HoldKind.BASE),
    ]


def test_certificates_are_asked_of_guides_only(edition: Edition) -> None:
    certificate = _of(edition, "first-aid-certificate")

    assert set(certificate.roles) == {Role.LEAD, Role.ASSISTANT}
    assert certificate.questions[0].limits[0].not_before == "trip-end"


def test_word_of_mouth_is_not_enough_for_gaiters(edition: Edition) -> None:
    assert _of(edition, "gaiters").takes is Known.SEEN


def test_mitts_line_lies_a_thousand_metres_under_the_top(edition: Edition) -> None:
    """Common practice, no published source: -6.5 °C at the top by the standard lapse rate."""
    lines = {line.id: line.value for line in edition.lines}

    asked, advised = lines["dry-mitts"], lines["dry-mitts-advised"]
    assert (asked.anchor.value, asked.offset) == ("high-point", "-1000 m")
    assert (advised.anchor.value, advised.offset) == ("high-point", "-500 m")


FACTS = {
    # what the trade asks of one person (common practice, no published source): zone -> requirement ids
    Zone.FEET: {"boots", "socks", "gaiters"},
    Zone.LEGS: {"base-legs", "soft-shell-trousers", "shell-trousers"},
    Zone.TORSO: {"base-top-short", "base-top-long", "soft-shell-jacket", "hard-shell-jacket", "parka"},
    Zone.HANDS: {"liner-gloves", "work-gloves", "mitts"},
    Zone.HEAD: {
        "helmet",
        "glacier-glasses",
        "goggles",
        "warm-hat",
        "sun-hat",
        "neck-cover",
        "sun-cream",
        "lip-cream",
    },
    Zone.LIGHT: {"headlamp", "headlamp-power"},
}
CONDITIONAL = {
    "insulated-overtrousers",
    "backup-mitts",
    "face-cover",
    "transceiver",
    "probe",
    "personal-shovel",
}


@pytest.mark.parametrize("zone", FACTS, ids=lambda zone: zone.value)
def test_nothing_else_is_asked_of_a_climber(edition: Edition, zone: Zone) -> None:
    asked = {
        r.id
        for r in edition.requirements
        if r.scope is Scope.PERSON and r.zone is zone and not r.optional and not r.roles
    }

    assert asked - CONDITIONAL == FACTS[zone]


@pytest.mark.parametrize("requirement_id", sorted(CONDITIONAL))
def test_conditional_items_are_asked_by_conditions(edition: Edition, requirement_id: str) -> None:
    assert _of(edition, requirement_id).when is not None


def test_edition_covers_person_rope_and_party(edition: Edition) -> None:
    scopes = [r.scope for r in edition.requirements]

    assert len(scopes) >= 75
    assert set(scopes) == set(Scope)
    assert {r.zone for r in edition.requirements} == set(Zone)


def test_comfort_items_are_never_graded(edition: Edition) -> None:
    optional = [r for r in edition.requirements if r.optional]

    assert {"camp-shoes", "hand-warmers", "poles", "bag-liner"} <= {r.id for r in optional}
    assert all(not r.grades for r in optional if r.is_thing)


def test_published_sources_have_an_address(edition: Edition) -> None:
    published = [r for r in edition.requirements if r.basis.kind == "published"]

    assert len(published) >= 30
    assert all("https://" in r.basis.source or "http://" in r.basis.source for r in published)
    assert all(
        r.basis.source == "common practice, no published source"
        for r in edition.requirements
        if r.basis.kind == "common-practice"
    )
