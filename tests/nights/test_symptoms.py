"""Marks of notes, and where a person stands by them; the score's definition row by row."""

import pytest

from api.journal.health import Mark
from api.nights.schemas import DangerSign, DangerSigns, HealthRemark, PrivateTalk, Reading, SymptomScore
from api.nights.symptoms import Trend, held_by_word, mark_of, scored, standing, trend
from tests.nights.building import CLIMBER, Story, plan


def score(*items: int | None, hours: float | None = 8.0) -> SymptomScore:
    headache, gut, fatigue, dizziness = items
    return SymptomScore(
        headache=headache, gastrointestinal=gut, fatigue=fatigue, dizziness=dizziness, hours_since_gain=hours
    )


@pytest.mark.parametrize(
    ("items", "total", "rule", "severity", "mark"),
    [
        ((1, 1, 0, 0), 2, False, None, Mark.CLEAR),
        ((1, 1, 1, 0), 3, True, "mild", Mark.HOLD),
        ((3, 0, 0, 0), 3, True, "mild", Mark.HOLD),
        ((2, 1, 1, 1), 5, True, "mild", Mark.HOLD),
        ((2, 2, 1, 1), 6, True, "moderate", Mark.HOLD),
        ((3, 3, 2, 1), 9, True, "moderate", Mark.HOLD),
        ((3, 3, 2, 2), 10, True, "severe", Mark.HOLD),
        ((3, 3, 3, 3), 12, True, "severe", Mark.HOLD),
        ((0, 0, 0, 0), 0, False, None, Mark.CLEAR),
        ((0, 1, 1, 0), 2, False, None, Mark.CLEAR),
        ((0, 3, 3, 3), 9, False, None, Mark.OPEN),
        ((0, 1, 1, 1), 3, False, None, Mark.OPEN),
    ],
)
def test_score_and_mark(
    items: tuple[int, ...], total: int, rule: bool, severity: str | None, mark: Mark
) -> None:
    """Roach et al., High Alt Med Biol 19 (2018) 4-6: 3 or more with a headache; bands 3-5, 6-9, 10-12."""
    content = score(*items)
    found = scored(content)
    assert found is not None
    assert (found.total, found.rule_met, found.severity) == (total, rule, severity)
    assert mark_of(content) is mark


@pytest.mark.parametrize(
    ("items", "mark"),
    [
        ((None, 0, 0, 0), Mark.OPEN),
        ((1, None, 0, 0), Mark.OPEN),
        ((2, 1, None, None), Mark.HOLD),
        ((0, 1, None, 0), Mark.CLEAR),
        ((0, None, 2, 1), Mark.OPEN),
    ],
)
def test_items_not_known_are_never_taken_as_none(items: tuple[int | None, ...], mark: Mark) -> None:
    assert mark_of(score(*items)) is mark


def test_too_early_holds_all_the_same() -> None:
    content = score(2, 1, 0, 0, hours=5.9)
    found = scored(content)
    assert found is not None
    assert found.too_early is True
    assert mark_of(content) is Mark.HOLD


def test_a_reading_is_never_judged() -> None:
    for percent in (30.0, 60.0, 100.0):
        assert mark_of(Reading(spo2_percent=percent)) is None
        assert scored(Reading(spo2_percent=percent)) is None
    assert mark_of(HealthRemark(text="slept badly")) is None


def test_danger_signs_outrank_a_score_until_the_lead_decides() -> None:
    signs = DangerSigns(signs=(DangerSign.UNSTEADY,))
    assert mark_of(signs) is Mark.HOLD
    assert held_by_word([signs, score(0, 0, 0, 0)])
    assert mark_of(score(0, 0, 0, 0), held=True) is None
    go_on = PrivateTalk(text="well again", decided="may-go-on")
    assert mark_of(go_on) is Mark.CLEAR
    assert not held_by_word([signs, go_on])
    assert held_by_word([go_on, PrivateTalk(text="stays", decided="goes-no-higher"), PrivateTalk(text="hm")])


class TestStanding:
    story = staticmethod(lambda: Story(plan([3240])))

    def test_the_last_guide_note_stands(self) -> None:
        assert standing(self.story().picture, "mara").mark is None
        assert standing(self.story().noted(Mark.HOLD).picture, "mara").mark is Mark.HOLD
        assert standing(self.story().noted(Mark.HOLD).noted(Mark.CLEAR).picture, "mara").mark is None
        assert standing(self.story().noted(Mark.HOLD).noted(None).picture, "mara").mark is Mark.HOLD

    def test_nobody_clears_themselves(self) -> None:
        """People hide symptoms near the top (common practice, no published source)."""
        held = self.story().noted(Mark.HOLD).noted(Mark.CLEAR, by=CLIMBER)
        assert standing(held.picture, "mara").mark is Mark.HOLD
        assert standing(self.story().noted(Mark.HOLD, by=CLIMBER).picture, "mara").mark is Mark.HOLD

    def test_a_question_does_not_lift_a_hold(self) -> None:
        found = standing(self.story().noted(Mark.HOLD).noted(Mark.OPEN).picture, "mara")
        assert (found.mark, len(found.records)) == (Mark.HOLD, 2)

    def test_erased_is_not_over(self) -> None:
        found = standing(self.story().noted(Mark.HOLD).erased().picture, "mara")
        assert (found.mark, found.erased) == (Mark.HOLD, True)


@pytest.mark.parametrize(
    ("totals", "expected"),
    [
        ([4], Trend.UNKNOWN),
        ([], Trend.UNKNOWN),
        ([4, 3], Trend.FALLING),
        ([3, 3], Trend.LEVEL),
        ([1, 4], Trend.RISING),
        ([4, None], Trend.UNKNOWN),
        ([None, 4, 1], Trend.FALLING),
    ],
)
def test_trend(totals: list[int | None], expected: Trend) -> None:
    assert trend(totals) is expected
