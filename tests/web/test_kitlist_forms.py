"""Between a kit list's file and the rows of its form: nothing is lost, whichever way. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.kitlist.loading import edition_from_plain, read_file, shipped
from api.kitlist.schemas import AllOf, AnyOf, Condition, Line, Requirement
from api.kitlist.writing import to_plain
from tests.kitlist.building import a_requirement, an_edition
from web.pages.kitlist_choices import field_words
from web.pages.kitlist_draft import with_requirement
from web.pages.kitlist_form import line_from, requirement_from
from web.pages.kitlist_rows import condition_tree, line_tree, made_id, requirement_tree
from web.pages.kitlist_tree import changed, tree_of

SHIPPED = read_file(shipped()["glaciated-peak"])
PLAIN = to_plain(SHIPPED)


@pytest.mark.parametrize("plain", PLAIN["requirements"], ids=lambda plain: plain["id"])
def test_every_shipped_requirement_survives_its_form(plain: dict[str, Any]) -> None:
    written = requirement_from(requirement_tree(plain))
    assert written.faults == ()
    assert Requirement.model_validate(written.plain) == SHIPPED.requirement(plain["id"])


def test_every_shipped_line_survives_its_form() -> None:
    for plain, line in zip(PLAIN["lines"], SHIPPED.lines, strict=True):
        assert Line.model_validate(line_from(line_tree(plain)).plain) == line


def conditions() -> st.SearchStrategy[dict[str, Any]]:
    threshold = st.sampled_from(["3600 m", {"from": "high-point", "offset": "-500 m"}, {"line": "cold"}])
    leaf = st.one_of(
        st.builds(lambda t: {"metric": "freezing_level_m", "below": t}, threshold),
        st.builds(lambda t: {"metric": "freezing_level_m", "at_least": t}, threshold),
        st.sampled_from([{"terrain": ["glacier"]}, {"terrain": ["remote", "glacier"]}]),
    )
    return st.recursive(
        leaf,
        lambda parts: st.builds(
            lambda join, some: {join: some},
            st.sampled_from(["all", "any"]),
            st.lists(parts, min_size=1, max_size=3),
        ),
        max_leaves=12,
    )


def without_lone_joins(condition: Condition) -> Condition:
    """A word that joins one part only says nothing."""
    match condition:
        case AllOf(all_=(one,)) | AnyOf(any_=(one,)):
            return without_lone_joins(one)
        case AllOf(all_=parts):
            return AllOf(all_=tuple(map(without_lone_joins, parts)))
        case AnyOf(any_=parts):
            return AnyOf(any_=tuple(map(without_lone_joins, parts)))
        case _:
            return condition


@given(conditions())
def test_conditions_nested_however_deep_survive_the_form(condition: dict[str, Any]) -> None:
    plain = a_requirement(when=condition)
    written = requirement_from(requirement_tree(plain))
    asked, kept = (Requirement.model_validate(one).when for one in (plain, written.plain))
    assert asked is not None
    assert kept is not None
    assert without_lone_joins(kept) == without_lone_joins(asked)


def flat(tree: dict[str, Any], where: str = "") -> Iterator[tuple[str, str]]:
    for key, value in tree.items():
        if isinstance(value, dict):
            yield from flat(value, f"{where}{key}-")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for at, row in enumerate(value):
                yield from flat(row, f"{where}{key}-{at}-")
        elif isinstance(value, list):
            yield from ((f"{where}{key}", one) for one in value)
        else:
            yield f"{where}{key}", value


@given(conditions())
def test_a_tree_survives_being_flat_fields(condition: dict[str, Any]) -> None:
    tree = {"when": condition_tree(condition)}
    assert tree_of(flat(tree)) == tree


def test_rows_are_added_moved_and_dropped_and_the_rest_stays() -> None:
    tree = tree_of([("item", "half typ"), ("grades-0-grade", "fix"), ("grades-1-grade", "stop")])
    moved = changed(tree, "down grades-0")
    assert [row["grade"] for row in moved["grades"]] == ["stop", "fix"]
    assert changed(moved, "up grades-1") == tree
    assert [row["grade"] for row in changed(tree, "drop grades-0")["grades"]] == ["stop"]
    grown = changed(tree, "add-number grades-1-when-rows")
    assert grown["grades"][1]["when"]["rows"][0]["is"] == "number"
    assert grown["item"] == "half typ"
    for odd in ("up grades-9", "drop item-0", "add-number item", "add-nonsense grades", "", "drop "):
        assert changed(tree, odd) == tree


def test_ids_are_made_from_names_and_never_twice() -> None:
    assert made_id("Tūmanako's mitts, 2 pairs", [], fallback="x") == "tumanako-s-mitts-2-pairs"
    assert made_id("Mug", ["mug", "mug-2"], fallback="x") == "mug-3"
    assert made_id("Каска", [], fallback="item") == "item"


def test_fields_have_words() -> None:
    assert field_words("questions-0-limits-1-value") == "question 1, limit 2, figure"


def test_order_stays_when_zones_are_mixed() -> None:
    plain = an_edition(
        a_requirement(id="a"),
        a_requirement(id="b", zone="feet"),
        a_requirement(id="c"),
        a_requirement(id="d"),
    )
    edition = edition_from_plain(plain)
    written = requirement_from(requirement_tree(a_requirement(id="c", item="Changed")))
    same = with_requirement(edition, written, "c", "a")
    assert [one.id for one in same.requirements] == ["a", "b", "c", "d"]
    moved = with_requirement(edition, written, "c", "d")
    assert [one.id for one in moved.requirements] == ["a", "b", "d", "c"]
