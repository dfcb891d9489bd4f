"""What a roster file would change: headers, cells, people already there, ropes."""

import pytest

from api.roster.columns import meaning, nearest
from api.roster.proposals import Change, Outcome

from .people import PEOPLE, ROPES, sheet, try_file


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("Name", "name"),
        ("  FULL   name ", "name"),
        ("E-Mail:", "email"),
        ("rope_order", "order"),
        ("Rope team", "rope"),
        ("Boot size", "size boot"),
        ("size boot", "size boot"),
        ("Sizes: head", "size head"),
        ("Boots", "size boot"),
        ("Size over mitts", "size over-mitts"),
        ("T-shirt", None),
        ("", None),
    ],
)
def test_headers_are_understood_without_case_and_punctuation(header, expected):
    assert meaning(header) == expected


def test_an_unknown_header_is_named_with_what_it_looks_like():
    proposal = try_file(sheet("name,Languag,T-shirt", "Ana Duarte,pt,M"), {}, ())
    assert proposal.unused == (("Languag", "language"), ("T-shirt", None))
    assert nearest("rlole") == "role"


def test_a_new_person_with_everything():
    proposal = try_file(
        sheet(
            "first name;last name;role;rope;order;phone;email;language;boot size;about",
            "Ana;Duarte;Assistant guide;2;1;+351 900;ana@example.org;pt;39.5;teacher",
        )
    )
    (row,) = proposal.rows
    assert row.outcome is Outcome.NEW
    assert proposal.profiles["new-1"].model_dump(mode="json") == {
        "name": "Ana Duarte",
        "role": "assistant",
        "contact": "+351 900, ana@example.org",
        "language": "pt",
        "sizes": {"boot": "39.5"},
        "about": "teacher",
    }
    assert proposal.ropes[1].members == ("new-1", "m-2", "m-4")
    assert set(proposal.not_in_file) == {profile.name for profile in PEOPLE.values()}


def test_a_bad_cell_is_named_with_row_column_value_and_remedy_and_the_other_rows_stand():
    proposal = try_file(
        sheet("name,Role on trip", "Ana Duarte,captain", "Ben Aldous,climber", ",climber"), {}, ()
    )
    assert [row.outcome for row in proposal.rows] == [Outcome.REFUSED, Outcome.NEW, Outcome.REFUSED]
    (bad,) = proposal.rows[0].problems
    assert (bad.row, bad.column, bad.value, bad.cell) == (2, "Role on trip", "captain", 1)
    assert bad.remedy == "Write one of: lead guide, assistant guide, climber."
    assert proposal.rows[2].problems[0].message == "There is no name."
    assert [profile.name for profile in proposal.profiles.values()] == ["Ben Aldous"]


def test_every_bad_cell_of_a_row_is_listed():
    (row,) = try_file(sheet("name,role,rope,order", f"{'A' * 121},captain,,zero"), {}, ()).rows
    assert [problem.column for problem in row.problems] == ["role", "order"]
    (row,) = try_file(sheet("name,language,boot", f"{'A' * 121},{'x' * 36},{'y' * 41}"), {}, ()).rows
    assert [problem.column for problem in row.problems] == ["name", "language", "boot"]


def test_guide_alone_could_be_either():
    (row,) = try_file(sheet("name,role", "Ana Duarte,guide"), {}, ()).rows
    assert row.problems[0].message == "This could be the lead guide or an assistant guide."


def test_people_already_there_are_matched_by_name_and_shown_as_changes():
    proposal = try_file(sheet("name,role,size boot", "aroha  TŪMANAKO,assistant,40"))
    (row,) = proposal.rows
    assert (row.outcome, row.member) == (Outcome.CHANGED, "m-3")
    assert row.changes == (
        Change("name", "Aroha Tūmanako", "aroha  TŪMANAKO"),
        Change("role", "climber", "assistant"),
        Change("size boot", "39", "40"),
    )
    assert proposal.profiles["m-3"].sizes == {"boot": "40", "head": "56 cm"}


def test_an_empty_cell_or_missing_column_changes_nothing():
    proposal = try_file(sheet("name,role,contact,language", "Maren Okafor-Lindqvist,,,", "Tashi Wangdrak"))
    assert [row.outcome for row in proposal.rows] == [Outcome.SAME, Outcome.SAME]
    assert not proposal.changes_anything


def test_an_id_of_the_trip_lets_a_file_rename():
    (row,) = try_file(sheet("id,name", "m-4,Moon Hyejin")).rows
    assert row.changes == (Change("name", "Moon Hye-jin", "Moon Hyejin"),)


