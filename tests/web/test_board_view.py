"""Findings as the board says them: one line each, the same advice for many said once."""

from api.kitlist.schemas import Grade
from api.readiness.schemas import Finding
from tests.web import sample
from web.pages.board_view import ALIKE_FROM, GradeGroup


def advised(how_many: int) -> tuple[Finding, ...]:
    one = next(f for f in sample.board().findings if f.requirement == "night-gain")
    return tuple(
        one.model_copy(update={"id": f"p{n}.night-gain", "subject": f"p{n}"}) for n in range(how_many)
    )


def test_the_same_advice_for_several_people_is_said_once() -> None:
    found = advised(ALIKE_FROM)
    group = GradeGroup(Grade.ADVISE, found)
    assert group.alone == ()
    assert [same.findings for same in group.together] == [found]


def test_for_few_it_is_said_for_each() -> None:
    found = advised(ALIKE_FROM - 1)
    group = GradeGroup(Grade.ADVISE, found)
    assert (group.alone, group.together) == (found, ())


def test_other_words_are_other_lines() -> None:
    *same, other = advised(ALIKE_FROM + 1)
    other = other.model_copy(
        update={"reasons": (other.reasons[0].model_copy(update={"says": "something else"}),)}
    )
    group = GradeGroup(Grade.ADVISE, (*same, other))
    assert group.alone == (other,)
    assert len(group.together) == 1


def test_what_holds_people_back_is_never_lumped_together() -> None:
    found = advised(ALIKE_FROM)
    assert GradeGroup(Grade.STOP, found).alone == found
