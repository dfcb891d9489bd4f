"""The fold: the same picture whatever the way entries travelled, and nothing lost on the way."""

import random
from collections import defaultdict
from datetime import timedelta
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.journal.entry import Entry
from api.journal.fold import EMPTY, fold, heads, standing
from api.journal.kinds import GearState, Key, MemberLeft, MemberSet, Remark, RopesSet, TripPlanned, Withdrawn
from api.journal.trip import MemberProfile, Role, RopeTeam
from tests.journal.histories import Phone, entry, histories, phones_and_entries, plan, sighting

PUNCTUAL = timedelta(0)


def heads_by_definition(entries: list[Entry]) -> dict[Key, set[UUID]]:
    """What stands, straight from its definition and without any cleverness."""
    by_id = {each.id: each for each in entries}
    taken_back = {
        each.body.entry
        for each in entries
        if isinstance(each.body, Withdrawn)
        and not (each.body.entry in by_id and isinstance(by_id[each.body.entry].body, Withdrawn))
    }

    def replaces(later: Entry, earlier: Entry) -> bool:
        for known in later.after or ():
            if known == earlier.id:
                return True
            via = by_id.get(known)
            if via is not None and known in taken_back and replaces(via, earlier):
                return True
        return False

    found: defaultdict[Key, set[UUID]] = defaultdict(set)
    counting = [each for each in entries if each.id not in taken_back and each.key() is not None]
    for each in counting:
        same = [other for other in counting if other.key() == each.key()]
        if not any(replaces(other, each) for other in same):
            found[each.key() or ()].add(each.id)
    return dict(found)


class TestAnyWayOfTravelling:
    @settings(max_examples=800)
    @given(histories(), st.integers(0, 2**32))
    def test_order_and_repetition_make_no_difference(self, written: list[Entry], seed: int) -> None:
        chance = random.Random(seed)
        travelled = written + chance.choices(written, k=len(written)) if written else []
        chance.shuffle(travelled)
        assert fold(travelled) == fold(written)
        assert heads(travelled) == heads(written)

    @settings(max_examples=400)
    @given(histories())
    def test_heads_are_those_of_the_definition(self, written: list[Entry]) -> None:
        found = {key: {head.id for head in there} for key, there in heads(written).items()}
        assert found == heads_by_definition(written)

    @settings(max_examples=200)
    @given(phones_and_entries())
    def test_phones_that_meet_see_the_same(self, made: tuple[list[Phone], list[Entry]]) -> None:
        phones, written = made
        for phone in (*phones[1:], *phones[1:]):
            phones[0].meet(phone)
        assert [fold(phone.known.values()) for phone in phones[:2]] == [fold(written)] * 2


class TestNothingIsLost:
    @settings(max_examples=300)
    @given(histories())
    def test_a_register_that_was_written_to_shows_something(self, written: list[Entry]) -> None:
        counting = {each.key() for each in standing(written).values()} - {None}
        assert set(heads(written)) == counting

    @settings(max_examples=400)
    @given(histories(), st.sampled_from(["mara", "tobin"]), st.sampled_from(list(GearState)))
    def test_withdrawing_brings_back_what_was_replaced(
        self, written: list[Entry], subject: str, state: GearState
    ) -> None:
        before = fold(written)
        everything = Phone(0, PUNCTUAL)
        everything.known = {each.id: each for each in written}
        told = everything.write(900, sighting(subject, "helmet", state), "trip")
        during = fold(everything.known.values())
        assert [record.entry for record in during.sightings[subject, "helmet"]] == [told.id]
        everything.write(901, Withdrawn(entry=told.id), "trip")
        assert fold(everything.known.values()) == before

    @settings(max_examples=300)
    @given(histories(), st.integers(0, 2**32))
    def test_writers_who_did_not_see_each_other_both_stand_until_a_third_settles_it(
        self, written: list[Entry], seed: int
    ) -> None:
        here, there = Phone(0, PUNCTUAL), Phone(1, PUNCTUAL)
        here.known = {each.id: each for each in written}
        there.known = dict(here.known)
        one = here.write(900, sighting(state=GearState.FITS), "trip")
        other = there.write(901, sighting(state=GearState.UNFIT), "trip")
        here.meet(there)
        both = list(here.known.values())
        random.Random(seed).shuffle(both)
        assert {record.entry for record in fold(both).sightings["mara", "helmet"]} == {one.id, other.id}
        settled = there.write(902, sighting(state=GearState.ABSENT), "trip")
        assert [record.entry for record in fold(there.known.values()).sightings["mara", "helmet"]] == [
            settled.id
        ]


class TestReplacing:
    def test_a_withdrawn_entry_hands_on_what_it_replaced(self) -> None:
        first = entry(1, sighting(state=GearState.ABSENT), after=())
        second = entry(2, sighting(state=GearState.UNFIT), after=(first.id,))
        third = entry(3, sighting(), after=(second.id,))
        withdrawn = entry(4, Withdrawn(entry=second.id))
        assert [found.id for found in heads([first, second, third, withdrawn])[third.key() or ()]] == [
            third.id
        ]

    def test_a_withdrawal_cannot_be_withdrawn(self) -> None:
        told = entry(1, sighting())
        withdrawn = entry(2, Withdrawn(entry=told.id))
        again = entry(3, Withdrawn(entry=withdrawn.id))
        assert fold([told, withdrawn, again]).sightings == {}

    def test_an_entry_cannot_replace_another_register(self) -> None:
        planned = entry(1, TripPlanned(plan=plan()), after=())
        stray = entry(2, sighting(), after=(planned.id,))
        assert fold([planned, stray]).trip == plan()

    def test_entries_that_replace_each_other_in_a_ring_do_not_vanish(self) -> None:
        one = entry(1, sighting(state=GearState.ABSENT))
        other = entry(2, sighting(), after=(one.id,))
        ring = one.model_copy(update={"after": (other.id,)})
        assert len(fold([ring, other]).sightings["mara", "helmet"]) == 2

    def test_a_split_plan_is_said_to_be_split(self) -> None:
        one = entry(1, TripPlanned(plan=plan("Three days")), phone=0, after=())
        other = entry(2, TripPlanned(plan=plan("Five days")), phone=1, after=())
        picture = fold([other, one])
        assert picture.split == (("plan",),)
        assert picture.trip == plan("Five days")


class TestPicture:
    def test_nothing_gives_the_empty_picture(self) -> None:
        assert fold([]) == EMPTY

    def test_people_who_left_are_on_no_rope(self) -> None:
        joined = [
            entry(
                n, MemberSet(member=member, profile=MemberProfile(name=member, role=Role.CLIMBER)), after=()
            )
            for n, member in enumerate(("mara", "tobin"), start=1)
        ]
        ropes = entry(
            3, RopesSet(ropes=(RopeTeam(id="r1", name="One", members=("mara", "tobin")),)), after=()
        )
        left = entry(4, MemberLeft(member="mara"), after=(joined[0].id,))
        picture = fold([*joined, ropes, left])
        assert [rope.members for rope in picture.rope_teams] == [("tobin",)]
        assert set(picture.profiles) == {"tobin"}

    @pytest.mark.parametrize("withdrawn", [False, True])
    def test_remarks_are_listed_unless_withdrawn(self, withdrawn: bool) -> None:
        said = entry(1, Remark(text="Bridge is out"))
        entries = [said, entry(2, Withdrawn(entry=said.id))] if withdrawn else [said]
        assert [record.body.text for record in fold(entries).remarks] == (
            [] if withdrawn else ["Bridge is out"]
        )
