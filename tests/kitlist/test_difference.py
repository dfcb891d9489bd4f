"""The difference between editions, told field by field."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.kitlist.difference import Difference, FieldChange, difference, in_words
from api.kitlist.loading import read_file, shipped
from api.kitlist.rules import new_number
from api.kitlist.schemas import Edition
from tests.kitlist.building import PRACTICE, a_requirement, built

SHIPPED = read_file(shipped()["glaciated-peak"])


def _reversed(found: Difference) -> Difference:
    def turned(fields: tuple[FieldChange, ...]) -> tuple[FieldChange, ...]:
        return tuple(FieldChange(one.field, one.now, one.was) for one in fields)

    def changes(found: tuple[Any, ...]) -> tuple[tuple[str, tuple[FieldChange, ...]], ...]:
        return tuple((one.id, turned(one.fields)) for one in found)

    return (
        turned(found.edition),
        set(found.removed),
        set(found.added),
        changes(found.changed),
        set(found.lines_removed),
        set(found.lines_added),
        changes(found.lines_changed),
    )


def _plain(found: Difference) -> Any:
    return (
        found.edition,
        set(found.added),
        set(found.removed),
        tuple((one.id, one.fields) for one in found.changed),
        set(found.lines_added),
        set(found.lines_removed),
        tuple((one.id, one.fields) for one in found.lines_changed),
    )


def test_equal_editions_do_not_differ() -> None:
    assert not difference(SHIPPED, SHIPPED)
    assert in_words(difference(SHIPPED, SHIPPED)) == []


subsets = st.lists(st.sampled_from(SHIPPED.requirements), min_size=1, max_size=6, unique_by=lambda r: r.id)


@given(subsets, subsets, st.booleans())
def test_difference_is_symmetrical(one: list[Any], other: list[Any], renamed: bool) -> None:
    if renamed:
        other = [other[0].model_copy(update={"item": "Another name"}), *other[1:]]
    a = SHIPPED.model_copy(update={"requirements": tuple(one)})
    b = SHIPPED.model_copy(update={"requirements": tuple(other), "lines": SHIPPED.lines[2:]})

    assert _plain(difference(b, a)) == _reversed(difference(a, b))
    assert bool(difference(a, b))


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"item": "Cup"}, "item"),
        ({"zone": "care"}, "zone"),
        ({"roles": ["lead"]}, "for"),
        ({"how_many": {"count": 2}}, "how many"),
        ({"optional": True, "grades": []}, "optional"),
        ({"when": {"terrain": ["glacier"]}}, "asked"),
        ({"when": {"metric": "freezing_level_m", "below": {"line": "cold"}}}, "asked"),
        ({"takes": "tried"}, "counts once"),
        ({"grades": [{"grade": "stop", "at": "base"}]}, "grades"),
        ({"grades": [{"grade": "fix", "at": "base", "when": {"terrain": ["glacier"]}}]}, "grades"),
        ({"why": "Because."}, "why"),
        ({"clears": "A cup."}, "clears"),
        ({"loan": "pool"}, "loan"),
        ({"weight_g": 90}, "weight"),
        ({"basis": PRACTICE | {"kind": "outfit"}}, "basis"),
        ({"life_safety": True}, "life safety"),
        ({"stands_in": [{"id": "cup", "item": "Cup"}]}, "stand-in cup"),
    ],
)
def test_every_field_of_a_requirement_is_told(changes: dict[str, Any], field: str) -> None:
    found = difference(built(), built(a_requirement(**changes)))

    (change,) = found.changed
    assert field in {one.field for one in change.fields}
    assert all(one.was != one.now for one in change.fields)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"ask": "Whole?"}, "question q, ask"),
        ({"needs": "seen"}, "question q, expected once"),
        ({"when": {"terrain": ["remote"]}}, "question q, asked"),
        ({"limits": [{"want": False, "says": "no"}]}, "question q, limits"),
        ({"limits": [{"want": True, "says": "other"}]}, "question q, limits"),
    ],
)
def test_every_field_of_a_question_is_told(changes: dict[str, Any], field: str) -> None:
    question = {"id": "q", "ask": "Sound?", "kind": "yes-no", "limits": [{"want": True, "says": "no"}]}
    old = built(a_requirement(questions=[question]))

    (change,) = difference(old, built(a_requirement(questions=[question | changes]))).changed

    assert [one.field for one in change.fields] == [field]


@given(st.data())
def test_whatever_differs_is_told(data: st.DataObject) -> None:
    """Replacing any field of a requirement by another requirement's is seen, unless they are equal."""
    one, other = (data.draw(st.sampled_from(SHIPPED.requirements)) for _ in range(2))
    field = data.draw(
        st.sampled_from(["questions", "grades", "when", "stands_in", "how_many", "basis", "roles"])
    )
    mixed = one.model_copy(update={field: getattr(other, field)})
    a, b = (SHIPPED.model_copy(update={"requirements": (r,)}) for r in (one, mixed))

    assert bool(difference(a, b)) == (a != b)


def test_words_name_requirement_field_and_both_values() -> None:
    old = built(a_requirement(), a_requirement(id="spoon", item="Spoon"))
    new: Edition = built(
        a_requirement(how_many={"count": 2}),
        a_requirement(id="bowl", item="Bowl"),
        lines=[{"id": "cold", "title": "Cold", "metric": "freezing_level_m", "value": "3500 m"}],
    )

    assert in_words(difference(old, new)) == [
        "added: Bowl (bowl)",
        "removed: Spoon (spoon)",
        "changed: Mug (mug)",
        "  how many: 1 a person → 2 a person",
        "line changed: Cold (cold)",
        "  value: 3600 m → 3500 m",
    ]


def test_new_order_is_told() -> None:
    first, second = a_requirement(), a_requirement(id="spoon", item="Spoon")

    assert in_words(difference(built(first, second), built(second, first))) == [
        "order of requirements: mug, spoon → spoon, mug"
    ]


def test_numbers_follow_one_another() -> None:
    assert new_number([]) == 1
    assert new_number([1, 4, 2]) == 5