def test_an_id_of_another_trip_falls_back_to_the_name():
    (row,) = try_file(sheet("id,name", "m-900,Moon Hye-jin")).rows
    assert (row.outcome, row.member) == (Outcome.SAME, "m-4")


def test_the_same_person_twice_in_a_file_is_one_person_and_the_second_row_shows_what_it_changes():
    proposal = try_file(sheet("name,language", "Ana Duarte,pt", "ana duarte,fr", "Ana Duarte,fr"), {}, ())
    assert [row.outcome for row in proposal.rows] == [Outcome.NEW, Outcome.CHANGED, Outcome.CHANGED]
    assert proposal.rows[1].changes == (
        Change("name", "Ana Duarte", "ana duarte"),
        Change("language", "pt", "fr"),
    )
    assert "same person as in row 2" in proposal.rows[1].notes[-1]
    assert list(proposal.profiles) == ["new-1"]


def test_a_name_that_two_people_bear_is_refused_and_an_id_settles_it():
    twins = {"a": PEOPLE["m-3"], "b": PEOPLE["m-3"]}
    (row,) = try_file(sheet("name", "Aroha Tūmanako"), twins, ()).rows
    assert row.outcome is Outcome.REFUSED
    (row,) = try_file(sheet("id,name", "b,Aroha Tūmanako"), twins, ()).rows
    assert row.member == "b"


def test_ropes_are_matched_loosely_made_when_new_and_ordered():
    proposal = try_file(
        sheet(
            "name,rope,order",
            "Moon Hye-jin,R1,1",
            "Ana Duarte,3,2",
            "Ben Aldous,Rope 3,1",
            "Tashi Wangdrak,2,",
        )
    )
    assert [(rope.name, rope.members) for rope in proposal.ropes] == [
        ("Rope 1", ("m-4", "m-1", "m-3")),
        ("Rope 2", ("m-2",)),
        ("Rope 3", ("new-2", "new-1")),
    ]
    assert proposal.rows[0].changes == (Change("rope", "Rope 2, place 2", "Rope 1, place 1"),)
    assert proposal.rows[3].outcome is Outcome.SAME


def test_a_place_given_twice_is_refused_with_the_row_it_clashes_with():
    proposal = try_file(sheet("name,rope,order", "Ana Duarte,5,1", "Ben Aldous,Rope 5,1"), {}, ())
    assert proposal.rows[1].problems[0].message == "Place 1 on Rope 5 is given in row 2 already."


@pytest.mark.parametrize("place", ["0", "-1", "1.5", "51", "first", "99999999999999999999", "²"])
def test_a_place_that_is_none_is_refused(place):
    (row,) = try_file(sheet("name,rope,order", f"Ana Duarte,1,{place}"), {}, ()).rows
    assert row.problems[0].column == "order"


def test_control_characters_are_refused():
    (row,) = try_file(sheet("name", "Ana\x07Duarte"), {}, ()).rows
    assert "U+0007" in row.problems[0].message


def test_a_row_with_more_cells_than_the_header_is_refused():
    (row,) = try_file(sheet("name,role", "Duarte,Ana,climber"), {}, ()).rows
    assert [problem.column for problem in row.problems] == ["(beyond the header)", "role"]


def test_a_title_above_the_header_is_skipped():
    proposal = try_file(sheet("Kessandry September,,", "", "Name,Role,", "Ana Duarte,client,"), {}, ())
    assert [(row.row, row.outcome) for row in proposal.rows] == [(4, Outcome.NEW)]


def test_a_file_without_a_name_column_says_what_it_needs():
    proposal = try_file(sheet("who,what", "Ana,climber"), {}, ())
    assert proposal.problems[0].value == "who, what"
    assert "call one of them: name" in proposal.problems[0].remedy
    assert not proposal.changes_anything


def test_a_header_without_rows_is_said():
    assert try_file(sheet("name,role"), {}, ()).problems[0].message == "There is no row below the header."


def test_the_fingerprint_ignores_new_ids_and_follows_what_changes():
    one = try_file(sheet("name,rope", "Ana Duarte,1"))
    same = try_file(sheet("name,rope", "Ana Duarte,1"))
    other = try_file(sheet("name,rope", "Ana Duarte,1"), PEOPLE, ROPES[:1])
    assert one.fingerprint == same.fingerprint
    assert one.fingerprint != other.fingerprint
