"""Three states of one thing: what goes together and what clashes."""

from hypothesis import given
from hypothesis import strategies as st

from api.roster.merging import differences, merge, plan_of, plan_parts, profile_of, profile_parts
from api.roster.rules import rebuilt

from .people import profiles
from .plans import PLAN

keys = st.tuples(st.sampled_from("abc"))
parts = st.dictionaries(keys, st.integers(0, 3) | st.none(), max_size=3)


@given(profiles)
def test_a_person_is_the_sum_of_their_parts(profile):
    assert profile_of(profile_parts(profile)) == profile


def test_a_plan_is_the_sum_of_its_parts():
    assert plan_of(plan_parts(PLAN)) == PLAN


@given(parts, parts, parts)
def test_merging_keeps_every_change_or_says_that_it_clashes(base, yours, theirs):
    merged = merge(base, yours, theirs)
    for key in {*base, *yours, *theirs}:
        old, mine, other = (side.get(key, "absent") for side in (base, yours, theirs))
        kept = merged.parts.get(key, "absent")
        if key in merged.clashes:
            assert mine != other
            assert mine != old
            assert other != old
            assert kept == other
        elif mine != old:
            assert kept == mine
        else:
            assert kept == other
        assert (key in merged.also_changed) == (mine == old and other != old)


@given(parts, parts)
def test_merging_with_nobody_else_gives_yours(base, yours):
    merged = merge(base, yours, base)
    assert merged.parts == yours
    assert not merged.clashes


@given(parts, parts, parts)
def test_who_comes_first_makes_no_difference_without_a_clash(base, one, other):
    forward, backward = merge(base, one, other), merge(base, other, one)
    assert set(forward.clashes) == set(backward.clashes)
    if not forward.clashes:
        assert forward.parts == backward.parts


def test_differences_name_the_fields_of_a_stage_with_all_three_values():
    stages = list(PLAN.stages)
    yours = rebuilt(PLAN, stages=[stages[0].model_copy(update={"to_m": 3250.0}), *stages[1:]])
    theirs = rebuilt(PLAN, stages=[stages[0].model_copy(update={"name": "Up"}), *stages[1:]])
    merged = merge(plan_parts(PLAN), plan_parts(yours), plan_parts(theirs))
    assert merged.clashes == (("stages", "walk-in"),)
    found = differences(merged.clashes, plan_parts(PLAN), plan_parts(yours), plan_parts(theirs))
    assert {(d.field, d.before, d.yours, d.theirs) for d in found} == {
        ("stages.walk-in.name", "Walk in", "Walk in", "Up"),
        ("stages.walk-in.to_m", 3240.0, 3250.0, 3240.0),
    }
