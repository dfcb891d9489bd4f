"""What is exported reads back to the same roster, whatever people are called."""

import io
import json

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.journal.trip import MemberProfile, Role
from api.roster.export import roster_rows, to_csv, to_xlsx
from api.roster.files import read_table
from api.roster.proposals import Outcome
from api.roster.text import guarded, unguarded

from .people import PEOPLE, ROPES, cells, names, rosters, try_file

WRITERS = {"csv": to_csv, "xlsx": to_xlsx}


@pytest.mark.parametrize("kind", WRITERS)
def test_an_unchanged_export_changes_nothing(kind):
    proposal = try_file(WRITERS[kind](*roster_rows(PEOPLE.items(), ROPES)))
    assert [row.outcome for row in proposal.rows] == [Outcome.SAME] * 4
    assert not proposal.changes_anything
    assert proposal.ropes == ROPES
    assert proposal.not_in_file == ()
    assert proposal.unused == ()


@pytest.mark.parametrize("kind", WRITERS)
@given(roster=rosters())
@settings(max_examples=40, deadline=None)
def test_any_roster_comes_back_unchanged(kind, roster):
    people, ropes = roster
    proposal = try_file(WRITERS[kind](*roster_rows(people.items(), ropes)), people, ropes)
    assert [row.problems for row in proposal.rows if row.problems] == []
    assert not proposal.changes_anything
    assert len(proposal.rows) == len(people)


@pytest.mark.parametrize("kind", WRITERS)
@given(roster=rosters())
@settings(max_examples=25, deadline=None)
def test_an_export_fills_an_empty_trip_with_the_same_people(kind, roster):
    people, ropes = roster
    people = {member: profile for member, profile in people.items() if _only(profile, people)}
    ropes = [
        rope.model_copy(update={"members": tuple(m for m in rope.members if m in people)}) for rope in ropes
    ]
    proposal = try_file(WRITERS[kind](*roster_rows(people.items(), ropes)), {}, ())
    said = sorted(map(_comparable, proposal.profiles.values()))
    assert said == sorted(map(_comparable, people.values()))


def _only(profile: MemberProfile, people) -> bool:
    folded = [" ".join(other.name.casefold().split()) for other in people.values()]
    return profile.name.isascii() and folded.count(" ".join(profile.name.casefold().split())) == 1


def _comparable(profile: MemberProfile) -> str:
    return (
        json.dumps(profile.model_dump(mode="json"), sort_keys=True)
        .replace("\\r\\n", "\\n")
        .replace("\\r", "\\n")
    )


@given(names)
def test_a_guarded_cell_is_no_formula_and_comes_back(text):
    written = guarded(text)
    assert written[0] not in "=+-@\t\r\n"
    assert unguarded(written) == text


@given(st.text())
def test_taking_the_guard_off_undoes_putting_it_on(text):
    assert unguarded(guarded(text)) == text


def test_no_exported_cell_is_a_formula():
    people = {"m-1": MemberProfile(name='=HYPERLINK("x")', role=Role.CLIMBER, contact="+41 79", about="@sum")}
    header, rows = roster_rows(people.items(), ())
    assert cells(to_csv(header, rows))[1][1:] == [
        '\'=HYPERLINK("x")',
        "climber",
        "",
        "",
        "'+41 79",
        "",
        "'@sum",
    ]
    book = openpyxl.load_workbook(io.BytesIO(to_xlsx(header, rows)))
    assert {cell.data_type for row in book.active.iter_rows() for cell in row if cell.value} == {"s"}
    book.close()


def test_people_stand_in_rope_order_in_an_export():
    _, rows = roster_rows(PEOPLE.items(), ROPES)
    assert [(row[1], row[3], row[4]) for row in rows] == [
        ("Maren Okafor-Lindqvist", "Rope 1", "1"),
        ("Aroha Tūmanako", "Rope 1", "2"),
        ("Tashi Wangdrak", "Rope 2", "1"),
        ("Moon Hye-jin", "Rope 2", "2"),
    ]


def test_a_very_long_name_is_refused_with_its_row_and_kept_out():
    table = to_csv(["name"], [["A" * 500], ["Ana Duarte"]])
    assert read_table(table).rows[1].cells == ("A" * 500,)
    proposal = try_file(table)
    assert [row.outcome for row in proposal.rows] == [Outcome.REFUSED, Outcome.NEW]
    assert proposal.rows[0].problems[0].remedy == "Write at most 120 characters."
