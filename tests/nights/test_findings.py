"""Findings about nights: words, grades, hold points, and nothing of what a note says."""

from datetime import date

from api.journal.health import Mark
from api.journal.kinds import HoldPassed
from api.kitlist.schemas import Basis, Edition, Grade, GradeRule, Requirement, Zone
from api.readiness.night_findings import night_findings
from api.readiness.schemas import Finding, GapKind
from tests.nights.building import FIRST, Story, plan

LOW = {-2: 2400.0, -1: 2400.0}


def found(story: Story, edition: Edition | None = None) -> dict[str, Finding]:
    picture = story.picture
    assert picture.trip is not None
    return {f.requirement: f for f in night_findings(picture.trip, picture, edition)}


def graded(requirement: str, *grades: GradeRule) -> Edition:
    line = Requirement(
        id=requirement,
        item="Nights",
        zone=Zone.PAPERS,
        optional=True,
        grades=grades,
        why="An invented reason.",
        clears="An invented remedy.",
        basis=Basis(kind="outfit", source="invented for a test"),
    )
    return Edition(id="e", title="E", dated=date(2026, 1, 1), requirements=(line,))


def test_within_the_guideline_is_no_finding() -> None:
    assert found(Story(plan([2900, 3300])).slept(LOW)) == {}


def test_nights_not_told_are_not_known_and_asked_before_leaving() -> None:
    finding = found(Story(plan([3240, 3700])))["nights"]
    assert finding.kind is GapKind.UNKNOWN
    assert not finding.known_gap
    assert (finding.grade, finding.hold, finding.zone) == (Grade.FIX, "base", Zone.PAPERS)
    assert finding.reasons[0].says == "last nights not told. Not counted as OK. Ask before leaving"


def test_low_trips_ask_nobody() -> None:
    assert found(Story(plan([2500, 2900]))) == {}


def test_gains_with_their_numbers() -> None:
    finding = found(Story(plan([2900, 3330, 4150])).slept(LOW))["night-gain"]
    assert (finding.kind, finding.grade, finding.hold) == (GapKind.HEIGHT, Grade.ADVISE, "high-camp")
    assert finding.reasons[0].says == (
        "night 3 (12 July) at C3, 4,150 m, is 820 m above the night before; guideline at most 500 m a night "
        "above 3,000 m"
    )
    assert (finding.first_stage, finding.basis.kind) == ("stage-3", "published")


def test_a_rest_that_is_due() -> None:
    finding = found(Story(plan([3000, 3100, 3200, 3300, 3400, 3500])).slept(LOW))["night-gain"]
    assert "night 6 (15 July) at C6, 3,500 m, comes 5 climbing nights" in finding.reasons[0].says


def test_gains_before_the_trip_are_over() -> None:
    assert found(Story(plan([2900])).slept({-3: 2400, -2: 3800, -1: 2400})) == {}


def test_a_night_told_otherwise_than_planned_changes_it() -> None:
    story = Story(plan([2900, 3450])).slept(LOW)
    assert "night-gain" in found(story)
    assert "night-gain" not in found(story.slept({0: 2960}, known="spent"))


def test_not_known_and_known_stand_side_by_side() -> None:
    assert set(found(Story(plan([3240, 3780])))) == {"nights", "night-gain"}


def test_an_edition_grades_them() -> None:
    rule = GradeRule(grade=Grade.FIX, at="high-camp", also=(GradeRule(grade=Grade.STOP, at="summit-start"),))
    finding = found(Story(plan([3240])).slept(LOW), graded("night-gain", rule))["night-gain"]
    assert (finding.grade, finding.hold) == (Grade.FIX, "high-camp")
    assert [(a.grade, a.hold_name) for a in finding.also] == [(Grade.STOP, "summit-start")]


def test_a_fix_is_a_stop_once_its_hold_point_is_passed() -> None:
    story = Story(plan([3240]))
    story.write(HoldPassed(hold="base", at=story.entries[0].happened_at))
    assert found(story)["nights"].grade is Grade.STOP


class TestPrivateNote:
    def test_holds_at_the_next_hold_point_and_says_nothing_else(self) -> None:
        story = Story(plan([2900])).noted(Mark.HOLD)
        finding = found(story)["private-note"]
        assert (finding.kind, finding.grade, finding.hold) == (GapKind.HELD, Grade.STOP, "base")
        assert finding.title == "Mara: Private note – ask the lead guide. Goes no higher for now"
        assert finding.evidence == ()
        story.write(HoldPassed(hold="base", at=story.entries[0].happened_at))
        assert found(story)["private-note"].hold == "glacier-edge"

    def test_a_question_is_not_known(self) -> None:
        finding = found(Story(plan([2900])).noted(Mark.OPEN))["private-note"]
        assert (finding.kind, finding.known_gap, finding.grade) == (GapKind.UNANSWERED, False, Grade.FIX)

    def test_over_is_no_finding(self) -> None:
        assert found(Story(plan([2900])).noted(Mark.HOLD).noted(Mark.CLEAR)) == {}

    def test_erased_while_it_held_is_not_known_rather_than_fine(self) -> None:
        finding = found(Story(plan([2900])).noted(Mark.HOLD).erased())["private-note"]
        assert not finding.known_gap
        assert "erased" in finding.title


def test_the_first_night_is_dated_in_the_zone_of_the_trip() -> None:
    trip = plan([2900, 3330, 4150])
    far = trip.place.model_copy(update={"time_zone": "Pacific/Kiritimati"})
    story = Story(trip.model_copy(update={"place": far})).slept({-2: 2400, -1: 2400, 0: 2400})
    assert FIRST.isoformat() == "2026-07-10"
    assert "night-gain" in found(story)
